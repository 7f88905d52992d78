"""Times without an offset are clock times of the plant, at every door where they come in."""

from __future__ import annotations

import csv
import json
from datetime import UTC, date, datetime, timedelta

import pyarrow as pa
import pytest

from optimizer import History, Site, load_logs, record
from optimizer.history.schema import schema_of
from optimizer.history.storage.event_log import Event
from optimizer.intake.settling.load import LoadOptions, load_table
from optimizer.plant.brief import Brief
from tests.history.runs import run as row

BERLIN = Site.from_dict({"site": {"time_zone": "Europe/Berlin"}})
NOON = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)


@pytest.fixture
def history(tmp_path):
    return History(tmp_path / "history", clock=lambda: NOON)


def starts(history):
    found = history.at().runs().sort_by("air")["started_at"].to_pylist()
    return [None if at is None else at.strftime("%Y-%m-%d %H:%M") for at in found]


def rows(*times):
    return [row(air=20 + k, started_at=at) for k, at in enumerate(times)]


# ------------------------------------------------------------------ load


def test_times_with_and_without_an_offset_in_one_column(history):
    given = (
        "2026-03-01T10:00Z", "2026-03-01 10:00", "2026-03-01T10:00+05:00", "2026-03-01",
        "21.02.2026 10:00", "1 March 2026 4 pm", "2026-03-01 10:00:00.5", "2025-07-01T10:00-02:30",
        "2025-07-01 10",
    )  # fmt: skip
    expected = [
        "2026-03-01 10:00", "2026-03-01 09:00", "2026-03-01 05:00", "2026-02-28 23:00",
        "2026-02-21 09:00", "2026-03-01 15:00", "2026-03-01 09:00", "2025-07-01 12:30",
        "2025-07-01 08:00",
    ]  # fmt: skip
    for order in (1, -1):  # the first cell decides how a column is read
        where = History(f"{history.location}{order}", clock=lambda: NOON)
        made = [row(air=20 + k, started_at=at) for k, at in enumerate(given)][::order]
        report = load_table(made, where, BERLIN)
        assert report.added == len(given), report.rejects
        assert starts(where) == expected


def test_a_column_of_iso_times_alone_with_and_without_offsets(history):
    given = ("2025-07-01T10:00Z", "2025-07-01T10:00", "2025-07-01", "2025-07-01 10:00:00+05:00",
             "2025-07-01 10:00-05", "2025-07-01T10-0530")  # fmt: skip
    assert load_table(rows(*given), history, BERLIN).added == len(given)
    assert starts(history) == [
        "2025-07-01 10:00", "2025-07-01 08:00", "2025-06-30 22:00", "2025-07-01 05:00",
        "2025-07-01 15:00", "2025-07-01 15:30",
    ]  # fmt: skip


def test_columns_of_times_and_days_in_parquet(history, tmp_path):
    import pyarrow.parquet as pq

    at = datetime(2025, 7, 1, 10, 0)
    for k, (column, expected) in enumerate(
        [
            (pa.array([at], pa.timestamp("ms")), "2025-07-01 08:00"),
            (pa.array([at], pa.timestamp("us", "America/New_York")), "2025-07-01 10:00"),
            (pa.array([at.date()], pa.date32()), "2025-06-30 22:00"),
        ]
    ):
        table = pa.Table.from_pylist([{**row(air=20 + k), "started_at": None}])
        place = table.column_names.index("started_at")
        pq.write_table(table.set_column(place, "started_at", column), tmp_path / f"{k}.parquet")
        load_logs(tmp_path / f"{k}.parquet", history, BERLIN)
        assert starts(history)[k] == expected


def test_an_hour_that_comes_twice_is_the_first_and_one_that_is_skipped_is_said(history):
    report = load_table(rows("2025-10-26 02:30", "2025-03-30 02:30"), history, BERLIN)
    assert starts(history) == ["2025-10-26 00:30", "2025-03-30 01:30"]
    assert report.warnings == (
        "rows: 1 time was skipped by the clocks of Europe/Berlin, which were set forward over "
        "'2025-03-30 02:30'; read with the offset before the change",
    )
    (asked,) = report.questions
    assert (asked.row, asked.field, asked.value) == (1, "started_at", "2025-10-26 02:30")
    assert asked.why == (
        "the clocks of Europe/Berlin showed this time twice that night; it is read as the first, "
        "2025-10-26T02:30+02:00: if it was the second, write 2025-10-26T02:30+01:00"
    )
    second = load_table(rows("2025-10-26T02:30+01:00"), History(f"{history.location}2"), BERLIN)
    assert second.questions == ()


def test_without_a_zone_times_are_utc(history):
    assert load_table(rows("2025-03-30 02:30"), history, Site()).warnings == ()
    assert starts(history) == ["2025-03-30 02:30"]


def test_an_export_loads_as_the_same_runs_in_any_zone(history, tmp_path):
    load_table(rows("2025-10-26 02:30", "2025-07-01 10:00"), history, BERLIN)
    history.at().export(tmp_path / "runs.csv", BERLIN)
    assert load_logs(tmp_path / "runs.csv", history, BERLIN).already_known == 2


# ------------------------------------------------------------------ times of day


