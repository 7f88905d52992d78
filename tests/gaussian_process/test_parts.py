"""Inputs that have several values at once: the process is a mean over two nodes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.gaussian_process.hyperparameters import Hyperparameters
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import Kernel, Parts
from optimizer.gaussian_process.matern import SharedLengths, matern, matern_of_pairs
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.prior import Prior

RNG = np.random.default_rng(11)
SHARED = SharedLengths((0, 1, 1, 1), (1.0, 1.0, 2.0, 3.0))
H = Hyperparameters(np.array([-0.3, -0.8]), np.array(0.4), np.array(-3.0))
KERNEL = Kernel(additive=0.5, shared=SHARED, parts=(Parts(1, (2, 3)),))
POINTS, OTHERS = (RNG.random((n, 4)) for n in (7, 5))


def moved(X, sign):
    """The node of each point, by the definition alone."""
    found = X.copy()
    found[:, 1] += sign * np.hypot(X[:, 2] - 0.5, X[:, 3] - 0.5)
    return Inputs(found)


def by_definition(A, B):
    """The mean of the covariances of all pairs of nodes."""
    return np.mean(
        [matern(H, moved(A, p), moved(B, q), 0.5, SHARED) for p in (1, -1) for q in (1, -1)], axis=0
    )


@pytest.mark.parametrize("mean", [Mean("none"), Mean("quadratic")])
def test_a_covariance_is_the_mean_over_the_nodes(mean):
    trend = np.mean([mean.features(moved(POINTS, s).values) for s in (1, -1)], axis=0)
    others = np.mean([mean.features(moved(OTHERS, s).values) for s in (1, -1)], axis=0)
    prior = Prior(KERNEL, mean)
    np.testing.assert_allclose(
        prior.covariance(H, Inputs(POINTS), Inputs(OTHERS)),
        by_definition(POINTS, OTHERS) + trend @ others.T,
        rtol=1e-12,
    )
    between = prior.covariance(H, Inputs(POINTS), Inputs(POINTS))
    np.testing.assert_allclose(prior.variance(H, Inputs(POINTS)), np.diag(between), rtol=1e-10)


def test_parts_that_are_alike_change_nothing():
    alike = POINTS.copy()
    alike[:, 2:] = 0.5
    plain = Prior(replace(KERNEL, parts=()), Mean("linear"))
    prior = Prior(KERNEL, Mean("linear"))
    for A in (alike, np.vstack([alike, POINTS])):
        found = prior.covariance(H, Inputs(A), Inputs(alike))[: len(alike)]
        np.testing.assert_allclose(
            found, plain.covariance(H, Inputs(alike), Inputs(alike)), rtol=1e-12
        )


def test_a_response_that_is_a_square_of_the_value_is_the_mean_over_any_parts():
    """Two nodes have the mean and the mean square of four gates, so a quadratic trend of one value
    is that of the four to the last digit."""
    gates = np.array([0.2, 0.35, 0.5, 0.75])
    level, spread = gates.mean(), gates.std()
    point = np.array([[level, 0.5 + spread]])
    mean = Mean("quadratic", quadratic_inputs=(0,))
    prior = Prior(Kernel(parts=(Parts(0, (1,)),)), mean)
    of_gates = np.column_stack([gates, np.full(4, 0.5 + spread)])
    np.testing.assert_allclose(
        prior.terms(Inputs(point)).features[0], mean.features(of_gates).mean(axis=0), rtol=1e-12
    )


def test_the_gradient_is_the_slope_of_the_covariance():
    rng = np.random.default_rng(7)
    W = rng.standard_normal((7, 7))
    W, A, prior = W + W.T, Inputs(POINTS), Prior(KERNEL, Mean("linear"))

    def half_trace(lengths, log_variance):
        h = Hyperparameters(np.array(lengths), np.array(log_variance), np.array(-3.0))
        return 0.5 * np.sum(W * prior.covariance_and_gradient(h, A)[0])

    found = prior.covariance_and_gradient(H, A)[1](W)
    lengths, step = H.log_length_scales, 1e-5
    for j in range(2):
        up, down = (lengths + s * step * np.eye(2)[j] for s in (1, -1))
        slope = (half_trace(up, 0.4) - half_trace(down, 0.4)) / (2 * step)
        assert found.log_length_scales[j] == pytest.approx(slope, rel=1e-6)
    slope = (half_trace(lengths, 0.4 + step) - half_trace(lengths, 0.4 - step)) / (2 * step)
    assert found.log_variance == pytest.approx(slope, rel=1e-6)


def test_a_stack_of_hyperparameters_has_the_variance_of_each():
    stack = Hyperparameters(
        np.array([[-0.3, -0.8], [0.1, -0.2]]), np.array([0.4, -0.1]), np.array([-3.0, -2.0])
    )
    prior, A = Prior(KERNEL, Mean("linear")), Inputs(POINTS)
    for k, found in enumerate(prior.variance(stack, A)):
        h = Hyperparameters(stack.log_length_scales[k], stack.log_variance[k], np.array(-3.0))
        np.testing.assert_allclose(found, prior.variance(h, A), rtol=1e-12)
    pairs = matern_of_pairs(stack, A, Inputs(POINTS[::-1]), 0.5, SHARED)
    whole = matern(stack, A, Inputs(POINTS[::-1]), 0.5, SHARED)
    np.testing.assert_allclose(pairs, np.diagonal(whole, axis1=-2, axis2=-1), rtol=1e-7)
