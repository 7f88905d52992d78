"""Logs of lines whose air is set at several gates: columns, units, and rows that contradict."""

from __future__ import annotations

import re

import pyarrow.compute as pc
import pytest

from optimizer.history.history import History
from optimizer.intake.settling.load import load_logs, load_table
from optimizer.plant.site import Site

SITE = Site.from_dict({"lines": {"deck-3": {"air": {"gates": 3}, "air_2": {"high": 70}}}})
ALL = Site.from_dict({"settings": {"air": {"gates": 3}}})
GATES = ("air_1", "air_2", "air_3")
ROW = {
    "line": "deck-3",
    "started_at": "2026-03-01 10:00",
    "feed_rate": 2,
    "end_raise": 2.5,
    "side_tilt": 1.5,
    "eccentric_speed": 400,
    "grade": 0.97,
    "recovery": 0.9,
}


def loaded(tmp_path, *rows, site=SITE, **options):
    history = History(tmp_path / "history")
    names = list(dict.fromkeys(name for row in rows for name in (*ROW, *row)))
    log = tmp_path / "log.csv"
    lines = [",".join(str({**ROW, **row}.get(name, "")) for name in names) for row in rows]
    log.write_text("\n".join([",".join(names), *lines]) + "\n", encoding="utf-8")
    report = load_logs([log], history, site, **options)
    return report, history


def airs(history, site=SITE):
    runs = history.at().runs(site).sort_by("started_at")
    return [tuple(run[name] for name in ("air", *GATES)) for run in runs.to_pylist()]


def at(hour):
    return {"started_at": f"2026-03-01 {hour:02d}:00"}


def test_each_run_fills_the_settings_that_its_line_has(tmp_path):
    report, history = loaded(
        tmp_path,
        {**at(1), "air_1": 30, "air_2": 35, "air_3": 40},
        {**at(2), "air": 33},
        {**at(3), "line": "deck-1", "air": 44},
    )
    assert (report.added, report.rejected) == (3, 0)
    assert airs(history) == [(None, 30, 35, 40), (None, 33, 33, 33), (44, None, None, None)]


def test_one_column_is_enough_where_all_gates_are_alike(tmp_path):
    report, history = loaded(tmp_path, {"air": 33}, site=ALL)
    assert report.added == 1
    assert airs(history, ALL) == [(None, 33, 33, 33)]


def test_both_may_stand_in_a_row_where_they_agree(tmp_path):
    report, history = loaded(tmp_path, {"air": 33, "air_1": 33.0, "air_3": "33.00"})
    assert report.added == 1
    assert airs(history) == [(None, 33, 33, 33)]


def test_units_stand_in_headings_and_cells(tmp_path):
    row = {"air_1 [turn]": 30, "air_2 [turn]": 35, "AIR-3": "40 turn"}
    report, history = loaded(tmp_path, row, site=ALL)
    assert report.added == 1, report.as_dict()
    assert airs(history, ALL) == [(None, 30, 35, 40)]


def test_percent_of_opening(tmp_path):
    air = {"unit": "%", "low": 0, "high": 100, "step": 5, "gates": 3}
    site = Site.from_dict({"settings": {"air": air}})
    report, history = loaded(tmp_path, {"air_1": 30, "air_2 [%]": 35, "air_3": "40%"}, site=site)
    assert report.added == 1, report.as_dict()
    assert airs(history, site) == [(None, 30, 35, 40)]


def test_headings_are_mapped_to_gates(tmp_path):
    row = {"Gate A": 30, "Gate B": 35, "Gate C": 40}
    mapping = {"Gate A": "air_1", "Gate B": "air_2", "Gate C": "air_3"}
    report, history = loaded(tmp_path, row, mapping=mapping)
    assert report.added == 1
    assert airs(history) == [(None, 30, 35, 40)]


