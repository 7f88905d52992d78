"""The start of a run from the columns that logs have: a date and a time, a sheet of one day, a
heading that says how its cells are written."""

from __future__ import annotations

from datetime import UTC, date, datetime

import openpyxl
import pytest

from optimizer import History, Site, load_logs
from optimizer.errors import InputError
from optimizer.intake.settling.load import LoadOptions, load_bytes, load_table
from tests.history.runs import run as row

NOON = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)


@pytest.fixture
def history(tmp_path):
    return History(tmp_path / "history", clock=lambda: NOON)


def log(headings: str, *starts: str, delimiter: str = ";", title: str = "") -> bytes:
    """A log whose first columns have the headings and the cells of each start."""
    rest = {k: v for k, v in row().items() if k not in ("started_at", "air")}
    lines = [delimiter.join((headings, *rest, "air"))]
    for k, cells in enumerate(starts):
        lines.append(delimiter.join((cells, *map(str, rest.values()), str(20 + k))))
    return "\n".join([title, *lines] if title else lines).encode()


def loaded(history, content, site=None, file="log.csv", **options):
    report = load_bytes(content, history, site, file=file, options=LoadOptions(**options))
    if not report.added:
        return [], report
    found = history.at().runs().sort_by("air")["started_at"].to_pylist()
    return [None if at is None else f"{at:%Y-%m-%d %H:%M}" for at in found], report


@pytest.mark.parametrize(
    ("headings", "cells"),
    [
        ("Date;Time", "2026-03-02;06:30"),
        ("Start date;Start time", "2026-03-02;6:30 am"),
        ("Time;Day", "06:30;2 March 2026"),
        ("Fecha;Hora", "2 de marzo de 2026;6:30:00 a. m."),
        ("Datum;Uhrzeit", "2. März 2026;06:30 Uhr"),
        ("Date;Heure", "2 mars 2026;06h30"),
        ("Timestamp", "2026-03-02 06:30"),
        ("Date/Time", "2026-03-02T06:30:00.000"),
        ("Date (dd/mm/yyyy);Start time [hh:mm]", "02/03/2026;06:30"),
        ("Date [m/d/yy];Time", "3/2/26;06:30"),
        ("Time [UTC]", "2026-03-02 06:30"),
        ("Time (UTC-5)", "2026-03-02 01:30"),
        ("Start [America/Bogota]", "2026-03-02 01:30"),
        ("Date;Time [America/Bogota]", "2026-03-02;01:30"),
        ("Time [s since 1970-01-01]", "1772433000"),
        ("Time [ms since 1970-01-01]", "1772433000000"),
        ("Time [days since 1899-12-30]", "46083.27083"),
        ("Weekday;Date;Time", "Monday;2026-03-02;06:30"),
        ("Date;Time;End time", "2026-03-02;06:30;07:00"),
    ],
)
def test_a_start_is_seen_by_its_headings(history, headings, cells):
    starts, report = loaded(history, log(headings, cells))
    assert starts == ["2026-03-02 06:30"], report.as_dict()


@pytest.mark.parametrize("mapping", ["Wann+Um=started_at", "Um + Wann=started_at"])
def test_two_columns_are_joined_by_a_mapping(history, mapping):
    left, _, right = mapping.partition("=")
    starts, report = loaded(history, log("Wann;Um", "2026-03-02;06:30"), mapping={left: right})
    assert starts == ["2026-03-02 06:30"]
    assert report.warnings == ()


def test_the_site_file_joins_two_columns(history):
    site = Site.from_dict({"columns": {"Wann+Um": "started_at"}})
    assert loaded(history, log("Wann;Um", "2026-03-02;06:30"), site)[0] == ["2026-03-02 06:30"]


def test_a_mapping_to_columns_of_which_one_is_missing_names_it(history):
    starts, report = loaded(history, log("Wann;Um", "x;y"), mapping={"Wann+Am": "started_at"})
    assert starts == [None]
    assert report.warnings[-1] == "no log has a column 'Am', which --map names"


@pytest.mark.parametrize("headings", ["Time [min]", "Time (s)", "Start;Started", "Hora;Time"])
def test_what_may_be_something_else_is_not_taken_for_a_start(history, headings):
    starts, report = loaded(history, log(headings, ";".join("12" for _ in headings.split(";"))))
    assert starts == [None]
    assert "columns not read" in report.warnings[0]


def test_a_duration_under_time_is_rejected_and_can_be_left_out(history):
    starts, report = loaded(history, log("Time", "30"))
    assert not starts
    assert "'30' is not a date" in report.rejects[0]["reason"]
    assert loaded(history, log("Time", "30"), mapping={"Time": "ignore"})[0] == [None]


@pytest.mark.parametrize(
    ("bracket", "part"),
    [
        ("EST", "'EST' can be the abbreviation of several time zones"),
        ("America/Bogtoa", "time zone 'America/Bogtoa' is not known"),
        ("UTC+19", "time zone 'UTC+19:00' is not known"),
        ("s since 2025-02-30", "counts from a day that no calendar has"),
    ],
)
def test_a_bracket_that_tells_no_time_zone_is_refused(history, bracket, part):
    for heading in (f"started_at [{bracket}]", f"Time ({bracket})"):
        _, report = loaded(history, log(heading, "2026-03-02 06:30"))
        assert part in report.files[0].error


