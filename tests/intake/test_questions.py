"""Questions about the hard-to-believe: each planted slip is asked about, ordinary data is not."""

from __future__ import annotations

import csv
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import ks_2samp, median_abs_deviation
from statsmodels.robust import mad

from optimizer import History, Site, load_logs
from optimizer.errors import QuestionError
from optimizer.intake.questioning import asking
from optimizer.intake.questioning.fences import largest_difference, robust_deviation
from optimizer.intake.questioning.samples import MOST_RUNS, Sample
from optimizer.intake.settling.load import LoadOptions, load_table
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation.cases import random_deck, random_material

NOW = datetime(2026, 6, 1, 12, tzinfo=UTC)
SITE = Site.from_dict(
    {
        "material": {
            "moisture": {"unit": "%", "low": 5, "high": 40},
            "bulk_density": {"unit": "kg/m3", "low": 1, "high": 10_000},
        }
    }
)
SEASON = Path(__file__).resolve().parents[2] / "datasets" / "season"


def season(n: int, seed: int = 0, first: datetime = NOW - timedelta(days=200), **fixed) -> list:
    """Rows of an ordinary season, one every two hours, as a log has them."""
    rng = np.random.default_rng(seed)
    rows = []
    for k in range(n):
        row = {
            "line": "deck-1",
            "started_at": (first + timedelta(hours=2 * k, minutes=7)).isoformat(),
            "feed_rate": round(2.2 + 0.15 * rng.standard_normal(), 1),
            "end_raise": round(3.4 + 0.15 * rng.standard_normal(), 1),
            "side_tilt": round(2.2 + 0.15 * rng.standard_normal(), 1),
            "eccentric_speed": float(5 * round(92 + 2 * rng.standard_normal())),
            "air": float(round(42 + 3 * rng.standard_normal())),
            "grade": round(float(rng.binomial(400, 0.985)) / 400, 4),
            "recovery": round(0.93 + 0.012 * rng.standard_normal(), 4),
            "grade_count": 400,
            "recovery_se": round(0.008 + 0.001 * rng.standard_normal(), 5),
            "feed_grade": round(0.93 + 0.004 * rng.standard_normal(), 4),
            "moisture": round(11.2 + 0.3 * rng.standard_normal(), 1),
            "bulk_density": float(round(690 + 8 * rng.standard_normal())),
        }
        rows.append(row | fixed)
    return rows


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    """A history of 120 ordinary runs, which no test adds to."""
    history = History(tmp_path_factory.mktemp("filled") / "history", clock=lambda: NOW)
    assert load_table(season(120), history, SITE).questions == ()
    return history


def new_row(**changes) -> dict:
    return season(1, 5, NOW - timedelta(days=2))[0] | changes


def ask(history, rows, **options):
    report = load_table(rows, history, SITE, options=LoadOptions(dry_run=True, **options))
    assert report.added == len(rows), report.rejects
    return [(q.field, q.why) for q in report.questions]


