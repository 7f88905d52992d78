"""Which loads raise questions as a whole: runs that come again, ordinary data, many rows."""

from __future__ import annotations

from datetime import timedelta

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
from tests.intake.test_questions import NOW, SEASON, SITE, new_row, season, write

# ------------------------------------------------------------------ the same run again


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