@pytest.mark.parametrize(
    ("cell", "part"),
    [
        ("2026-03-02 06:30 EST", "has an abbreviated time zone"),
        ("2026-03-02 06:30 America/Bogota", "has an abbreviated time zone"),
        ("46083.27083", "counts days from one that it does not tell"),
        ("1772433000", "counts from a moment that it does not tell"),
        ("2026-02-30 06:30", "is not a date"),
        ("until 02.03.2026", "is not a date"),
    ],
)
def test_what_can_mean_several_moments_is_rejected_with_the_remedy(history, cell, part):
    starts, report = loaded(history, log("started_at", cell))
    assert not starts
    assert part in report.rejects[0]["reason"]


def test_dates_alone_in_a_zone_are_no_repeats_of_each_other(history):
    """Many runs have one date; only a time of day shows that two rows may be one run."""
    site = Site.from_dict({"site": {"time_zone": "America/Bogota"}})
    loaded(history, log("Date", "2026-03-02"), site)
    again = log("Date", "2026-03-02", "2026-03-02")
    assert load_bytes(again, history, site, file="other.csv").questions == ()


# ------------------------------------------------------------------ sheets of one day


@pytest.mark.parametrize(
    ("title", "file", "where"),
    [
        ("Shift sheet of 2 March 2026, deck A", "log.csv", "above the headings"),
        ("Fecha: 2 de marzo de 2026", "log.csv", "above the headings"),
        ("Date;2026-03-02", "2026-01-01.csv", "above the headings"),
        ("", "shift_2026_03_02.csv", "in the name"),
        ("", "20260302-night.csv", "in the name"),
    ],
)
def test_times_of_day_have_the_date_of_their_sheet(history, title, file, where):
    starts, report = loaded(history, log("Time", "06:30", "07:15", title=title), file=file)
    assert starts == ["2026-03-02 06:30", "2026-03-02 07:15"]
    said = f"{file}: 2 times of day are read on 2026-03-02, the date {where}"
    assert report.warnings == (said,)


@pytest.mark.parametrize("title", ["2 March 2026 to 3 March 2026", "03/04/2025", "Sheet 20"])
def test_a_sheet_without_one_date_has_none(history, title):
    starts, report = loaded(history, log("Time", "06:30", title=title))
    assert not starts
    assert "is a time of day without a date" in report.rejects[0]["reason"]


def test_the_order_of_dates_holds_for_the_date_of_a_sheet(history):
    content = log("Time", "06:30", title="03/04/2025")
    assert loaded(history, content, date_order="day-first")[0] == ["2025-04-03 06:30"]


def test_a_sheet_that_runs_past_midnight_is_said(history):
    _, report = loaded(history, log("Time", "22:30", "00:30", title="2026-03-02"))
    assert "row 4 is half a day or more before the row above it" in report.warnings[-1]


def test_each_sheet_of_a_workbook_has_its_own_date(history, tmp_path):
    book = openpyxl.Workbook()
    for k, name in enumerate(("2026-03-02", "3 March 2026")):
        sheet = book.active if k == 0 else book.create_sheet()
        sheet.title = name
        rest = {**row(air=20 + k)}
        rest.pop("started_at")
        sheet.append(["Time", *rest])
        sheet.append(["06:30", *rest.values()])
    book.save(tmp_path / "book.xlsx")
    assert load_logs(tmp_path / "book.xlsx", history).added == 2
    found = history.at().runs().sort_by("air")["started_at"].to_pylist()
    assert [f"{at:%m-%d %H:%M}" for at in found] == ["03-02 06:30", "03-03 06:30"]


def test_the_day_of_the_option_comes_first(history):
    content = log("Time", "06:30", title="2026-03-01")
    starts, report = loaded(history, content, sheet_date=date(2026, 3, 2))
    assert starts == ["2026-03-02 06:30"]
    assert report.warnings == ()


def test_the_command_takes_a_day_and_refuses_another_text(tmp_path, run):
    (tmp_path / "log.csv").write_bytes(log("Time", "06:30"))
    assert run("load", "log.csv", "--date", "2026-03-02")[0] == 0
    code, _, err = run("load", "log.csv", "--date", "2 March")
    assert code == 2
    assert "--date '2 March' is not a date" in err


# ------------------------------------------------------------------ days when clocks change


@pytest.mark.parametrize(
    # The European Union's rule: Directive 2000/84/EC, articles 2 and 3; the United States': 15
    # U.S.C. 260a; that of New South Wales: Standard Time Act 1987, section 4 (from memory).
    ("zone", "twice", "second", "skipped"),
    [
        ("Europe/Berlin", "2025-10-26 02:30", "2025-10-26T02:30+01:00", "2025-03-30 02:30"),
        ("America/New_York", "2025-11-02 01:30", "2025-11-02T01:30-05:00", "2025-03-09 02:30"),
        ("Australia/Sydney", "2025-04-06 02:30", "2025-04-06T02:30+10:00", "2025-10-05 02:30"),
    ],
)
def test_clock_changes_of_three_zones(history, zone, twice, second, skipped):
    for site, heading in (
        (Site.from_dict({"site": {"time_zone": zone}}), "Time"),
        (Site(), f"Time [{zone}]"),
    ):
        where = History(f"{history.location}-{heading.strip()}", clock=lambda: NOON)
        _, report = loaded(where, log(heading, twice, skipped), site)
        (asked,) = report.questions
        assert asked.row == 2
        assert asked.why.endswith(f"if it was the second, write {second}")
        assert any("1 time was skipped" in warning for warning in report.warnings)
        assert any(zone in warning for warning in report.warnings)


def test_an_unknown_target_of_a_mapping_is_refused(history):
    with pytest.raises(InputError, match="is mapped to 'start', which is not a field"):
        load_table([row()], history, options=LoadOptions(mapping={"A+B": "start"}))