@pytest.mark.parametrize("clock", ["08:30", "8:30", "8:30 am", "08:30:00", "8:30AM"])
def test_a_time_of_day_takes_the_date_of_the_sheet(history, clock):
    options = LoadOptions(sheet_date=date(2026, 3, 9))
    assert load_table(rows(clock, "8 pm"), history, BERLIN, options=options).added == 2
    assert starts(history) == ["2026-03-09 07:30", "2026-03-09 19:00"]


def test_a_time_of_day_takes_the_date_beside_it(history):
    given = [
        {**row(air=20), "Date": "2026-03-08", "started_at": "08:30"},
        {**row(air=21), "Date": "08.03.2026", "started_at": "8:30 pm"},
        {**row(air=22), "Date": "", "started_at": "08:30"},
        {**row(air=23), "Date": "2026-03-08", "started_at": "2026-03-01 08:30"},
    ]
    options = LoadOptions(sheet_date=date(2026, 3, 9))
    report = load_table(given, history, BERLIN, options=options)
    assert report.added == 3
    assert report.warnings == ()
    # 08.03. can be two days, and no cell of the column shows which.
    assert "is a different day when the day comes first" in report.rejects[0]["reason"]
    assert starts(history) == ["2026-03-08 07:30", "2026-03-09 07:30", "2026-03-01 07:30"]


def test_a_time_of_day_without_any_date_is_rejected_with_the_remedy(history):
    report = load_table(rows("08:30", "2026-03-01 08:30"), history, BERLIN)
    assert report.added == 1
    assert report.rejects[0]["reason"] == (
        "started_at '08:30' is a time of day without a date: write the date, too, such as "
        "2025-03-04 08:30, add a column date, or write the date above the headings"
    )


def test_a_column_date_without_times_tells_the_day(history):
    made = {**row(), "date": "2026-03-01"}
    made.pop("started_at")
    assert load_table([made], history, BERLIN).warnings == ()
    assert starts(history) == ["2026-02-28 23:00"]


# ------------------------------------------------------------------ record


@pytest.fixture
def few(monkeypatch):
    monkeypatch.setattr("optimizer.model.surrogate.MEMBERS", ())
    monkeypatch.setattr("optimizer.planning.limits.POOL", 64)


def test_a_recorded_time_of_day_is_one_of_today_at_the_plant(tmp_path, few):
    auckland = Site.from_dict({"site": {"time_zone": "Pacific/Auckland"}})
    history = History(tmp_path / "history", clock=lambda: NOON)  # the 11th, 01:00, in Auckland
    done = record(history, auckland, row(started_at="00:30"), Brief())
    assert done.load.added == 1, done.load.rejects
    assert starts(history) == ["2026-03-10 11:30"]


def test_a_sheet_with_times_of_day_is_recorded(tmp_path, few):
    history = History(tmp_path / "history", clock=lambda: NOON)
    sheet = tmp_path / "sheet.csv"
    with sheet.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(row()))
        writer.writeheader()
        writer.writerows(rows("06:30", "7:15 am"))
    assert record(history, BERLIN, sheet, Brief(line="A")).load.added == 2
    assert starts(history) == ["2026-03-10 05:30", "2026-03-10 06:15"]


def test_the_sheet_of_a_batch_has_the_date_of_its_issue(tmp_path, few):
    history = History(tmp_path / "history", clock=lambda: NOON)
    plan = {"recommendations": [], "units": {}}
    about = {"batch": "A-1", "line": "A", "number": 1, "brief": {}, "plan": plan, "seed": 0,
             "today": {}, "noise": {}}  # fmt: skip
    issue = Event("issued", NOON - timedelta(days=2, hours=-11, minutes=-30), None, about)
    history.note([issue], None, schema_of(BERLIN))  # the 9th, 00:30, in Berlin
    sheet = tmp_path / "sheet.csv"
    with sheet.open("w", newline="") as file:
        writer = csv.DictWriter(file, ["run_id", *row()])
        writer.writeheader()
        writer.writerow({"run_id": "A-1.1", **row(started_at="06:30")})
    assert record(history, BERLIN, sheet, Brief(line="A")).load.added == 1
    assert starts(history) == ["2026-03-09 05:30"]


# ------------------------------------------------------------------ what people read


def test_days_are_shown_and_asked_for_by_the_clock_of_the_plant(tmp_path, run):
    (tmp_path / "site.toml").write_text('[site]\ntime_zone = "Pacific/Auckland"\n')
    (tmp_path / "log.csv").write_text(
        "\n".join(
            [",".join(row()), *(",".join(map(str, r.values())) for r in rows("2025-03-01 08:00"))]
        )
    )
    assert run("load", "log.csv")[0] == 0
    code, out, _ = run("history")
    assert code == 0
    assert "2025-03-01" in out
    assert "Days are those of Pacific/Auckland." in out
    document = json.loads(run("history", "--json")[1])
    assert document["lines"][0]["first"] == "2025-02-28T19:00:00Z"  # summer time: UTC+13
    assert document["time_zone"] == "Pacific/Auckland"
    assert json.loads(run("history", "--since", "2025-03-01", "--json")[1])["runs"] == 1
    assert json.loads(run("history", "--since", "2025-03-02", "--json")[1])["runs"] == 0
    assert json.loads(run("history", "--since", "2025-03-01T00:00Z", "--json")[1])["runs"] == 0
