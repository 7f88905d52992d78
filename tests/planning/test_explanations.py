"""Which sentence a trial gets, and with which figures: each row follows by hand from the rule."""

from __future__ import annotations

import pytest

from optimizer.interval import Interval
from optimizer.planning.explanations import reason, reason_of_gain, watch_for
from optimizer.planning.plan import Change
from optimizer.plant.settings import GRAVITY_TABLE

NOW = Interval(0.90, 0.88, 0.92)
BETTER, EQUAL, WORSE = Interval(0.93, 0.90, 0.95), NOW, Interval(0.85, 0.80, 0.86)
RECOVERY = "fraction of recovery"


@pytest.mark.parametrize(
    ("recovery", "chance", "now_meets", "key", "values"),
    [
        # The settings to run now are not sure of the grade: the grade comes first.
        (BETTER, 0.80, False, "why_likely_meets", {"chance": 0.80}),
        (BETTER, 0.79, False, "why_looks_for_grade", {"chance": 0.79, "recovery": 0.93}),
        # They are, and 0.9 counts as sure.
        (BETTER, 0.90, True, "why_likely_better", {"ahead": 3.0, "chance": 0.90}),
        (BETTER, 0.89, True, "why_promising", {"ahead": 3.0, "chance": 0.89}),
        (BETTER, 0.50, True, "why_promising", {"ahead": 3.0, "chance": 0.50}),
        (BETTER, 0.49, True, "why_finds_edge", {"ahead": 3.0, "chance": 0.49}),
        (EQUAL, 0.90, True, "why_safe_ground", {"chance": 0.90}),
        # Half of 86 less 80 points.
        (WORSE, 0.89, True, "why_learns", {"width": 3.0}),
    ],
)
def test_the_reason_follows_from_recovery_and_chance(recovery, chance, now_meets, key, values):
    found = reason(recovery, chance, 0.9, NOW, now_meets)
    assert found.key == key
    assert found.values == pytest.approx(values)


@pytest.mark.parametrize(
    ("given", "key", "values"),
    [
        ((0.009, 0.01, RECOVERY, 0.9), "why_fills_points", {"least": 1.0}),
        ((0.01, 0.01, RECOVERY, 0.9), "why_adds_recovery", {"gain": 1.0}),
        (
            (0.02, 0.01, RECOVERY, 0.9, 0.97),
            "why_adds_recovery_over_grades",
            {"gain": 2.0, "start": 0.97},
        ),
        ((9.0, 10.0, "credits/h", 0.9), "why_fills", {"least": 10.0, "unit": "credits/h"}),
        ((10.0, 10.0, "credits/h", None), "why_adds", {"gain": 10.0, "unit": "credits/h"}),
        (
            (10.0, 10.0, "credits/h", 0.9),
            "why_adds_sure",
            {"gain": 10.0, "unit": "credits/h", "chance": 0.9},
        ),
    ],
)
def test_the_reason_of_a_gain_follows_from_gain_and_unit(given, key, values):
    found = reason_of_gain(*given)
    assert found.key == key
    assert {k: v for k, v in found.values.items() if k != "unit"} == pytest.approx(
        {k: v for k, v in values.items() if k != "unit"}
    )
    assert found.values.get("unit") == values.get("unit")


def moved(**ends: float) -> tuple[Change, ...]:
    """Moves of settings from the middle of their range by so many of their units."""
    middle = dict(zip(GRAVITY_TABLE.names, GRAVITY_TABLE.low + GRAVITY_TABLE.span / 2, strict=True))
    return tuple(
        Change(name, middle[name], middle[name] + by, GRAVITY_TABLE[name].unit)
        for name, by in ends.items()
    )


def test_what_to_watch_for_follows_from_the_move_that_is_largest_in_shares_of_its_range():
    tilt, speed = (GRAVITY_TABLE[name] for name in ("side_tilt", "eccentric_speed"))
    less = 0.2 * (tilt.high - tilt.low), 0.1 * (speed.high - speed.low)
    assert less[0] < less[1]  # the smaller share is the larger number
    largest = watch_for(GRAVITY_TABLE, moved(eccentric_speed=less[1], side_tilt=-less[0]))
    assert largest.values["what"].key == "watch_side_tilt_down"
    assert watch_for(GRAVITY_TABLE, moved(air=1.0)).values["what"].key == "watch_air_up"
    assert watch_for(GRAVITY_TABLE, ()).key == "wait_for_cover"