PLANTED = [
    ("dirtier than its feed", {"grade": 0.86}, "grade",
     "grade 86 % is below the feed grade 93.3 %"),
    ("in the future", {"started_at": (NOW + timedelta(hours=3)).isoformat()}, "started_at",
     "is in the future (it is now 2026-06-01T12:00:00Z)"),
    ("a wrong year", {"started_at": "2016-05-30T08:00"}, "started_at", "more than 2 years before"),
    ("a clock that restarted", {"started_at": "1970-01-01T00:12"}, "started_at", "before 1980"),
    ("a far grade", {"grade": 0.5, "feed_grade": None}, "grade", "six standard deviations"),
    ("a far recovery", {"recovery": 0.4}, "recovery", "six standard deviations"),
    ("a far material", {"moisture": 29}, "moisture", "six standard deviations"),
    ("a setting of a tenth", {"air": 4.2}, "air", "air 4.2 turn is a tenth of what is usual"),
    ("a material of ten times", {"bulk_density": 6900}, "bulk_density", "10 times what is usual"),
    ("a material of a hundredth", {"bulk_density": 6.9}, "bulk_density", "a hundredth of what"),
    ("a grade of a tenth", {"grade": 0.0985}, "grade", "grade 9.85 % is a tenth of what is usual"),
    ("a recovery of a hundredth", {"recovery": 0.0093}, "recovery", "a hundredth of what is usual"),
    ("a count of ten times", {"grade_count": 4000}, "grade_count", "10 times what is usual"),
    ("a count of a tenth", {"grade_count": 40}, "grade_count", "a tenth of what is usual"),
    ("an error in per cent", {"recovery_se": 0.08}, "recovery_se", "10 times what is usual"),
    ("swapped readings", {"grade": 0.925, "recovery": 0.9875, "feed_grade": None}, "grade",
     "grade 92.5 % and recovery 98.75 % are each unusual"),
]  # fmt: skip


@pytest.mark.parametrize(("changes", "field", "said"), [p[1:] for p in PLANTED],
                         ids=[p[0] for p in PLANTED])  # fmt: skip
def test_a_planted_slip_is_asked_about_and_stored(filled, changes, field, said):
    (asked,) = ask(filled, [new_row(**changes)])
    assert asked[0] == field
    assert said in asked[1]


def test_a_question_tells_shares_in_per_cent_as_forms_take_them(filled):
    """The value stays as the log has it, for programs; sentences are for people."""
    row = new_row(grade=0.0985)
    (question,) = load_table([row], filled, SITE, options=LoadOptions(dry_run=True)).questions
    assert question.value == "0.0985"
    ends = re.search(r"lie between ([\d.]+) % and ([\d.]+) %$", question.why)
    assert 80 < float(ends[1]) < 98.5 < float(ends[2]) <= 100


def test_an_ordinary_row_is_not_asked_about(filled):
    assert ask(filled, [new_row()]) == []
    # A failed trial has readings of its own.
    assert ask(filled, [new_row(grade=0.6, recovery=0.3, deck_state="boiling")]) == []
    # Below the feed grade by less than the count can tell, and clocks a minute apart.
    near = new_row(grade=0.925, feed_grade=0.93, recovery=0.96)
    assert ask(filled, [near | {"started_at": (NOW + timedelta(minutes=1)).isoformat()}]) == []


def test_a_slip_does_not_hide_among_others_of_its_load(tmp_path):
    history = History(tmp_path / "history", clock=lambda: NOW)
    rows = season(200)
    for k in (20, 90):
        rows[k]["air"] = 4.1
    rows[50]["recovery"] = 0.3
    report = load_table(rows, history, SITE)
    assert report.added == 200
    assert [(q.row, q.field, q.value) for q in report.questions] == [
        (21, "air", "4.1"), (51, "recovery", "0.3"), (91, "air", "4.1")
    ]  # fmt: skip


# ------------------------------------------------------------------ whole columns


def test_a_column_in_another_unit_is_asked_about_once(filled):
    rows = season(30, 3, NOW - timedelta(days=20))
    rows = [row | {"air": row["air"] / 10} for row in rows]
    ((field, why),) = ask(filled, rows)
    assert field == "air"
    assert "is its unit right? 10 times its values would be usual" in why
    report = load_table(rows, filled, SITE, options=LoadOptions(dry_run=True))
    assert report.questions[0].as_dict() | {"why": ""} == {
        "file": "rows", "row": 0, "run_id": None, "field": "air", "value": "4.2", "why": ""
    }  # fmt: skip


@pytest.mark.parametrize("pair", [("end_raise", "side_tilt"), ("grade", "recovery")])
def test_swapped_columns_are_asked_about_once(filled, pair):
    a, b = pair
    rows = [r | {a: r[b], b: r[a], "feed_grade": None}
            for r in season(30, 3, NOW - timedelta(days=20))]  # fmt: skip
    ((field, why),) = ask(filled, rows)
    assert field == a
    assert f"the columns {a} and {b} look swapped" in why


