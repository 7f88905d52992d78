"""When to go on and when to stop, by figures alone."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.interval import Interval
from optimizer.planning.batch_order import _costs, _exact, _improved, cheapest_path
from optimizer.planning.stopping import (
    SHARE_OF_SCATTER,
    SMALLEST_GAIN,
    SURE,
    advise,
    bar_of,
    before_the_last_run,
    least_gain,
)
from optimizer.plant.settings import GRAVITY_TABLE
from tests.planning.test_wiring import ASKED, airs_of, at, planned

RECOVERY = "fraction of recovery"


@pytest.mark.parametrize(
    ("figures", "chances", "advice", "key"),
    [
        # Gain, bar, sure of the grade, settings tried, fewest settings.
        ((0.01, 0.001, False, 20, 13), (), "continue", "not_sure_yet"),
        ((0.0, 0.001, False, 20, 13), (1.0,), "continue", "not_sure_yet"),
        ((0.0, 0.001, True, 12, 13), (1.0,), "continue", "too_few_tried"),
        ((0.0, 0.001, True, 13, 13), (SURE,), "stop", "stop_sure"),
        ((0.0, 0.001, True, 13, 13), (SURE, SURE), "stop", "stop_sure"),
        ((0.0, 0.001, True, 13, 13), (0.99 * SURE,), "continue", "go_on_unsure"),
        ((0.0, 0.001, True, 13, 13), (SURE, 0.5), "continue", "go_on_unsure_before"),
        ((0.0009, 0.001, True, 13, 13), (), "stop", "stop_gain"),
        ((0.001, 0.001, True, 13, 13), (), "continue", "go_on_gain"),
    ],
)
def test_the_advice_follows_from_certainty_then_from_the_gain(figures, chances, advice, key):
    gain, bar, sure, tried, few = figures
    found = advise(gain, bar, RECOVERY, sure, tried, few, chances)
    assert (found.advice, found.why.key, found.expected_gain) == (advice, key, gain)


def test_the_advice_tells_its_figures():
    told = advise(0.02, 0.001, RECOVERY, True, 13, 13, (0.7,), 0.01).why.values
    assert (told["chance"], told["asked"]) == (0.7, SURE)
    assert told["point"].values == {"count": 1, "value": 1.0, "digits": 0}
    assert told["gain"].values == {"count": 2, "value": 2.0, "digits": 2}
    told = advise(0.0, 0.001, RECOVERY, True, 13, 13, (0.95, 0.6)).why.values
    assert (told["chance"], told["without"]) == (0.95, 0.6)
    told = advise(0.0019, 0.001, RECOVERY, True, 12, 13).why.values
    assert told["few"] == 13
    assert told["gain"].values["digits"] == 3
    assert advise(0.002, 0.001, RECOVERY, True, 1, 13).why.values["gain"].values["digits"] == 2
    told = advise(9.0, 10.0, "credits/h", True, 13, 13).why.values
    assert told["gain"].values == {"value": 9.0, "unit": "credits/h"}
    assert told["least"].values == {"value": 10.0, "unit": "credits/h"}


def test_the_bar_is_a_dozenth_of_a_quarter_of_the_scatter_but_never_tiny():
    """By hand: at a recovery of 80 % the scatter of 0.6 and 0.8 in S and C is 0.16 x 0.5 x 1."""
    found = bar_of((0.6, 0.8), Interval(0.8, 0.7, 0.9))
    assert found == pytest.approx(SHARE_OF_SCATTER * 0.08)
    assert pytest.approx(0.25 / 12) == SHARE_OF_SCATTER
    assert bar_of((0.0, 0.0), Interval(0.8, 0.7, 0.9)) == SMALLEST_GAIN
    unknown = bar_of((0.6, 0.8), Interval(None, 0.0, 1.0))
    assert unknown == pytest.approx(SHARE_OF_SCATTER * 0.125)


def test_a_gain_in_value_is_weighed_against_the_value_of_a_recovery():
    """By hand: at 2 t/h of 90 % one unit of recovery is worth 2 x 0.9 x 80 an hour."""

    class Now:
        settings = {"feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 2.5,
                    "eccentric_speed": 450.0, "air": 34.0}  # fmt: skip
        recovery = Interval(0.8, 0.7, 0.9)

    prices = {"product": 100.0, "reject": 20.0}
    made = planned(goal={"maximise": "value", "prices": prices})
    assert least_gain(made, Now) == pytest.approx(SMALLEST_GAIN * 2.0 * 0.9 * 80.0)
    assert least_gain(planned(), Now) == SMALLEST_GAIN


def test_before_the_last_run_the_grade_to_reach_was_the_same():
    made = planned(tried=(30.0, 34.0, 36.0), grades=[0.97, 0.98, 0.99], goal={})
    before = before_the_last_run(made)
    assert airs_of(before.tried).tolist() == [30.0, 34.0]
    assert (made.min_grade, before.min_grade) == (0.98, 0.98)
    assert before_the_last_run(planned()).min_grade == ASKED


# ------------------------------------------------------------------ the order of trials


def test_a_move_costs_one_for_each_of_its_parts_and_its_share_of_the_range():
    """By hand: 25 turns in parts of 10 are three moves and 25 / 90 of the range; an unknown setting
    costs nothing."""
    space = GRAVITY_TABLE.override({"air": {"max_change": 10.0}})
    a, b = (space.values(at(air)) for air in (40.0, 65.0))
    assert _costs(a, b, space)[0, 0] == pytest.approx(3.0 + 25.0 / 90.0)
    assert _costs(a, space.values(at(50.0)), space)[0, 0] == pytest.approx(1.0 + 10.0 / 90.0)
    assert _costs(a, b, GRAVITY_TABLE)[0, 0] == pytest.approx(1.0 + 25.0 / 90.0)
    assert _costs(np.full((1, 5), np.nan), b, space).tolist() == [[0.0]]
    assert _costs(a, a, space).tolist() == [[0.0]]


def test_both_methods_find_the_cheapest_of_a_few_orders():
    """Trials at airs 60, 45 and 50 from 40: 45, 50, 60 moves least. The rank decides among equal
    costs."""
    values = np.vstack([GRAVITY_TABLE.values(at(air)) for air in (60.0, 45.0, 50.0)])
    start = GRAVITY_TABLE.values(at(40.0))
    assert cheapest_path(values, start[0], GRAVITY_TABLE) == [1, 2, 0]
    first, between = _costs(start, values, GRAVITY_TABLE)[0], _costs(values, values, GRAVITY_TABLE)
    assert _exact(first, between) == _improved(first, between) == [1, 2, 0]
