"""Variances of readings and of further sampling, whose two errors are correlated."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, log_expit
from uncertainties import correlated_values, covariance_matrix, umath

from optimizer.diagnostics.calibration import DRAWS, predicted_readings
from optimizer.diagnostics.doubtful import _logit_variance
from optimizer.diagnostics.left_out import LeftOut
from optimizer.diagnostics.unexplored import _drawn
from optimizer.gaussian_process.inputs import Inputs
from tests.model.fitted_pairs import NAMES, POINTS, case, dense

NOISE = np.array([[0.02, 0.012], [0.012, 0.03]])
TRUE = np.array([[0.01, -0.006], [-0.006, 0.02]])
S, C, FEED_ODDS = 4.0, 1.5, 2.2


def left_out(mean=(S, C)):
    """One item whose sharpness and balance have the covariance ``TRUE``, and noise ``NOISE``."""
    slope = TRUE[0, 1] / TRUE[0, 0]
    variance = np.array([[TRUE[0, 0]], [TRUE[1, 1] - slope * TRUE[0, 1]]])
    return LeftOut(np.array(mean)[:, None], variance, np.array([slope]), NOISE)


def logits(errors):
    """Logit grade and logit recovery as numbers with errors, by the package ``uncertainties``."""
    s, c = correlated_values([S, C], errors)
    wanted, unwanted = (1 / (1 + umath.exp(-0.5 * x)) for x in (c + s, c - s))
    return FEED_ODDS + umath.log(wanted) - umath.log(unwanted), 0.5 * (c + s)


def test_the_variance_of_a_new_reading_agrees_with_uncertainties():
    log_w, log_u = (np.array([log_expit(0.5 * x)]) for x in (C + S, C - S))
    found = _logit_variance(left_out(), log_w, log_u)
    expected = np.diag(covariance_matrix(logits(TRUE + NOISE)))
    assert found["grade"][0] == pytest.approx(expected[0], rel=1e-9)
    assert found["recovery"][0] == pytest.approx(expected[1], rel=1e-9)


@pytest.mark.parametrize("count", [1, 4])
def test_drawn_readings_have_the_covariance_of_prediction_noise_and_error(count):
    """20 seeds of 512 draws of nearly linear functions: an entry, over the standard deviations, has
    a standard error of 1.2 %; the tolerance is 4 %."""
    errors = np.array([[0.05], [0.04], [-0.03]])
    found = []
    for seed in range(20):
        grade, recovery = predicted_readings(
            left_out(), np.array([FEED_ODDS]), errors, np.array([count]), seed
        )
        assert grade.shape == recovery.shape == (DRAWS, 1)
        found.append(np.cov(grade[:, 0], recovery[:, 0]))
    expected = np.array(covariance_matrix(logits(TRUE + NOISE / count)))
    expected += [[0.05, -0.03], [-0.03, 0.04]]
    size = np.sqrt(np.outer(np.diag(expected), np.diag(expected)))
    assert np.max(np.abs(np.mean(found, axis=0) - expected) / size) < 0.04
    assert expit(recovery.mean()) == pytest.approx(expit(0.5 * (S + C)), abs=0.002)


@pytest.mark.parametrize("name", NAMES)
def test_further_sampling_narrows_the_posterior_as_conditioning_does(name):
    """One more reading at each of five settings, against a dense normal that has these readings.

    Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006, A.6.
    """
    made = case(name)
    (pair,) = made.candidate.members
    rng = np.random.default_rng(4)
    ask, more = rng.random((6, 5)), rng.random((5, 5))
    m = POINTS + 11
    known = dense(made, pair, np.vstack([ask, more]))
    _, covariance = known.conditioned()
    at = np.concatenate([np.arange(m - 5, m), np.arange(2 * m - 5, 2 * m)])
    noise = np.kron(pair.typical_noise(), np.eye(5))
    cross = covariance[:, at]
    after = covariance - cross @ np.linalg.solve(covariance[np.ix_(at, at)] + noise, cross.T)
    found = pair.moments(ask)
    s, slope, own = pair.variance(found, _drawn(pair, found, Inputs(more)))
    asked = np.arange(POINTS, POINTS + 6)
    np.testing.assert_allclose(s, after[asked, asked], rtol=1e-6)
    np.testing.assert_allclose(slope * s, after[asked, m + asked], rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(own + slope**2 * s, after[m + asked, m + asked], rtol=1e-6)
    # The error of one reading: the process noise, and the known errors of a typical set-point.
    errors = [made.latent.sharpness_variance, made.latent.balance_variance]
    process = made.candidate.noise_covariance()
    for k in (0, 1):
        typical = pair.typical_noise()[k, k] - process[k, k]
        assert errors[k].min() <= typical <= errors[k].max()