def test_a_mapping_that_swaps_columns_is_asked_about(filled, tmp_path):
    rows = season(30, 3, NOW - timedelta(days=20))
    names = {"end_raise": "tilt A", "side_tilt": "tilt B"}
    write(tmp_path / "log.csv", [{names.get(k, k): v for k, v in row.items()} for row in rows])
    right = {"tilt A": "end_raise", "tilt B": "side_tilt"}
    wrong = {"tilt A": "side_tilt", "tilt B": "end_raise"}
    found = {
        name: load_logs(tmp_path / "log.csv", filled, SITE, mapping=mapping, dry_run=True)
        for name, mapping in (("right", right), ("wrong", wrong))
    }
    assert found["right"].questions == ()
    assert [q.field for q in found["wrong"].questions] == ["end_raise"]


# ------------------------------------------------------------------ the same run again


def write(path: Path, rows: list) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.mark.parametrize("dated", [True, False])
def test_a_corrected_log_without_ids_does_not_double_its_runs_unnoticed(tmp_path, dated):
    history = History(tmp_path / "history", clock=lambda: NOW)
    rows = [row if dated else row | {"started_at": ""} for row in season(40)]
    log = write(tmp_path / "log.csv", rows)
    load_logs(log, history, SITE)
    old = next(run for run in history.at().runs().to_pylist() if run["source_row"] == 12)
    rows[10] = rows[10] | {"grade": 0.9801}
    report = load_logs(write(log, rows), history, SITE)
    assert (report.added, report.already_known) == (1, 39)
    (question,) = report.questions
    assert question.row == 12
    assert f"run '{old['run_id']}'" in question.why
    assert "--correct" in question.why


def test_all_rows_of_a_corrected_log_are_asked_about(tmp_path):
    history = History(tmp_path / "history", clock=lambda: NOW)
    rows = [row | {"started_at": ""} for row in season(40)]
    log = write(tmp_path / "log.csv", rows)
    load_logs(log, history, SITE)
    rows = [row | {"grade": round(row["grade"] - 0.001, 4)} for row in rows]
    report = load_logs(write(log, rows), history, SITE)
    assert (report.added, len(report.questions)) == (40, 40)
    again = write(tmp_path / "other.csv", rows)
    report = load_logs(again, history, SITE)  # the same log under another name
    assert (report.added, report.already_known, report.questions) == (0, 40, ())


def test_logs_of_one_name_and_logs_that_grow_are_not_asked_about(tmp_path):
    history = History(tmp_path / "history", clock=lambda: NOW)
    for month in range(3):  # each month's log has the same name and other runs
        rows = season(40, month, NOW - timedelta(days=100 - 30 * month))
        assert load_logs(write(tmp_path / "log.csv", rows), history, SITE).questions == ()
    more = season(3, 8, NOW - timedelta(days=20))
    assert load_logs(write(tmp_path / "log.csv", rows + more), history, SITE).questions == ()
    newest = season(3, 9, NOW - timedelta(days=10))  # newest first
    report = load_logs(write(tmp_path / "log.csv", newest + rows + more), history, SITE)
    assert (report.added, report.questions) == (3, ())


def test_times_that_do_not_tell_runs_apart_say_nothing(tmp_path):
    history = History(tmp_path / "history", clock=lambda: NOW)
    rows = season(60)
    for k, row in enumerate(rows):  # a date alone, several runs a day, over two logs
        row["started_at"] = f"2026-03-{1 + k % 15:02d}"
    assert load_table(rows[:30], history, SITE).questions == ()
    assert load_table(rows[30:], history, SITE).questions == ()
    twins = [new_row(grade=0.98 + k / 1000) for k in range(3)]  # samples of one trial
    assert load_table(twins, history, SITE).questions == ()
    # One more of these may be any of the three, so nothing says which run it would correct.
    assert load_table([new_row(grade=0.989)], history, SITE).questions == ()