@pytest.mark.parametrize(
    ("row", "field", "reason"),
    [
        ({"air": 33, "air_1": 34, "air_2": 33}, "air", "air is 33 and air_1 is 34: air means all"),
        ({"air_1": 30, "air_2": 35}, "air_3", "air_3 is missing: expected a number from 0 to 90"),
        ({"air": ""}, "air", "air is missing: expected a number from 0 to 90 turn"),
        ({"air": 80}, "air", "air 80 is outside the declared range of air_2: .* from 0 to 70 turn"),
        ({"air": 95}, "air", "^air 95 is outside the declared range: .* 0 to 90 turn on line"),
        (
            {"air_1": 80, "air_2": 80, "air_3": 80},
            "air_2",
            "^air_2 80 is outside the declared range: expected a number from 0 to 70 turn on line",
        ),
        ({"air_1": "x", "air_2": 30, "air_3": 30}, "air_1", "^air_1 'x' is not a number"),
        (
            {"line": "deck-1", "air": 33, "air_2": 33},
            "air_2",
            "air_2 is 33, and air has no gates on line 'deck-1': empty it",
        ),
        ({"line": "deck-1", "air_1": 33, "air_2": 33, "air_3": 33}, "air_1", "air has no gates"),
    ],
)
def test_rows_that_are_rejected(tmp_path, row, field, reason):
    whole = {"air": "", "air_1": "", "air_2": "", "air_3": ""}
    report, _ = loaded(tmp_path, {**whole, **row}, {**at(12), "air": 33})
    assert (report.added, report.rejected) == (1, 1)
    (reject,) = report.as_dict()["rejects"]
    assert reject["field"] == field
    assert re.search(reason, reject["reason"]), reject["reason"]


def test_a_gate_beyond_those_of_a_line_is_rejected(tmp_path):
    site = Site.from_dict(
        {"settings": {"air": {"gates": 2}}, "lines": {"deck-3": {"air": {"gates": 3}}}}
    )
    row = {"line": "deck-1", "air_1": 30, "air_2": 30, "air_3": 30}
    report, _ = loaded(tmp_path, row, {"air": 33}, site=site)
    assert report.added == 1
    assert "air has 2 gates on line 'deck-1'" in report.as_dict()["rejects"][0]["reason"]


@pytest.mark.parametrize(
    ("columns", "lacks"),
    [
        (("air_1", "air_2"), "no column for air_3;"),
        ((), "no column for air;"),
    ],
)
def test_columns_that_a_log_lacks_are_named(tmp_path, columns, lacks):
    report, _ = loaded(tmp_path, dict.fromkeys(columns, 30), site=ALL)
    (file,) = report.as_dict()["files"]
    assert len(report.unreadable) == 1
    assert lacks in str(report.as_dict())
    assert file["added"] == 0


def test_readings_over_time_are_averaged_gate_by_gate(tmp_path):
    """A gate that a line lacks is empty in all its readings, which end no stretch."""
    rows = [
        {"started_at": f"2026-03-01 10:{minute:02d}", "air_1": 30, "air_2": 35, "air_3": 40}
        for minute in range(0, 12, 2)
    ]
    other = [{"line": "deck-1", "started_at": row["started_at"], "air": 44} for row in rows]
    report, history = loaded(tmp_path, *rows, *other, samples=True)
    assert report.added == 2
    runs = history.at().runs(SITE)
    assert runs.num_rows == 2
    assert pc.min(runs["samples"]).as_py() > 1
    assert sorted(airs(history), key=str) == [(44, None, None, None), (None, 30, 35, 40)]


def test_rows_in_memory_may_state_all_gates_or_each(tmp_path):
    history = History(tmp_path / "history")
    rows = [{**ROW, "air": 33}, {**ROW, **at(12), "air_1": 30, "air_2": 31, "air_3": 32}]
    blank = dict.fromkeys(("air", *GATES))
    report = load_table([{**blank, **row} for row in rows], history, SITE)
    assert report.added == 2
    assert airs(history) == [(None, 33, 33, 33), (None, 30, 31, 32)]
