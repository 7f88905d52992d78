"""One load, log by log, without a commit: what it counts, says and refuses."""

from __future__ import annotations

import pytest

from optimizer.history.history import History
from optimizer.intake.reading.columns import Headings
from optimizer.intake.settling import loading
from optimizer.intake.settling.load_options import LoadOptions
from optimizer.intake.settling.loading import Load
from optimizer.intake.settling.log_files import content_as_file
from optimizer.plant.site import Site
from tests.intake.rows import row, text


class Started(Load):
    """A load of logs, each of some rows, that is run to its end, and the runs that it found."""

    def go(self, *logs):
        files = [
            content_as_file(name, text(rows).encode() if isinstance(rows, list) else rows)
            for name, rows in logs
        ]
        self.found = [run for batch in self.runs(files) for run in batch.to_pylist()]
        return self


@pytest.fixture
def start(history: History):
    def started(*logs, site=None, progress=None, mapping=None, **how):
        site = Site() if site is None else site
        load = Started(site, Headings(site, mapping), history, LoadOptions(**how), progress)
        return load.go(*logs)

    return started


def plain(**cells):
    """A good row without the columns that a site must declare."""
    return {k: v for k, v in row(**cells).items() if k != "moisture"}


FIRST, SECOND = plain(), plain(started_at="2025-03-01 11:00", air="31")


def test_each_log_is_counted_and_its_start_is_told(start):
    told = []
    load = start(
        ("one.csv", [FIRST, FIRST, plain(air="none")]),
        ("two.csv", [FIRST, SECOND]),
        progress=lambda *given: told.append(given),
    )
    assert told == [("one.csv", 1, 2), ("two.csv", 2, 2)]
    counts = [(t.file, t.read, t.added, t.already_known, t.rejected) for t in load.tallies]
    assert counts == [("one.csv", 3, 1, 1, 1), ("two.csv", 2, 1, 1, 0)]
    assert [run["air"] for run in load.found] == [30.0, 31.0]
    (reject,) = load.rejected.to_pylist()
    assert (reject["file"], reject["row"], reject["field"]) == ("one.csv", 4, "air")


def test_only_the_logs_that_are_asked_for_are_read(start):
    load = start(("one.csv", [FIRST]), ("two.csv", [SECOND]), logs=["two.csv"])
    assert [t.file for t in load.tallies] == ["two.csv"]
    assert [run["air"] for run in load.found] == [31.0]


def test_a_row_without_a_line_is_of_the_only_declared_line_or_of_that_of_the_options(start):
    nameless = [("log.csv", [plain(line=""), {**SECOND, "line": "B"}])]
    one = Site.from_dict({"lines": {"only": {}}})
    assert [run["line"] for run in start(*nameless, site=one).found] == ["only", "B"]
    load = start(*nameless, site=one, line="C")
    assert [run["line"] for run in load.found] == ["C", "B"]
    assert any(
        "has a column for the line; --line C fills its gaps only" in w for w in load.warnings
    )
    two = Site.from_dict({"lines": {"only": {}, "other": {}}})
    assert [run["line"] for run in start(*nameless, site=two).found] == ["B"]
    bare = [{k: v for k, v in FIRST.items() if k != "line"}]
    load = start(("log.csv", bare), line="C")
    assert not any("--line" in w for w in load.warnings)
    assert [run["line"] for run in load.found] == ["C"]


def test_lines_that_the_site_does_not_declare_are_named_once_where_it_declares_any(start):
    logs = [
        ("one.csv", [plain(line="z"), plain(line="b")]),
        ("two.csv", [plain(line="z", air="9")]),
    ]
    load = start(*logs, site=Site.from_dict({"lines": {"A": {}}}))
    said = [w for w in load.warnings if "not declared" in w]
    assert said == [f"line '{name}' is not declared in the site file" for name in "bz"]
    assert not [w for w in start(*logs).warnings if "not declared" in w]


def test_columns_that_are_not_read_and_names_that_no_log_has_are_told(start):
    strange = [{**FIRST, "shift boss": "x", "colour": "y"}]
    load = start(("log.csv", strange), mapping={"Aire": "air"})
    assert "log.csv: columns not read: 'shift boss', 'colour'" in load.warnings
    told = load.report(None, 3)
    assert (told.version, told.rejects_file) == (3, None)
    assert told.warnings[-1] == "no log has a column 'Aire', which --map names"