# ------------------------------------------------------------------ ordinary data


def test_the_demo_season_raises_no_question(tmp_path):
    history = History(tmp_path / "history")
    site = Site.read(SEASON / "site.toml")
    logs = [SEASON / name for name in ("deck-1.csv", "deck-2.csv", "deck-3.parquet")]
    report = load_logs(logs, history, site)
    assert report.added > 1400
    assert report.as_dict()["questions"] == []
    for log in logs:  # and neither does any of them alone, or again
        assert load_logs(log, History(tmp_path / log.name), site).questions == ()
        assert load_logs(log, history, site).questions == ()


@pytest.mark.parametrize("seed", [1, 2])
def test_simulated_lines_raise_less_than_one_question_in_a_thousand_rows(tmp_path, seed):
    rng = np.random.default_rng(seed)
    rows = asked = 0
    for _ in range(12):
        deck, material = random_deck(rng), random_material(rng)
        n = int(rng.choice([60, 250, 600]))
        spread = GRAVITY_TABLE.values(Region.whole(GRAVITY_TABLE).sample(n, rng))
        usual = spread[0] + 0.03 * GRAVITY_TABLE.span * rng.standard_normal((n, 5))
        values = spread if rng.random() < 0.5 else usual
        values = GRAVITY_TABLE.values(GRAVITY_TABLE.nearest_index(values))
        found = deck.measure(values, material, rng, int(rng.choice([100, 400, 1000])))
        even = found.deck_state == "even"
        log = [
            {
                "line": "x",
                "started_at": (NOW - timedelta(days=100) + timedelta(hours=k)).isoformat(),
                **dict(zip(GRAVITY_TABLE.names, values[k].tolist(), strict=True)),
                "grade": float(found.grade[k]) if even[k] else None,
                "recovery": float(np.clip(found.recovery[k], 0, 1)) if even[k] else None,
                "grade_count": found.grade_count,
                "deck_state": str(found.deck_state[k]),
            }
            for k in range(n)
        ]
        history = History(tmp_path / "none", clock=lambda: NOW)
        report = load_table(log, history, Site(), options=LoadOptions(dry_run=True))
        rows, asked = rows + report.added, asked + report.questions_total
    assert rows > 2500
    assert asked <= rows / 1000


@pytest.mark.parametrize(
    "changes",
    [
        {"side_tilt": 2.2, "end_raise": 3.0},
        {"moisture": 11.0},
        {"grade": 0.98, "recovery": 0.93},
        {"grade": 1.0},
    ],
    ids=["fixed settings", "fixed material", "readings that never change", "perfect grades"],
)
def test_columns_of_few_values_raise_none(tmp_path, changes):
    history = History(tmp_path / "history", clock=lambda: NOW)
    assert load_table(season(80, 1, **changes), history, SITE).questions == ()
    assert load_table(season(1, 7, NOW - timedelta(days=9)), history, SITE).questions == ()


def test_tight_and_heavy_tailed_readings_raise_at_most_one_in_a_thousand():
    rng = np.random.default_rng(4)
    site, n = Site(), 400
    shapes = {
        "tight": lambda: 0.93 + 1e-5 * rng.standard_normal(n),
        "rounded": lambda: np.round(0.98 + 0.004 * rng.standard_normal(n), 2),
        "Student's t, 3 degrees": lambda: 1 / (1 + np.exp(-2.5 - 0.2 * rng.standard_t(3, n))),
        "Laplace": lambda: 1 / (1 + np.exp(-2.5 - 0.2 * rng.laplace(size=n))),
        "skewed": lambda: 1 - rng.lognormal(-4, 0.8, n).clip(0, 1),
    }
    for name, draw in shapes.items():
        asked = 0
        for _ in range(20):
            values = np.sort(draw().clip(0, 1))
            empty = {each: np.zeros(0) for each in ("grade", "feed_grade", "started_at")}
            fences = asking.fences_of(empty | {"recovery": values}, site)
            asked += fences.readings["recovery"].outside(values).sum()
        assert asked <= 20 * n / 1000, name


