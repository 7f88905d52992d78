"""Counting, sampling and the errors of the readings of runs: results and refusals."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from optimizer.errors import InputError
from optimizer.measurement import (
    RunReadings,
    count_to_show_difference,
    counted_se,
    equivalent_count,
    finite_interval,
    fundamental_error,
    grams,
    liberation_factor,
    logit_moments,
    logit_reading,
    purity_interval,
    purity_range_limit,
    purity_se,
    relative_se,
    repeats_to_show_difference,
    sample_mass,
    size_range_factor,
    upper_bound,
    zero_defect_count,
)

NAN = np.nan
thorough = settings(max_examples=150, deadline=None, derandomize=True)


class TestCounting:
    def test_whole_lot_counted_leaves_no_error(self):
        assert_allclose(purity_se(0.9, [100, 1000], 1000), [0.01 * 3 * np.sqrt(900 / 999), 0.0])
        assert float(purity_se(0.9, 800, 1e12)) == pytest.approx(float(purity_se(0.9, 800)))

    def test_counted_error_is_above_zero_at_the_ends(self):
        assert float(purity_se(1.0, 400)) == 0.0
        assert 0.5 / 400 < float(counted_se(1.0, 400)) < 1.0 / 400
        assert float(counted_se(0.0, 400)) == float(counted_se(1.0, 400))
        assert float(counted_se(0.5, 10_000)) == pytest.approx(0.005, rel=1e-3)

    def test_logit_moments_mirror(self):
        mean, variance = logit_moments([3, 97], 100)
        assert mean[0] == pytest.approx(-mean[1])
        assert variance[0] == pytest.approx(variance[1])

    @thorough
    @given(st.integers(0, 500), st.integers(1, 500))
    def test_intervals_hold_the_share(self, found, count):
        found = min(found, count)
        for method in ("exact", "jeffreys"):
            low, high = purity_interval(found, count, method=method)
            assert 0.0 <= low <= found / count <= high <= 1.0
        exact_low, exact_high = purity_interval(found, count)
        narrow_low, narrow_high = purity_interval(found, count, method="jeffreys")
        assert exact_low <= narrow_low
        assert narrow_high <= exact_high
        assert upper_bound(found, count) <= exact_high + 1e-12

    def test_finite_interval_closes_as_the_lot_is_counted(self):
        assert finite_interval(18, 20, 20) == (0.9, 0.9)
        wide, narrow = finite_interval(9, 10, 1000), finite_interval(9, 10, 12)
        assert narrow[1] - narrow[0] < wide[1] - wide[0]
        low, high = purity_interval(9, 10)
        assert_allclose(finite_interval(9, 10, 10**7), (low, high), atol=1e-5)

    @pytest.mark.parametrize(
        ("call", "text"),
        [
            (lambda: purity_interval(11, 10), "11 found of 10 counted"),
            (lambda: purity_interval([1, -1], [10, 10]), "-1 found of 10"),
            (lambda: upper_bound(0, 0), "0 found of 0 counted"),
            (lambda: finite_interval(5, 30, 20), "30 counted of a lot of 20"),
            (lambda: zero_defect_count(0.0), "share to exclude is 0"),
            (lambda: count_to_show_difference(0.98, 0.05), "difference is 1.03.*half a point"),
            (lambda: count_to_show_difference(98.0, 0.5), "the share is 98"),
            (lambda: repeats_to_show_difference(0.0, 1.0), "standard deviation above zero"),
            (lambda: repeats_to_show_difference(1.0, 0.0), "difference other than zero"),
            (lambda: purity_range_limit(0.99, 1), "at least two samples, got 1"),
            (lambda: fundamental_error(1.0, 1.0, 0.0), "above zero"),
            (lambda: fundamental_error(1.0, 1.0, 2.0, 1.0), "no more than that of the lot"),
        ],
    )
    def test_refuses(self, call, text):
        with pytest.raises(InputError, match=text):
            call()


class TestSampleSize:
    def test_zero_defect_count_is_the_smallest(self):
        n = int(zero_defect_count(0.001))
        assert float(upper_bound(0, n)) <= 0.001 < float(upper_bound(0, n - 1))

    def test_more_is_needed_for_less(self):
        counts = count_to_show_difference(0.98, [0.015, 0.01, 0.005])
        assert (np.diff(counts) > 0).all()
        assert int(count_to_show_difference(0.98, 0.01, power=0.9)) > counts[1]
        repeats = repeats_to_show_difference(1.0, [3.0, 1.0, -1.0, 0.1])
        assert repeats[1] == repeats[2]
        assert repeats[0] < repeats[1] < repeats[3]

    def test_grams(self):
        assert_allclose(grams([1000, 2500], 40.0), [40.0, 100.0])


class TestGy:
    def test_mass_and_error_are_inverse(self):
        for lot in (np.inf, 5000.0):
            taken = sample_mass(1.1, 0.5, 0.02, lot)
            assert float(fundamental_error(1.1, 0.5, taken, lot)) == pytest.approx(0.02)
        assert float(sample_mass(1.1, 0.5, 0.02, 5000.0)) < float(sample_mass(1.1, 0.5, 0.02))

    def test_half_width_not_full(self):
        # Reading ± as a full width would require four times the sample.
        half, full = relative_se(0.02, 1.0), relative_se(0.01, 1.0)
        ratio = sample_mass(1.0, 1.0, full) / sample_mass(1.0, 1.0, half)
        assert float(ratio) == pytest.approx(4.0)

    def test_factors_stay_in_their_tables(self):
        assert float(liberation_factor(1.0, 0.1)) == 1.0
        assert_allclose(size_range_factor([1.0, 2.0, 4.0, 4.1]), [1.0, 0.75, 0.5, 0.25])


class TestLogitReading:
    def test_readings_between_whole_counts_are_monotone(self):
        """A grade times a count is not whole: a share of 81.9 of 82 reads between 81 and 82."""
        k = np.linspace(79.0, 82.0, 61)
        reading, _ = logit_reading(k, 82, np.log(0.9985 / 0.0015))
        assert np.all(np.diff(reading) > 0)
        wanted, _ = logit_reading(k, 82, 2.0)
        unwanted, _ = logit_reading(82 - k, 82, -2.0)
        np.testing.assert_allclose(wanted, -unwanted, atol=1e-9)

    def test_an_expected_count_gives_the_expected_logit(self):
        reading, variance = logit_reading(390.0, 400, np.log(0.975 / 0.025))
        assert float(reading) == pytest.approx(np.log(0.975 / 0.025), abs=0.05)
        assert float(variance) == pytest.approx(1 / (400 * 0.975 * 0.025))

    @pytest.mark.parametrize("p", [0.5, 0.9, 0.985, 0.995])
    def test_readings_at_the_truth_are_unbiased_with_the_stated_variance(self, p):
        k = np.random.default_rng(1).binomial(800, p, 40_000)
        reading, variance = logit_reading(k, 800, np.log(p / (1 - p)))
        # 40,000 draws estimate the mean to 0.005 sd and the sd to 0.4 %; the mid-p scores of a
        # count with expectation four are slightly discrete.
        z = (reading - np.log(p / (1 - p))) / np.sqrt(variance)
        assert abs(z.mean()) < 0.03
        assert z.std() == pytest.approx(1.0, abs=0.05)

    def test_whole_counts_agree_with_scipy(self):
        # scipy.stats.binom as the reference for the mid-p tail.
        from scipy import stats

        k, n, p = 12, 300, 0.97
        tail = stats.binom.cdf(n - k, n, 1 - p) - 0.5 * stats.binom.pmf(n - k, n, 1 - p)
        reading, variance = logit_reading(k, n, np.log(p / (1 - p)))
        found = (float(reading) - np.log(p / (1 - p))) / np.sqrt(float(variance))
        assert found < -5.5  # so many lost that the tail is beyond what counts
        k = 285
        tail = stats.binom.cdf(n - k, n, 1 - p) - 0.5 * stats.binom.pmf(n - k, n, 1 - p)
        reading, variance = logit_reading(k, n, np.log(p / (1 - p)))
        found = (float(reading) - np.log(p / (1 - p))) / np.sqrt(float(variance))
        assert found == pytest.approx(-stats.norm.ppf(tail), abs=1e-6)

    def test_ends_are_finite(self):
        for k in (0.0, 0.3, 400.0):
            for expected in (-9.0, 0.0, 9.0):
                reading, variance = logit_reading(k, 400, expected)
                assert np.isfinite(reading)
                assert variance > 0


class TestRunReadings:
    def test_stated_error_wins_over_count(self):
        found = RunReadings.from_shares(0.98, 0.9, 0.004, 0.02, 500)
        assert float(found.grade_se) == 0.004
        assert float(found.grade_variance) == pytest.approx((0.004 / 0.0196) ** 2, rel=0.05)
        assert float(RunReadings.from_shares(0.98, 0.9, NAN, 0.02, 500).grade_se) > 0.006
        # Far from 0 and 1 the logit variance equals that of the delta method.
        assert float(found.recovery_variance) == pytest.approx((0.02 / 0.09) ** 2, rel=0.05)

    @pytest.mark.parametrize("value", [0.0, 1.0])
    @pytest.mark.parametrize(("se", "count"), [(NAN, 400), (0.01, NAN), (0.0, 400), (NAN, NAN)])
    def test_ends_are_finite_and_uncertain(self, value, se, count):
        found = RunReadings.from_shares(value, value, se, se, count)
        for logit, variance in (
            (found.grade_logit, found.grade_variance),
            (found.recovery_logit, found.recovery_variance),
        ):
            assert np.isfinite(logit)
            assert variance > 4.0
            assert (logit > 0) == (value > 0)
        known = se > 0 or count > 0
        assert bool(np.isnan(found.grade_se)) is not known
        if known:
            assert found.grade_se > 0

    def test_nothing_known_is_nan(self):
        assert np.isnan(RunReadings.from_shares(NAN, 0.9, grade_se=0.01).grade_se)
        found = RunReadings.from_shares([0.9, NAN], [NAN, 0.5])
        assert np.isnan(found.grade_se).all()
        assert np.isnan(found.grade_variance).all()
        assert np.isnan(found.recovery_variance).all()
        assert_allclose(found.grade_logit, [np.log(9.0), NAN], rtol=1e-3)

    def test_unknown_errors_keep_the_order(self):
        readings = np.array([0.9, 0.99, 0.999, 0.9999, 1.0])
        assert (np.diff(RunReadings.from_shares(readings, readings).grade_logit) > 0).all()

    def test_readings_of_parts_equal_those_of_all_runs(self):
        whole = RunReadings.from_shares([0.9, NAN, 0.99, 0.5], [0.5, 0.8, 1.0, NAN], 0.01, 0.02)
        first = np.array([True, False, True, False])
        parts = RunReadings.joined([whole.take(first), whole.take(~first)])
        for f in fields(RunReadings):
            assert_array_equal(getattr(parts, f.name), getattr(whole, f.name)[[0, 2, 1, 3]])
        assert whole.measured.tolist() == [True, False, True, False]

    def test_only_readings_with_a_known_error_depend_on_the_expected_logit(self):
        """Readings with a count, a stated error or neither, each half a logit below expectation."""
        own = RunReadings.from_shares([0.9] * 3, [0.8] * 3, [NAN, 0.01, NAN], [0.01, NAN, NAN],
                                      [200, NAN, NAN])  # fmt: skip
        found = own.given(own.grade_logit + 0.5, own.recovery_logit + 0.5)
        assert_array_equal(found.grade_logit != own.grade_logit, [True, True, False])
        assert_array_equal(found.recovery_logit != own.recovery_logit, [True, False, False])
        # The expected share is higher and less variable there, so the logit has a larger variance.
        assert (found.grade_variance[:2] > own.grade_variance[:2]).all()
        assert_array_equal(found.grade_se, own.grade_se)
        stated = RunReadings.from_logits([2.0, 3.0], [1.0, 1.5], 0.1, 0.2)
        same = stated.given(np.array([5.0, -5.0]), np.array([0.0, 8.0]))
        assert_array_equal(same.grade_logit, [2.0, 3.0])
        assert_array_equal(same.recovery_variance, [0.2, 0.2])

    def test_empty_log(self):
        assert RunReadings.from_shares([], []).grade_logit.shape == (0,)

    @pytest.mark.parametrize(
        ("values", "text"),
        [
            ({"grade": [0.9, 97.2], "recovery": 0.9}, "grade of run 1 is 97.2.*97.2 % is 0.972"),
            ({"grade": 0.9, "recovery": -0.1}, "recovery of run 0 is -0.1"),
            ({"grade": 0.9, "recovery": 0.9, "grade_se": -0.1}, "grade_se of run 0"),
            ({"grade": 0.9, "recovery": 0.9, "recovery_se": -0.1}, "recovery_se of run 0"),
            ({"grade": 0.9, "recovery": 0.9, "grade_count": -5}, "grade_count of run 0"),
        ],
    )
    def test_refuses(self, values, text):
        with pytest.raises(InputError, match=text):
            RunReadings.from_shares(**values)

    @thorough
    @given(st.floats(0.0, 1.0), st.floats(1.0, 1e7))
    def test_equivalent_count_inverts_the_counted_error(self, share, count):
        back = equivalent_count(share, counted_se(share, count))
        assert float(back) == pytest.approx(count, rel=1e-6)

    def test_error_larger_than_that_of_no_count_gives_zero(self):
        assert_allclose(equivalent_count([0.5, 1.0, 0.0, 0.9], [0.36, 2.0, 100.0, 0.5]), 0.0)
        assert np.isnan(equivalent_count(NAN, 0.1))
