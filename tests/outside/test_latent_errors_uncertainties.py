"""Errors of sharpness and balance against ``uncertainties`` and against simulation.

Source: the package ``uncertainties``, first-order propagation of correlated errors by automatic
derivatives; no formula is shared with ours. The simulation propagates the errors in full.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logit
from uncertainties import correlated_values, covariance_matrix, umath

from optimizer.measurement import RunReadings
from optimizer.model.coordinates import latent_of, to_latent

# Grade, recovery and feed grade, and the correlations of their errors: grade with recovery, grade
# with feed, recovery with feed.
CASES = [
    (0.98, 0.90, 0.90, (0.0, 0.0, 0.0)),
    (0.97, 0.70, 0.85, (-0.6, 0.5, 0.3)),
    (0.90, 0.95, 0.80, (0.4, 0.8, -0.2)),
    (0.60, 0.30, 0.40, (-0.3, -0.5, 0.6)),
    (0.995, 0.99, 0.97, (0.2, 0.1, 0.7)),
]
SD = np.array([0.03, 0.02, 0.04])


def readings(grade, recovery, correlations):
    """One run with errors of all three logits, and the covariance matrix of these errors."""
    g_r, g_f, r_f = correlations
    errors = np.outer(SD, SD) * [[1.0, g_r, g_f], [g_r, 1.0, r_f], [g_f, r_f, 1.0]]
    entries = [errors[i, j] for i, j in ((0, 0), (1, 1), (0, 1), (2, 2), (0, 2), (1, 2))]
    return RunReadings.from_logits([logit(grade)], [logit(recovery)], *entries), errors


def covariance(latent):
    s, c, both = latent.sharpness_variance, latent.balance_variance, latent.covariance
    return np.array([[s[0], both[0]], [both[0], c[0]]])


@pytest.mark.parametrize("case", CASES)
def test_errors_agree_with_uncertainties(case):
    grade, recovery, feed, correlations = case
    read, errors = readings(grade, recovery, correlations)
    found = latent_of(read, float(logit(feed)))
    lg, a, odds = correlated_values([logit(grade), logit(recovery), logit(feed)], errors)
    # p_u = f / (1 - f) * (1 - g) / g * r, by mass balance.
    unwanted = umath.exp(odds - lg) / (1 + umath.exp(-a))
    b = umath.log(unwanted / (1 - unwanted))
    assert [found.sharpness[0], found.balance[0]] == pytest.approx(
        [(a - b).nominal_value, (a + b).nominal_value], rel=1e-9
    )
    np.testing.assert_allclose(covariance(found), covariance_matrix([a - b, a + b]), rtol=1e-9)


@pytest.mark.parametrize("case", CASES)
def test_errors_agree_with_simulation(case):
    """400,000 draws, seed 0: a variance has a relative standard error of sqrt(2/n) = 0.22 %, a
    covariance of sqrt((v v' + c^2)/n). The tolerance is four of these and one per cent for terms
    of second order in errors of 0.02 to 0.04."""
    grade, recovery, feed, correlations = case
    n = 400_000
    read, errors = readings(grade, recovery, correlations)
    found = covariance(latent_of(read, float(logit(feed))))
    drawn = np.random.default_rng(0).multivariate_normal(
        [logit(grade), logit(recovery), logit(feed)], errors, n
    )
    simulated = np.cov(to_latent(*drawn.T))
    size = np.sqrt(np.outer(np.diag(simulated), np.diag(simulated)))
    spread = np.sqrt((size**2 + simulated**2) / n)
    assert np.all(np.abs(found - simulated) < 4.0 * spread + 0.01 * size)


def test_errors_against_the_measured_feed_grade_agree_with_uncertainties():
    """``outcome_errors``: a grade is compared with a prediction that has the error of the feed."""
    for grade, recovery, feed, correlations in CASES:
        read, errors = readings(grade, recovery, correlations)
        lg, a, odds = correlated_values([logit(grade), logit(recovery), logit(feed)], errors)
        expected = covariance_matrix([lg - odds, a])
        of_grade, of_recovery, both = (float(part[0]) for part in read.outcome_errors)
        np.testing.assert_allclose(
            [[of_grade, both], [both, of_recovery]], expected, rtol=1e-9, atol=1e-15
        )


def test_an_impossible_reading_has_a_finite_error():
    """A grade below that of the feed at a recovery of 99 % would need more unwanted material than
    there is."""
    read, _ = readings(0.85, 0.99, (-0.5, 0.2, 0.0))
    found = covariance(latent_of(read, float(logit(0.9))))
    assert np.all(np.isfinite(found))
    assert np.linalg.eigvalsh(found)[0] > 0.0
    assert found[0, 0] > covariance(latent_of(readings(0.95, 0.99, (-0.5, 0.2, 0.0))[0], 2.2))[0, 0]