# ------------------------------------------------------------------ many rows


def test_questions_do_not_depend_on_how_a_load_is_cut(tmp_path, monkeypatch):
    rows = season(600)
    for k in (100, 300, 599):
        rows[k] = rows[k] | {"air": 4.2}
    rows[450] = rows[450] | {"recovery": 0.2}
    whole = load_table(rows, History(tmp_path / "a", clock=lambda: NOW), SITE).questions
    assert [q.row for q in whole] == [101, 301, 451, 600]
    monkeypatch.setattr(asking, "FIRM", 100)
    monkeypatch.setattr(asking, "MOST_WAITING", 2)
    streamed = load_table(rows, History(tmp_path / "b", clock=lambda: NOW), SITE).questions
    assert [(q.row, q.field) for q in streamed] == [(q.row, q.field) for q in whole]


def test_a_report_lists_the_first_questions_and_counts_all(tmp_path, monkeypatch):
    monkeypatch.setattr(asking, "MOST_LISTED", 10)
    history = History(tmp_path / "history", clock=lambda: NOW)
    found = load_table(season(25, grade=0.5), history, SITE).as_dict()
    assert (len(found["questions"]), found["questions_total"]) == (10, 25)
    few = load_table(season(1, 1, NOW - timedelta(days=3), grade=0.5), history, SITE).as_dict()
    assert len(few["questions"]) == 1
    assert "questions_total" not in few


def test_a_sample_is_bounded_and_covers_all_runs(tmp_path):
    history = History(tmp_path / "history", clock=lambda: NOW)
    load_table(season(10), history, SITE)
    (batch,) = history.at().known_runs()
    batch = batch.take(np.arange(10).repeat(1000))
    sample = Sample(("air",))
    for _ in range(6):
        sample.add(batch, np.arange(len(batch)))
    assert sample.seen == 60_000
    values = sample.column("air")
    assert MOST_RUNS // 2 < len(values) <= 2 * MOST_RUNS
    assert set(values) == set(batch.column("air").to_pylist())


def test_robust_deviation_and_distance_agree_with_scipy_and_statsmodels():
    rng = np.random.default_rng(2)
    for n in (5, 30, 301):
        values = rng.standard_t(3, n)
        assert robust_deviation(values) == pytest.approx(mad(values), rel=1e-6)
        assert robust_deviation(values) == pytest.approx(
            median_abs_deviation(values, scale="normal"), rel=1e-6
        )
        a, b = np.sort(values), np.sort(np.round(rng.normal(0.3, 1, 2 * n), 1))
        assert largest_difference(a, b) == pytest.approx(ks_2samp(a, b).statistic, abs=1e-12)


# ------------------------------------------------------------------ a second word


def test_a_load_that_must_be_sure_stores_all_or_nothing(tmp_path):
    history = History(tmp_path / "history", clock=lambda: NOW)
    load_table(season(120), history, SITE)
    rows = [new_row(), new_row(air=4.2, started_at="2026-05-29T09:00")]
    with pytest.raises(QuestionError, match=r"air 4.2 turn is a tenth") as refused:
        load_table(rows, history, SITE, options=LoadOptions(sure=False))
    assert (refused.value.code, refused.value.exit_code) == ("question", 2)
    assert "--sure" in refused.value.hint
    assert [q["field"] for q in refused.value.questions] == ["air"]
    assert history.at().runs().num_rows == 120
    report = load_table(rows, history, SITE)
    assert (report.added, len(report.questions)) == (2, 1)
