"""Clock times of a plant against the published rules of summer time and other implementations.

The rules: in the European Union summer time begins and ends at 01:00 UTC on the last Sunday of
March and of October (Directive 2000/84/EC, articles 2 and 3); in the United States at 2 o'clock
local time on the second Sunday of March and the first Sunday of November (15 U.S.C. 260a).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.plant.time_zone import TimeZone

ZONES = ("Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Africa/Casablanca")
MINUTE = 60_000_000


def clock_times(*texts):
    return np.array(texts, "datetime64[us]").astype(np.int64)


def utc(zone, *texts):
    found, skipped, _ = TimeZone(zone).to_utc(clock_times(*texts))
    return [str(t)[:16] for t in found.astype("datetime64[us]")], skipped.tolist()


def test_the_hours_around_the_changes_in_europe():
    # 2026: 29 March and 25 October are the last Sundays.
    assert utc("Europe/Berlin", "2026-03-29T01:59", "2026-03-29T02:30", "2026-03-29T03:00") == (
        ["2026-03-29T00:59", "2026-03-29T01:30", "2026-03-29T01:00"],
        [False, True, False],
    )
    assert utc("Europe/Berlin", "2026-10-25T01:59", "2026-10-25T02:30", "2026-10-25T03:00") == (
        ["2026-10-24T23:59", "2026-10-25T00:30", "2026-10-25T02:00"],  # the first 02:30
        [False, False, False],
    )


def test_the_hours_around_the_changes_in_the_united_states():
    # 2026: 8 March is the second Sunday, 1 November the first.
    assert utc("America/New_York", "2026-03-08T01:59", "2026-03-08T02:30", "2026-03-08T03:00") == (
        ["2026-03-08T06:59", "2026-03-08T07:30", "2026-03-08T07:00"],
        [False, True, False],
    )
    assert utc("America/New_York", "2026-11-01T00:59", "2026-11-01T01:30", "2026-11-01T02:00") == (
        ["2026-11-01T04:59", "2026-11-01T05:30", "2026-11-01T07:00"],
        [False, False, False],
    )


@pytest.mark.parametrize("zone", ZONES)
def test_each_quarter_of_an_hour_of_a_year_agrees_with_arrow_and_with_python(zone):
    quarters = clock_times("2025-12-30") + 15 * MINUTE * np.arange(4 * 24 * 370)
    found, skipped, _ = TimeZone(zone).to_utc(quarters)
    naive = pa.array(quarters).cast(pa.timestamp("us"))
    arrow = pc.assume_timezone(naive, zone, ambiguous="earliest", nonexistent="earliest")
    later = pc.assume_timezone(naive, zone, ambiguous="earliest", nonexistent="latest")
    assert skipped.tolist() == pc.not_equal(arrow, later).to_pylist()
    assert skipped.any()
    assert found[~skipped].tolist() == arrow.cast(pa.int64()).to_numpy()[~skipped].tolist()
    rules = ZoneInfo(zone)
    for clock, moment in zip(quarters[skipped], found[skipped], strict=True):
        python = datetime(1970, 1, 1) + timedelta(microseconds=int(clock))
        expected = python.replace(tzinfo=rules).astimezone(UTC)
        assert moment == (expected - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    # And back: a clock time that was skipped is shown as the clock showed that moment.
    local = pc.local_timestamp(pa.array(found).cast(pa.timestamp("us", zone)))
    assert TimeZone(zone).to_clock(found).tolist() == local.cast(pa.int64()).to_pylist()


@given(st.datetimes(datetime(1950, 1, 1), datetime(2037, 12, 31)), st.sampled_from(ZONES))
def test_any_clock_time_agrees_with_python(clock, zone):
    found, *_ = TimeZone(zone).to_utc(clock_times(clock))
    expected = clock.replace(tzinfo=ZoneInfo(zone)).astimezone(UTC).replace(tzinfo=None)
    assert found.astype("datetime64[us]")[0] == np.datetime64(expected, "us")
    assert TimeZone(zone).instant(clock).replace(tzinfo=None) == expected
