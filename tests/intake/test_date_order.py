"""Dates that can mean two days are read in an order that is stated, and only where no date of their
column tells the order."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from optimizer import History, Site, load_corrections, load_logs, record
from optimizer.errors import InputError
from optimizer.intake.checking.times import TWO_DAYS, means_two_days
from optimizer.intake.settling.load import LoadOptions, load_table
from tests.history.runs import run as row

NOON = datetime(2026, 3, 10, 12, 0, tzinfo=UTC)
DAY_FIRST = Site.from_dict({"site": {"date_order": "day-first"}})


@pytest.fixture
def history(tmp_path):
    return History(tmp_path / "history", clock=lambda: NOON)


def loaded(history, *times, site=None, order=None):
    """The stored starts, and the reasons of the rejected rows."""
    rows = [row(air=20 + k, started_at=at) for k, at in enumerate(times)]
    report = load_table(rows, history, site, options=LoadOptions(date_order=order))
    assert report.added + report.rejected == len(times)
    found = history.at().runs().sort_by("air")["started_at"].to_pylist() if report.added else []
    return [f"{at:%Y-%m-%d %H:%M}" for at in found], [r["reason"] for r in report.rejects]


# The three notations of 3 April 2025 are those of the Unicode Common Locale Data Repository for
# en-GB (dd/MM/y), en-US (M/d/yy) and sv (y-MM-dd); from memory.
@pytest.mark.parametrize(
    ("order", "written"),
    [
        ("day-first", "03/04/2025 10:00"),
        ("day-first", "3.4.2025 10:00"),
        ("day-first", "03.04.25 10:00"),
        ("month-first", "04/03/2025 10:00"),
        ("month-first", "4/3/25, 10:00 AM"),
        ("year-first", "25-04-03 10:00"),
        ("year-first", "2025/4/3 10:00"),
    ],
)
@pytest.mark.parametrize("by_site", [False, True])
def test_a_stated_order_reads_dates_of_two_meanings(history, order, written, by_site):
    site = Site.from_dict({"site": {"date_order": order}}) if by_site else None
    found = loaded(history, written, site=site, order=None if by_site else order)
    assert found == (["2025-04-03 10:00"], [])


@pytest.mark.parametrize("written", ["03/04/2025", "03.04.2025 10:00"])
@pytest.mark.parametrize("order", [None, "year-first"])
def test_a_date_of_two_meanings_stays_rejected_where_no_order_tells(history, written, order):
    starts, (reason,) = loaded(history, written, order=order)
    assert not starts
    assert means_two_days(reason)
    assert reason.endswith("2025-04-03 or 2025-03-04")


def test_only_that_reason_means_two_days(history):
    _, (reason,) = loaded(history, "soon")
    assert not means_two_days(reason)
    assert means_two_days(f"started_at {TWO_DAYS}")


@pytest.mark.parametrize("written", ["03/04/25", "25-04-03"])
def test_a_year_of_two_digits_is_rejected_without_a_stated_order(history, written):
    starts, (reason,) = loaded(history, written)
    assert not starts
    assert "has a year of two digits: say in which order day, month and year stand" in reason


@pytest.mark.parametrize("written", ["31/12/25", "13/13/25", "25-13-01", "1/2-25"])
def test_no_date_is_made_where_the_numbers_do_not_fit_the_order(history, written):
    starts, (reason,) = loaded(history, written, order="month-first")
    assert not starts
    assert "is not a date" in reason


def test_what_the_log_proves_comes_before_the_order_of_the_site(history):
    proof = "12/31/2025 10:00"  # month first
    starts, _ = loaded(history, proof, "04/03/2025 10:00", site=DAY_FIRST)
    assert starts == ["2025-12-31 10:00", "2025-04-03 10:00"]


def test_a_log_that_proves_another_order_than_the_stated_one_is_asked_about(history):
    starts, (reason,) = loaded(history, "12/31/2025", "04/03/2025", order="day-first")
    assert starts == ["2025-12-31 00:00"]
    assert means_two_days(reason)


def test_the_order_of_an_option_comes_before_that_of_the_site(history):
    starts, _ = loaded(history, "04/03/2025", site=DAY_FIRST, order="month-first")
    assert starts == ["2025-04-03 00:00"]


def test_only_what_other_dates_tell_is_said_to_be_read_as_they_are(history):
    for proof, expected in ((("12/31/2025",), 1), ((), 0)):
        rows = [row(air=20 + k, started_at=at) for k, at in enumerate((*proof, "04/03/2025"))]
        options = LoadOptions(date_order="month-first", dry_run=True)
        warnings = load_table(rows, history, options=options).warnings
        assert sum("read as other cells of the column are" in w for w in warnings) == expected


def test_an_unknown_order_is_refused():
    with pytest.raises(InputError, match="'dmy' is not an order of day, month and year"):
        LoadOptions(date_order="dmy")
    with pytest.raises(InputError, match=r"site\.toml.*date_order"):
        Site.from_dict({"site": {"date_order": "dmy"}}, "site.toml")


def test_files_take_the_order(history, tmp_path):
    log = tmp_path / "log.csv"
    heading = ",".join(row())
    log.write_text(f"{heading}\n{','.join(map(str, row(started_at='03/04/2025').values()))}\n")
    assert load_logs(log, history, dry_run=True).rejected == 1
    assert load_logs(log, history, date_order="day-first").added == 1
    corrected = {"reason": "typo", "date_order": "day-first"}
    assert load_corrections(log, history, **corrected).already_known == 1
    with pytest.raises(InputError, match="readings over time cannot correct runs"):
        load_corrections(log, history, reason="typo", samples=True)


def test_a_recorded_run_takes_the_order_of_the_site(history):
    record(history, DAY_FIRST, row(started_at="03/04/2025"))
    (found,) = history.at().runs()["started_at"].to_pylist()
    assert f"{found:%Y-%m-%d}" == "2025-04-03"


def test_the_command_takes_the_order(run, tmp_path):
    heading, cells = ",".join(row()), ",".join(map(str, row(started_at="03/04/2025").values()))
    (tmp_path / "log.csv").write_text(f"{heading}\n{cells}\n", encoding="utf-8")
    code, out, _ = run("load", "log.csv", "--dry-run")
    assert code == 2
    assert means_two_days(" ".join(out.split()))
    code, out, _ = run("load", "log.csv", "--date-order", "day-first")
    assert (code, "1 added" in out) == (0, True)
    code, _, err = run("load", "log.csv", "--date-order", "day")
    assert (code, "Known here: day-first, month-first, year-first." in err) == (2, True)
    assert "'day' is not an order of day, month and year." in err
