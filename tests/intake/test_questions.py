"""Questions about the hard-to-believe: each planted slip is asked about, ordinary data is not."""

from __future__ import annotations

import csv
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from optimizer import History, Site, load_logs
from optimizer.intake.settling.load import LoadOptions, load_table

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


def write(path: Path, rows: list) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return path


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
