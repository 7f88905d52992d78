"""Covariances of the logits of grade, recovery and feed grade, from stated errors."""

from dataclasses import astuple, replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy.special import logit

from optimizer.errors import InputError
from optimizer.measurement import JointErrors, RunReadings
from optimizer.measurement.joint_errors import possible_correlations

NAN = np.nan
STATED = JointErrors(
    feed_grade=0.85,
    feed_grade_se=0.004,
    grade_recovery_correlation=-0.4,
    grade_feed_correlation=0.3,
    recovery_feed_correlation=-0.6,
)
COVARIANCES = ("grade_recovery_covariance", "grade_feed_covariance", "recovery_feed_covariance")


def matrices(readings):
    """Covariance matrices of the logits of grade, recovery and feed grade, shape (n, 3, 3)."""
    g_r, g_f, r_f = (getattr(readings, name) for name in COVARIANCES)
    g, r, f = readings.grade_variance, readings.recovery_variance, readings.feed_variance
    return np.stack([g, g_r, g_f, g_r, r, r_f, g_f, r_f, f], axis=-1).reshape(-1, 3, 3)


def test_covariance_of_logits_equals_that_of_simulated_logits():
    """Against Monte Carlo with numpy's normal generator: errors of the shares with the stated
    covariance, and the covariance of their logits. Tolerance: five standard errors of a simulated
    covariance, √((v1 v2 + c²) / N), and 3 % for the curvature of the logit."""
    share, se = np.array([0.95, 0.9, 0.85]), np.array([0.003, 0.006, 0.004])
    rho = np.array([[1.0, -0.4, 0.3], [-0.4, 1.0, -0.6], [0.3, -0.6, 1.0]])
    n, rng = 200_000, np.random.default_rng(11)
    simulated = np.cov(logit(rng.multivariate_normal(share, rho * np.outer(se, se), n)).T)
    found = matrices(RunReadings.from_shares(0.95, 0.9, 0.003, 0.006, joint=STATED))[0]
    v = np.diag(simulated)
    error = np.sqrt((np.outer(v, v) + simulated**2) / n)
    assert np.all(np.abs(found - simulated) < 5.0 * error + 0.03 * np.abs(simulated))


def test_feed_counted_of_a_sample_has_the_variance_of_a_counted_grade():
    counted = RunReadings.from_shares(0.85, 0.9, grade_count=400)
    found = RunReadings.from_shares(
        0.9, 0.9, joint=JointErrors(feed_grade=0.85, feed_grade_count=400)
    )
    assert_allclose(found.feed_variance, counted.grade_variance, rtol=1e-12)
    stated = JointErrors(feed_grade=0.85, feed_grade_se=0.03, feed_grade_count=400)
    assert RunReadings.from_shares(0.9, 0.9, joint=stated).feed_variance > found.feed_variance


@pytest.mark.parametrize(
    "joint",
    [
        JointErrors(),
        replace(STATED, feed_grade=NAN),
        replace(STATED, feed_grade_se=NAN),
        replace(STATED, feed_grade_se=0.0),
        replace(STATED, feed_grade=1.0, feed_grade_se=NAN),
    ],
)
def test_feed_without_a_reading_or_an_error_is_exact(joint):
    found = RunReadings.from_shares(0.95, 0.9, 0.003, 0.006, joint=joint)
    assert found.feed_variance == found.grade_feed_covariance == 0.0
    assert found.recovery_feed_covariance == 0.0
    # Python 3.13 compares records field by field, and NaN with itself is unequal.
    nothing_stated = all(np.isnan(value) for value in astuple(joint))
    assert (found.grade_recovery_covariance == 0.0) == nothing_stated


def test_readings_without_errors_have_no_covariance_even_after_the_usual_errors():
    found = RunReadings.from_shares(
        [0.95, 0.95, 0.95, NAN], [0.9, 0.9, 0.9, NAN], [0.003, 0.003, NAN, NAN], 0.006, joint=STATED
    )
    assert_array_equal(found.grade_recovery_covariance != 0, [True, True, False, False])
    assert_array_equal(found.recovery_feed_covariance != 0, [True, True, True, False])
    usual = found.with_usual_errors()
    assert usual.grade_variance[2] > 0
    for name in COVARIANCES:
        assert_array_equal(getattr(usual, name), getattr(found, name))


