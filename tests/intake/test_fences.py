"""Fences of unusual values: laws whose quantiles are known, and slips by a power of ten."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit, logit

from optimizer.intake.questioning import fences
from optimizer.intake.questioning.fences import (
    FEWEST,
    FEWEST_FOR_SLIPS,
    YEAR,
    Range,
    Slips,
    fences_of,
    largest_difference,
    robust_deviation,
)
from optimizer.intake.questioning.samples import START
from optimizer.plant.site import Site

MANY = 200_001
LEVELS = (np.arange(MANY) + 0.5) / MANY
SITE = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 5.0, "high": 25.0}}})


def columns(**given):
    """Columns of a line in ascending order; those that are not given are empty."""
    empty = {"grade": [], "recovery": [], "moisture": [], "feed_grade": [], START: []}
    return {name: np.sort(np.array(v, float)) for name, v in {**empty, **given}.items()}


def test_the_robust_deviation_of_normal_values_is_their_standard_deviation():
    """Source: the normal quantiles of scipy."""
    values = stats.norm.ppf(LEVELS, 3.0, 2.0)
    assert robust_deviation(values) == pytest.approx(2.0, rel=1e-3)
    assert robust_deviation(np.append(values, [1e9] * 1000)) == pytest.approx(2.0, rel=0.01)
    assert stats.norm.ppf(0.75) * fences.NORMAL == pytest.approx(1.0)


def test_the_largest_difference_is_the_statistic_of_kolmogorov_and_smirnov():
    """Source: scipy.stats.ks_2samp."""
    rng = np.random.default_rng(0)
    for n, m in ((5, 9), (20, 20), (1, 3)):
        a, b = np.sort(rng.integers(0, 9, n)), np.sort(rng.integers(2, 12, m))
        assert largest_difference(a, b) == pytest.approx(stats.ks_2samp(a, b).statistic)


def test_a_fence_of_normal_values_is_as_many_deviations_from_the_median_on_each_side():
    values = stats.norm.ppf(LEVELS, 10.0, 2.0)
    below, above = fences._reach(values, 0.1, 6.0)
    assert below == pytest.approx(12.0, rel=0.01)
    assert above == pytest.approx(12.0, rel=0.01)
    # A smallest deviation holds where the values scatter less.
    assert fences._reach(values, 4.0, 6.0) == pytest.approx((24.0, 24.0), rel=0.01)


def test_with_few_values_a_fence_is_moved_out_by_twenty_over_their_number():
    values = stats.norm.ppf((np.arange(41) + 0.5) / 41)
    below, above = fences._reach(values, 1e-6, 6.0)
    assert below == pytest.approx(above)
    # A tail of 2.5 / 41 is left to wrong values; the quantile there gives the deviation.
    far = np.quantile(values, 1 - 2.5 / 41) / stats.norm.ppf(1 - 2.5 / 41)
    deviation = max(robust_deviation(values), far)
    assert above >= 6.0 * (1 + 20 / 41) * deviation - 1e-9
    assert above <= 6.0 * (1 + 20 / 41) * deviation * 1.5


def test_a_heavy_tail_moves_the_fence_of_its_side_alone_to_where_values_are_rare():
    """Pareto tail of index 2 above the median: one of 100,000 values lies beyond its quantile."""
    upper = stats.pareto.ppf(LEVELS, 2.0) - 1.0
    values = np.sort(np.concatenate([-np.abs(stats.norm.ppf(0.5 + LEVELS / 2)), upper]))
    below, above = fences._reach(values, 0.1, 6.0)
    assert below == pytest.approx(6.0, rel=0.35)
    beyond = np.mean(upper > np.median(values) + above) / 2
    assert above > 20.0
    assert beyond < 5e-4


def test_the_heaviest_tail_moves_the_fence_no_further_than_in_proportion_to_rarity():
    """By hand: two hundredths of the values lie a million above the others, and a value as rare as
    the fence is to be is as much farther out as it is rarer than one hundredth."""
    values = np.sort(np.where(LEVELS > 0.98, 1e6, stats.norm.ppf(LEVELS)))
    below, above = fences._reach(values, 0.1, 6.0)
    assert below == pytest.approx(6.0, rel=0.01)
    rarer = fences._tail(MANY, 2.5) / fences._RARE
    assert above == pytest.approx(6.0 * 1e6 / stats.norm.ppf(0.99) * rarer, rel=0.01)


def test_a_quantile_is_left_to_wrong_values():
    assert fences._tail(10_000, 2.5) == 0.01
    assert fences._tail(100, 2.5) == 0.025
    assert fences._tail(3, 2.5) == 0.5


def test_the_resolution_is_the_smallest_step_between_values():
    assert fences._resolution(np.array([1.0, 1.0, 1.5, 1.75, 3.0])) == 0.25
    assert fences._resolution(np.array([2.0, 2.0])) == 0.0
    assert fences._levels(np.array([1.0, 1.0, 1.5, 3.0])) == 3


# ------------------------------------------------------------------ readings


def test_a_reading_is_fenced_on_the_scale_of_logits():
    logits = stats.norm.ppf(LEVELS, logit(0.9), 0.2)
    found = fences_of(columns(grade=expit(logits)), SITE)
    fence, spread = found.readings["grade"], found.spread["grade"]
    assert logit(fence.low) == pytest.approx(logit(0.9) - 1.2, rel=0.01)
    assert logit(fence.high) == pytest.approx(logit(0.9) + 1.2, rel=0.01)
    assert (spread.centre, spread.deviation) == pytest.approx((logit(0.9), 0.2), rel=0.01)
    assert logit(spread.ends.low) == pytest.approx(logit(0.9) - 0.2 * 2.326, abs=1e-2)
    assert logit(spread.ends.high) == pytest.approx(logit(0.9) + 0.2 * 2.326, abs=1e-2)
    two = expit(logit(0.9) + np.array([-0.4, 0.4]))
    assert spread.distance(two) == pytest.approx([2.0, 2.0], rel=0.01)
    assert "recovery" not in found.readings


def test_a_reading_near_the_median_is_never_outside():
    values = np.full(FEWEST, 0.98)
    fence = fences_of(columns(grade=values), SITE).readings["grade"]
    assert fence.low <= 0.96
    assert fence.high >= 1.0
    assert "grade" not in fences_of(columns(grade=values[1:]), SITE).readings


def test_a_property_of_the_material_is_fenced_where_it_has_enough_values():
    """Fence by six deviations of 1 point, but at least of a fiftieth of the range of 20 points."""
    values = stats.norm.ppf(LEVELS, 12.0, 1.0)
    fence = fences_of(columns(moisture=values), SITE).readings["moisture"]
    assert (fence.low, fence.high) == pytest.approx((6.0, 18.0), rel=0.01)
    narrow = fences_of(columns(moisture=12.0 + 0.1 * (values - 12.0)), SITE).readings["moisture"]
    assert (narrow.low, narrow.high) == pytest.approx((9.6, 14.4), rel=0.01)
    levels = [[10.0 + k % number for k in range(FEWEST)] for number in (4, 5)]
    assert ["moisture" in fences_of(columns(moisture=v), SITE).readings for v in levels] == [
        False,
        True,
    ]


def test_the_ends_of_a_range_are_inside():
    assert Range(1.0, 2.0).outside(np.array([0.9, 1.0, 2.0, 2.1])).tolist() == [True, False, False,
                                                                              True]  # fmt: skip
    assert not Range().outside(np.array([-1e300, 1e300])).any()


# ------------------------------------------------------------------ slips and times


def test_a_slip_is_told_by_the_power_of_ten_that_brings_it_back():
    slips = Slips(Range(10.0, 90.0), Range(20.0, 50.0))
    values = np.array([0.3, 3.0, 30.0, 300.0, 3000.0, 0.03, 9.0, 95.0, -3.0, 2.0, 500.0])
    assert slips.power(values).tolist() == [2, 1, 0, -1, -2, 0, 0, 0, 0, 1, -1]


def test_slips_are_expected_beyond_a_factor_of_two_and_a_half_of_nearly_all_values():
    values = np.linspace(30.0, 40.0, FEWEST_FOR_SLIPS)
    slips = fences_of(columns(moisture=[0.0, *values]), SITE).slips["moisture"]
    assert slips.power(np.array([3.5, 350.0, 35.0, 0.35, 3500.0])).tolist() == [1, -1, 0, 2, -2]
    assert slips.fence.low < 30.0 / 2.5
    assert slips.fence.high > 40.0 * 2.5
    assert 25.0 < slips.amid.low < 34.0 < 36.0 < slips.amid.high < 45.0
    few = fences_of(columns(moisture=values[1:]), SITE).slips
    assert "moisture" not in few


def test_a_start_two_years_before_the_others_is_asked_about():
    starts = 1.7e15 + 1e9 * np.arange(5)
    early = fences_of(columns(**{START: starts}), SITE).earliest
    assert early == pytest.approx(np.quantile(starts, 0.3) - 2 * YEAR)
    assert fences_of(columns(**{START: starts[1:]}), SITE).earliest == -np.inf
    assert START not in fences_of(columns(**{START: np.arange(1.0, 30.0)}), SITE).slips
    assert YEAR == 365.25 * 24 * 3600 * 1e6
