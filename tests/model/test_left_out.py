"""Predictions of readings that are left out, against conditioning on the other readings.

Source of the reference: conditioning of a normal, Rasmussen & Williams, Gaussian Processes for
Machine Learning, 2006, A.6, by plain matrices of numpy; densities by scipy.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from optimizer.model.left_out import blocks_out, log_density, runs_out
from tests.model.fitted_pairs import NAMES, POINTS, case, dense

CASES = [(name, weighted) for name in NAMES for weighted in (False, True)]


def without(known, left):
    """Posterior moments of a dense normal that never saw the runs of the mask ``left``, (n,)."""
    keep = np.flatnonzero(~np.tile(left, 2))
    fewer = replace(
        known,
        rows=known.rows[keep],
        noise=known.noise[np.ix_(keep, keep)],
        read=known.read[keep],
    )
    return fewer.conditioned()


def at_point(moments, k):
    """Mean, (2,), and covariance, (2, 2), of sharpness and balance at set-point k."""
    mean, covariance = moments
    both = [k, POINTS + k]
    return mean[both], covariance[np.ix_(both, both)]


@pytest.fixture(params=CASES, ids=lambda c: f"{c[0]}{'-weighted' * c[1]}")
def fitted(request):
    """A fitted description, its member, and the dense normal at its set-points."""
    name, weighted = request.param
    made = case(name, weighted=weighted)
    (pair,) = made.candidate.members
    return made, pair, dense(made, pair, np.empty((0, 5)))


def test_set_points_left_out_equal_conditioning_without_their_runs(fitted):
    made, pair, known = fitted
    blocks = [np.array([0]), np.array([3, 5, 9]), np.array([1, 2])]
    blocks.append(np.setdiff1d(np.arange(POINTS), np.concatenate(blocks)))
    mean, covariance = blocks_out(pair.joint_prior(), blocks)
    for block in blocks:
        moments = without(known, np.isin(made.groups.which, block))
        for k in block:
            expected, spread = at_point(moments, k)
            np.testing.assert_allclose(mean[:, k], expected, rtol=1e-6, atol=1e-7)
            np.testing.assert_allclose(covariance[k], spread, rtol=1e-6, atol=1e-8)


def test_a_run_left_out_equals_conditioning_without_it(fitted):
    """Runs of 1 to 4 replicates; the errors of the two readings of a run are correlated."""
    made, pair, known = fitted
    groups = made.groups
    share = made.weight / groups.count[groups.which]
    read = np.array([made.latent.sharpness, made.latent.balance])
    mean, covariance = runs_out(pair.own_precision(), groups.which, share, read)
    assert mean.shape == read.shape
    for i in range(len(made.X)):
        moments = without(known, np.arange(len(made.X)) == i)
        expected, spread = at_point(moments, groups.which[i])
        np.testing.assert_allclose(mean[:, i], expected, rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose(covariance[i], spread, rtol=1e-6, atol=1e-8)


def test_log_densities_of_left_out_set_points_equal_those_of_scipy(fitted):
    """The density of the mean reading at each set-point given all others."""
    made, _, known = fitted
    average = (
        np.linalg.inv(np.kron(np.eye(2), np.diag(made.groups.count))) @ known.rows.T
    )  # mean of the runs of each set-point, each with its weight
    average = average * np.tile(made.weight, 2)
    noise, read = average @ known.noise @ average.T, average @ known.read
    found = made.candidate.log_left_out
    for k in range(POINTS):
        mean, covariance = at_point(without(known, made.groups.which == k), k)
        both = [k, POINTS + k]
        expected = multivariate_normal(mean, covariance + noise[np.ix_(both, both)])
        assert found[k] == pytest.approx(expected.logpdf(read[both]), rel=1e-6, abs=1e-6)


def test_log_density_equals_that_of_scipy():
    rng = np.random.default_rng(0)
    off, root = rng.standard_normal((6, 2)), rng.standard_normal((6, 2, 2))
    covariance = root @ root.transpose(0, 2, 1) + 0.1 * np.eye(2)
    expected = [multivariate_normal(cov=c).logpdf(x) for x, c in zip(off, covariance, strict=True)]
    np.testing.assert_allclose(log_density(off, covariance), expected, rtol=1e-12)
