"""The time zone of a plant: its name, and its clock times as points in time."""

from __future__ import annotations

import pickle
from datetime import UTC, date, datetime

import numpy as np
import pytest

from optimizer import InputError, Site
from optimizer.plant.time_zone import UTC_ZONE, TimeZone


def test_the_site_file_names_the_zone():
    assert Site().time_zone == UTC_ZONE
    site = Site.from_dict({"site": {"time_zone": "Africa/Nairobi"}})
    assert site.time_zone.name == "Africa/Nairobi"
    assert pickle.loads(pickle.dumps(site.time_zone)) == site.time_zone


@pytest.mark.parametrize("name", ["Africa/Nairoby", "", "America", "../etc", "EAT"])
def test_an_unknown_zone_is_an_error_that_names_a_known_one(name):
    with pytest.raises(InputError, match="is not known") as stop:
        Site.from_dict({"site": {"time_zone": name}}, "site.toml")
    assert stop.value.message == f"site.toml: [site] time_zone: time zone '{name}' is not known."
    assert ("'Africa/Nairobi'" in stop.value.hint) == (name == "Africa/Nairoby")
    assert "America/Bogota" in stop.value.hint


def test_utc_changes_nothing():
    clock = np.array([0, 1_700_000_000_000_000, 2**62])
    found, skipped, _ = UTC_ZONE.to_utc(clock)
    assert found.tolist() == clock.tolist() == UTC_ZONE.to_clock(clock).tolist()
    assert not skipped.any()


def test_times_beyond_the_calendar_stay_impossible():
    zone = TimeZone("America/Bogota")
    assert zone.to_utc(np.array([2**62]))[0].tolist() == [2**62]
    assert zone.to_clock(np.array([-(2**62)])).tolist() == [-(2**62)]


def test_days_are_those_of_the_plant():
    zone = TimeZone("Pacific/Auckland")
    assert zone.today(datetime(2026, 3, 1, 12, 0, tzinfo=UTC)) == date(2026, 3, 2)
    assert zone.instant(date(2026, 3, 2)) == datetime(2026, 3, 1, 11, 0, tzinfo=UTC)
    aware = datetime(2026, 3, 2, 6, 30, tzinfo=UTC)
    assert zone.instant(aware) == aware
