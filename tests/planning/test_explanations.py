"""Which sentence a trial gets, and with which figures: each row follows by hand from the rule."""

from __future__ import annotations

import pytest

from optimizer.interval import Interval
from optimizer.planning.explanations import (
    changes_between,
    reason,
    reason_of_gain,
    watch_for,
    with_profile,
)
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


# ------------------------------------------------------------------ moves


def changes(space, end, start=None):
    here = dict(zip(space.names, (space.low + space.span / 2).tolist(), strict=True))
    return [c.setting for c in changes_between(space, {**here, **(start or {})}, {**here, **end})]


def test_a_lower_feed_rate_is_set_first_a_higher_one_last_and_air_after_the_others():
    moved = {"air": 50.0, "eccentric_speed": 500.0, "side_tilt": 3.0, "end_raise": 3.0}
    others = ["end_raise", "side_tilt", "eccentric_speed", "air"]
    assert changes(GRAVITY_TABLE, {**moved, "feed_rate": 1.0}) == ["feed_rate", *others]
    assert changes(GRAVITY_TABLE, {**moved, "feed_rate": 3.0}) == [*others, "feed_rate"]
    gates = GRAVITY_TABLE.with_gates("air", 2)
    both = {"air_1": 50.0, "air_2": 40.0, "side_tilt": 3.0, "feed_rate": 3.0}
    assert changes(gates, both) == ["side_tilt", "air_1", "air_2", "feed_rate"]


def test_a_control_whose_value_is_not_known_is_no_move():
    (change,) = changes_between(GRAVITY_TABLE, {"air": 40.0}, {**dict.fromkeys(
        GRAVITY_TABLE.names, 1.0), "air": 45.0})  # fmt: skip
    assert (change.setting, change.start, change.end, change.unit) == ("air", 40.0, 45.0, "turn")


def test_a_move_of_gates_is_watched_for_as_the_profile_that_changes_most():
    gates = GRAVITY_TABLE.with_gates("air", 3)

    def watched(*by):
        moved = tuple(
            Change(f"air_{k}", 40.0, 40.0 + each, "turn") for k, each in enumerate(by, 1) if each
        )
        return watch_for(gates, moved).values["what"].key

    assert watched(9.0, 9.0, 9.0) == "watch_air_up"
    assert watched(-9.0, -9.0, -8.0) == "watch_air_down"
    assert watched(9.0, 0.0, -9.0) == "watch_air_taper_up"
    assert watched(-9.0, 0.0, 9.0) == "watch_air_taper_down"
    assert watched(-9.0, 18.0, -9.0) == "watch_air_bow_up"
    assert watched(9.0, -18.0, 9.0) == "watch_air_bow_down"


def test_a_reason_tells_how_the_profile_of_gates_differs_by_a_step_or_more():
    gates = GRAVITY_TABLE.with_gates("air", 3)
    now = dict.fromkeys(gates.names, 40.0)

    def said(*by):
        trial = {**now, **{f"air_{k}": 40.0 + each for k, each in enumerate(by, 1)}}
        found = with_profile("because", gates, trial, now)
        return found if found == "because" else [s.key for s in found.values["profile"]]

    assert said(5.0, 5.0, 5.0) == "because"
    assert said(0.4, 0.0, -0.4) == "because"
    assert said(5.0, 0.0, -5.0) == ["more_at_feed_end"]
    assert said(-5.0, 0.0, 5.0) == ["more_at_discharge_end"]
    assert said(-3.0, 6.0, -3.0) == ["more_in_middle"]
    assert said(8.0, -6.0, -2.0) == ["more_at_feed_end", "more_at_ends"]
    two = GRAVITY_TABLE.with_gates("air", 2)
    level = dict.fromkeys(two.names, 40.0)
    found = with_profile("because", two, {**level, "air_1": 45.0}, level)
    assert (found.values["why"], [s.key for s in found.values["profile"]]) == (
        "because", ["more_at_feed_end"],
    )  # fmt: skip
    assert with_profile("because", GRAVITY_TABLE, now | level, now | level) == "because"
