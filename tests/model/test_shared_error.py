"""The errors that the two readings of a run share: their likelihood and their correlation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from optimizer.gaussian_process.replicates import Groups
from optimizer.model.candidate import CORRELATIONS, candidate_of
from optimizer.model.coordinates import LatentReadings, PairReadings
from tests.model.fitted_pairs import NAMES, case, description, frame_of


@pytest.mark.parametrize("name", NAMES)
def test_the_likelihood_of_replicates_about_their_means_agrees_with_scipy(name):
    """The density of all replicates over that of their mean, about any true value (SciPy's
    ``multivariate_normal``); a single reading contributes nothing."""
    made = case(name, correlation=-0.6)
    (pair,), groups = made.candidate.members, made.groups
    readings = PairReadings.of(made.latent, pair.apart)
    first, second, error = pair.first, pair.second, made.candidate.error
    both = error.correlation * np.exp(
        0.5 * (first.hyperparameters.log_noise + second.hyperparameters.log_noise)
    )
    expected = 0.0
    for k in range(len(groups.points)):
        own = np.flatnonzero(groups.which == k)
        i = own[0]
        W = np.array(
            [
                [readings.first_variance[i], readings.covariance[i] + both],
                [readings.covariance[i] + both, readings.second_variance[i]],
            ]
        )
        W[0, 0] += np.exp(first.hyperparameters.log_noise)
        W[1, 1] += np.exp(second.hyperparameters.log_noise)
        y = np.column_stack([readings.first[own], readings.second[own]])
        expected += multivariate_normal([0.3, -0.2], W).logpdf(y).sum()
        expected -= multivariate_normal([0.3, -0.2], W / len(own)).logpdf(y.mean(axis=0))
    found = error.log_likelihood_within(first, second)
    assert found == pytest.approx(expected, rel=1e-9)


def replicated(rho, seed, known=(0.0, 0.0)):
    """40 settings with 6 replicates each; the process noise of S and C, of standard deviations 0.2
    and 0.3, has the correlation ``rho``, and known errors of equal size that of ``known``."""
    rng = np.random.default_rng(seed)
    points = rng.random((40, 5))
    X = np.repeat(points, 6, axis=0)
    sd = np.array([0.2, 0.3])
    size, between = known
    errors = [np.linalg.cholesky(np.outer(sd, sd) * [[1.0, r], [r, 1.0]]) for r in (rho, between)]
    off = errors[0] @ rng.standard_normal((2, len(X)))
    off = off + size * errors[1] @ rng.standard_normal((2, len(X)))
    S = 3.0 - 4.0 * (X[:, 0] - 0.4) ** 2 + off[0]
    C = 1.0 + 2.0 * (X[:, 3] - X[:, 4]) + off[1]
    s, c, both = (np.full(len(X), size**2 * v) for v in (*sd**2, between * sd.prod()))
    return X, LatentReadings(S, C, s, c, both)


def estimated(name, X, latent):
    frame = frame_of()
    found = candidate_of(description(name, frame), frame, Groups.of(X), latent)
    return found, float(np.arctanh(found.error.correlation))


# Half the distance between two correlations that are compared, on Fisher's scale.
HALF_STEP = 0.5 * float(np.diff(np.arctanh(CORRELATIONS)).max())


@pytest.mark.parametrize("rho", [-0.8, 0.0, 0.6])
def test_the_correlation_of_process_noise_is_recovered_from_replicates(rho):
    """200 degrees of freedom: Fisher's z has a standard error of 1/sqrt(197) = 0.07 (Fisher,
    Biometrika 10, 1915, 507). The tolerance is three of these and half a step of the grid."""
    X, latent = replicated(rho, seed=1)
    found, z = estimated("single", X, latent)
    assert z == pytest.approx(np.arctanh(rho), abs=3 * 0.07 + HALF_STEP)
    # Pearson's correlation of the replicates about the means of their settings.
    groups = Groups.of(X)
    off = [y - groups.mean(y)[groups.which] for y in (latent.sharpness, latent.balance)]
    assert z == pytest.approx(np.arctanh(np.corrcoef(off)[0, 1]), abs=HALF_STEP + 0.05)
    # Standard deviations 0.2 and 0.3 with a relative standard error of 1/sqrt(400) = 5 %.
    sd = np.sqrt(np.diag(found.noise_covariance()))
    np.testing.assert_allclose(sd, [0.2, 0.3], rtol=0.15)


def test_the_correlation_of_known_errors_is_not_that_of_process_noise():
    """Known errors as large as the process noise have the correlation -0.9, so that the readings
    scatter with a correlation of -0.15. The estimate of 0.6 then has twice the standard error."""
    X, latent = replicated(0.6, seed=2, known=(1.0, -0.9))
    _, z = estimated("single", X, latent)
    assert z == pytest.approx(np.arctanh(0.6), abs=3 * 0.14 + HALF_STEP)


def test_descriptions_of_shares_and_of_sharpness_state_the_same_process_noise():
    """The covariance of the noise of S and C, (0.04, 0.036, 0.09) at a correlation of 0.6; each
    entry has a standard error of about 10 %."""
    X, latent = replicated(0.6, seed=1)
    for name in ("single", "shares"):
        noise = estimated(name, X, latent)[0].noise_covariance()
        np.testing.assert_allclose(noise, [[0.04, 0.036], [0.036, 0.09]], rtol=0.35)
