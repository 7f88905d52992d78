"""Hyperparameters: stacked likelihoods, draws around a mode, and the start of a search."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.gaussian_process import likelihood
from optimizer.gaussian_process.estimation import Given
from optimizer.gaussian_process.hyperparameters import HyperparameterPrior, NormalPrior
from optimizer.gaussian_process.kernel import LABELS, LINES, Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.process import ESTIMATED, GaussianProcess
from optimizer.gaussian_process.resampling import resample
from optimizer.measurement import RunReadings
from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.model.surrogate import Surrogate
from optimizer.plant.settings import GRAVITY_TABLE

KERNELS = {
    "additive": Kernel(additive=0.6),
    "weighed": Kernel(weight=lambda A: 0.5 + A[:, 0]),
    "lines": Kernel(groupings=(LINES,), additive=0.5),
    "labels": Kernel(groupings=(LABELS,), additive=0.5),
}


@pytest.mark.parametrize("kind", KERNELS)
@pytest.mark.parametrize("stacked", [1, 1700, 100_000])
def test_stacked_likelihoods_equal_single_ones(kind, stacked, monkeypatch):
    """Stacks of 1, 4 or all 30 covariances are factorized at once."""
    monkeypatch.setattr(likelihood, "STACKED", stacked)
    rng = np.random.default_rng(0)
    X, y = rng.random((20, 3)), rng.standard_normal(20)
    X[:, 2] = rng.integers(0, 3, 20)
    p = 4 + max(1, len(KERNELS[kind].correlations))
    gp = GaussianProcess(KERNELS[kind], hyperparameters=Given((0.0,) * p)).fit(
        X, y, known_variance=np.full(20, 0.1), counts=np.arange(1, 21), scatter=np.ones(20)
    )
    thetas = 0.7 * rng.standard_normal((30, p))
    each = [gp.log_marginal_likelihood(theta, eval_gradient=True)[0] for theta in thetas]
    of_many = gp.hyperparameter_posterior().likelihood.of_many(thetas)
    np.testing.assert_allclose(of_many, each, rtol=1e-9)


def test_a_stack_with_a_covariance_that_needs_jitter_has_likelihoods():
    """Two points 1e-12 apart with almost no noise: not positive definite in double precision."""
    X = np.array([[0.2], [0.2 + 1e-12], [0.8]])
    given = Given((3.0, 5.0, -40.0))
    gp = GaussianProcess(mean=Mean("none"), scale="none", hyperparameters=given)
    gp.fit(X, np.array([0.1, 0.1, -0.2]), counts=np.ones(3))
    thetas = np.array([[3.0, 5.0, -40.0], [0.0, 0.0, -2.0]])
    found = gp.hyperparameter_posterior().likelihood.of_many(thetas)
    assert np.all(np.isfinite(found))
    assert found[1] == pytest.approx(gp.log_marginal_likelihood(thetas[1]))


def test_draws_have_the_moments_of_the_posterior():
    """A normal of three variables, one truncated at its mean: 4,000 systematic draws, seed 0.

    The half-normal has mean 0.798 sd and deviation 0.603 sd (by hand from its density).
    """
    mean, sd = np.array([0.3, -1.0, 2.0]), np.array([0.5, 0.2, 1.5])
    bounds = np.array([[-9.0, 9.0], [-9.0, 9.0], [-9.0, 9.0]])

    def log_target(thetas):
        inside = thetas[:, 2] >= mean[2]
        return np.where(inside, -0.5 * np.sum(((thetas - mean) / sd) ** 2, axis=1), -np.inf)

    draws = resample(mean, lambda t: (t - mean) / sd**2, log_target, bounds, 4000, 0)
    np.testing.assert_allclose(draws[:, :2].mean(axis=0), mean[:2], atol=0.015)
    np.testing.assert_allclose(draws[:, :2].std(axis=0), sd[:2], rtol=0.04)
    assert draws[:, 2].mean() == pytest.approx(2.0 + 0.798 * 1.5, abs=0.04)
    assert draws[:, 2].std() == pytest.approx(0.603 * 1.5, rel=0.04)
    again = resample(mean, lambda t: (t - mean) / sd**2, log_target, bounds, 4000, 0)
    np.testing.assert_array_equal(draws, again)
    bounds[0] = 0.2, 0.4
    held = resample(mean, lambda t: (t - mean) / sd**2, log_target, bounds, 50, 0)[:, 0]
    assert held.min() >= 0.2
    assert held.max() <= 0.4


def test_a_search_from_the_first_fit_finds_the_mode_of_two_searches_from_the_priors():
    """Counted readings are fitted twice; the second fit begins where the first ended."""
    rng = np.random.default_rng(3)
    X = rng.random((30, 5))
    S, C = 3.0 - 4.0 * np.sum((X[:, :2] - 0.4) ** 2, axis=1), 1.5 * (X[:, 3] - X[:, 4])
    recovery = 1.0 / (1.0 + np.exp(-0.5 * (S + C) - 0.1 * rng.standard_normal(30)))
    grade = np.clip(0.95 + 0.01 * rng.standard_normal(30), 0.8, 0.99)
    readings = RunReadings.from_shares(grade, recovery, recovery_se=0.01, grade_count=800.0)
    model = Surrogate(
        GRAVITY_TABLE.names, coordinates=deck_coordinates_of(GRAVITY_TABLE), members=1
    )
    model.fit(X, readings, 2.2)
    for gp in model.candidates_[0].processes:
        assert gp.hyperparameters.start is not None
        cold = GaussianProcess(**{**gp.get_params(deep=False), "hyperparameters": ESTIMATED})
        data = gp.readings_
        cold.fit(data.X, data.mean + data.center, data.known_variance, data.counts, data.scatter)
        modes = [p.posteriors_[0].hyperparameters.vector for p in (gp, cold)]
        target = gp.hyperparameter_posterior().of_many(np.array(modes))
        assert target[0] == pytest.approx(target[1], abs=0.01)


def test_noise_that_is_expected_to_be_tiny_may_be_less_than_other_noise():
    """Four standard deviations below the center, and never above the least that all may have."""
    ordinary, tiny = NormalPrior(-4.0, 1.5), NormalPrior(-10.0, 3.0)
    plain = NormalPrior(0.0, 1.0)
    lowest = [HyperparameterPrior(1, plain, plain, each).bounds[2, 0] for each in (ordinary, tiny)]
    assert lowest == [-12.0, -22.0]