def test_a_log_that_cannot_be_read_is_one_reject_and_stops_no_other(start):
    lacking = [{k: v for k, v in FIRST.items() if k != "air"}]
    load = start(("bad.csv", lacking), ("good.csv", [FIRST]))
    bad, good = load.tallies
    assert (bad.file, bad.read, good.added, good.error) == ("bad.csv", 0, 1, None)
    assert "air" in bad.error
    assert "rows before that" not in bad.error
    (reject,) = load.rejected.to_pylist()
    assert (reject["file"], reject["row"]) == ("bad.csv", 0)


@pytest.mark.parametrize("length", [500, 501])
def test_a_heading_has_at_most_500_characters(start, length):
    load = start(("log.csv", [{**FIRST, "h" * length: "1"}]))
    assert len(load.found) == (length == 500)
    if length > 500:
        said = load.tallies[0].error
        assert "a heading has 501 characters, and at most 500 are read: 'hhh" in said
        assert f"'{'h' * 40}…'" in said


def test_faulty_rows_are_held_up_to_a_number_of_bytes(start, monkeypatch):
    rows = [plain(air="none", started_at=f"2025-03-0{k}") for k in (1, 2, 3)]
    size = sum(table.nbytes for table in start(("log.csv", rows)).rejects)
    monkeypatch.setattr(loading, "MOST_REJECTED", size)
    assert start(("log.csv", rows)).tallies[0].error is None
    monkeypatch.setattr(loading, "MOST_REJECTED", size - 1)
    said = start(("log.csv", rows)).tallies[0].error
    assert said.startswith("the faulty rows have more than 0 MiB, and no more are kept")
    assert said.endswith("The 3 rows before that were read.")
    both = [("one.csv", rows[:2]), ("two.csv", rows[2:])]
    monkeypatch.setattr(loading, "MOST_REJECTED", start(both[0]).held)
    assert [t.error is None for t in start(*both).tallies] == [True, False]


def test_rows_that_wait_for_the_end_of_a_log_stand_in_its_order(start):
    """A date of two meanings waits for others of its column, which explain none here."""
    rows = [plain(started_at="03/04/2025"), plain(air="none"), plain(started_at="05/06/2025")]
    load = start(("log.csv", rows))
    assert load.rejected["row"].to_pylist() == [2, 3, 4]
    assert (load.tallies[0].read, load.tallies[0].rejected) == (3, 3)
    explained = [plain(started_at="03/04/2025"), plain(started_at="25/04/2025", air="31")]
    found = [run["started_at"].isoformat()[:10] for run in start(("log.csv", explained)).found]
    assert sorted(found) == ["2025-04-03", "2025-04-25"]
    stated = start(("log.csv", rows), date_order="month-first").found
    assert [run["started_at"].isoformat()[:10] for run in stated] == ["2025-03-04", "2025-05-06"]


def test_readings_over_time_need_a_time(start):
    timeless = [{k: v for k, v in FIRST.items() if k != "started_at"}]
    load = start(("log.csv", timeless), samples=True)
    assert load.tallies[0].error.startswith("log.csv: readings over time need a column started_at")
    assert load.found == []


def test_readings_of_settings_and_of_results_in_two_logs_make_runs_together(start):
    times = [f"2025-03-01 10:{minute:02d}" for minute in range(0, 60, 5)]
    both = [plain(started_at=at) for at in times]
    results = ("grade", "recovery")
    apart = (
        ("settings.csv", [{k: v for k, v in each.items() if k not in results} for each in both]),
        ("results.csv", [{k: each[k] for k in ("line", "started_at", *results)} for each in both]),
    )
    whole = start(("log.csv", both), samples=True)
    halves = start(*apart, samples=True)
    assert len(whole.found) == len(halves.found) == 1
    for name in ("line", "air", "grade", "recovery"):
        assert whole.found[0][name] == halves.found[0][name]
    assert (whole.tallies[0].added, whole.tallies[0].readings) == (1, 12)