def test_readings_given_expected_logits_keep_their_correlations():
    """One run with a stated error and one with a count, each half a logit below expectation."""
    own = RunReadings.from_shares(
        [0.95, 0.95], [0.9, 0.9], [0.003, NAN], 0.006, [NAN, 900], joint=STATED
    )
    found = own.given(own.grade_logit + 0.5, own.recovery_logit + 0.5)
    before, after = matrices(own), matrices(found)
    assert np.all(after[:, 0, 1] < 1.2 * before[:, 0, 1])  # The covariance is negative and grows.
    for matrix in (before, after):
        sd = np.sqrt(np.diagonal(matrix, axis1=1, axis2=2))
        found_rho = matrix / sd[:, :, None] / sd[:, None, :]
        assert_allclose(found_rho[:, [0, 0, 1], [1, 2, 2]], [[-0.4, 0.3, -0.6]] * 2, rtol=1e-12)
    assert_array_equal(found.feed_variance, own.feed_variance)


def test_stated_logits_take_their_covariances_and_are_not_changed():
    stated = RunReadings.from_logits([2.0, 3.0], [1.0, 1.5], 0.1, 0.2, 0.03, 0.04, 0.01, -0.02)
    same = stated.given(np.array([5.0, -5.0]), np.array([0.0, 8.0]))
    matrix = [[0.1, 0.03, 0.01], [0.03, 0.2, -0.02], [0.01, -0.02, 0.04]]
    assert_array_equal(matrices(stated), [matrix] * 2)
    assert_array_equal(matrices(same), [matrix] * 2)
    assert not np.any(matrices(RunReadings.from_logits(2.0, 1.0)))


def test_an_exact_feed_leaves_only_the_errors_of_grade_and_recovery():
    own = RunReadings.from_shares([0.95, 0.9], 0.9, 0.003, 0.006, joint=STATED)
    expected = matrices(own)
    expected[:, 2, :] = expected[:, :, 2] = 0.0
    assert_array_equal(matrices(own.with_exact_feed()), expected)


def test_readings_of_parts_equal_those_of_all_runs():
    whole = RunReadings.from_shares([0.9, 0.92, 0.99, 0.5], 0.8, 0.01, 0.02, joint=STATED)
    first = np.array([True, False, True, False])
    parts = RunReadings.joined([whole.take(first), whole.take(~first)])
    assert_array_equal(matrices(parts), matrices(whole)[[0, 2, 1, 3]])


def test_impossible_correlations_are_shrunk_until_a_matrix_of_them_has_no_negative_eigenvalue():
    """Against the eigenvalues of numpy, for correlations drawn from the whole cube: about 38 % of
    it is impossible (1 - π²/16, P. Rousseeuw and G. Molenberghs, The American Statistician 48
    (1994) 276-279, from memory)."""
    a, b, c = np.random.default_rng(3).uniform(-1.0, 1.0, (3, 20_000))

    def least(a, b, c):
        one = np.ones_like(a)
        matrix = np.stack([one, a, b, a, one, c, b, c, one], axis=-1).reshape(-1, 3, 3)
        return np.linalg.eigvalsh(matrix)[:, 0]

    wrong = least(a, b, c) < 0
    assert np.mean(wrong) == pytest.approx(1.0 - np.pi**2 / 16.0, abs=5 * np.sqrt(0.24 / 20_000))
    after = possible_correlations(a, b, c)
    assert_array_equal(np.stack(after)[:, ~wrong], np.stack([a, b, c])[:, ~wrong])
    assert np.abs(least(*after)[wrong]).max() < 1e-12
    ratio = np.stack(after)[:, wrong] / np.stack([a, b, c])[:, wrong]
    assert np.all((ratio > 0.5 - 1e-12) & (ratio < 1))
    assert_allclose(ratio[0], ratio[2], rtol=1e-9)


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ({"feed_grade": 97.2}, "feed_grade of run 0 is 97.2, not between 0 and 1"),
        ({"feed_grade_se": -0.1}, "feed_grade_se of run 0 is -0.1"),
        ({"feed_grade_count": -5}, "feed_grade_count of run 0 is -5"),
        ({"grade_recovery_correlation": 1.2}, "grade_recovery_correlation of run 0 is 1.2"),
        ({"grade_feed_correlation": [0.5, -1.01]}, "grade_feed_correlation of run 1 is -1.01"),
        ({"recovery_feed_correlation": 2}, "recovery_feed_correlation of run 0 is 2, not between"),
    ],
)
def test_refuses(values, text):
    with pytest.raises(InputError, match=text):
        RunReadings.from_shares(0.9, 0.9, joint=JointErrors(**values))
