"""Inducing points: exact when all set-points are chosen, otherwise close to the exact process."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from optimizer.gaussian_process.estimation import Given
from optimizer.gaussian_process.inducing import condition, pivoted_cholesky
from optimizer.gaussian_process.kernel import Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.prior import Prior
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.gaussian_process.solvers import EXACT, InducingPoints

THETA = np.array([0.0, 0.0, 0.0, 0.0, 1.5, -2.4])


def surface(X):
    return 4 - 6 * np.sum((X[:, :2] - 0.4) ** 2, axis=1) + 2 * X[:, 2] * X[:, 3]


def readings(n, seed=0):
    rng = np.random.default_rng(seed)
    X = rng.random((n, 4))
    return X, surface(X) + 0.3 * rng.standard_normal(n)


def model(most):
    solver = EXACT if most is None else InducingPoints(most)
    parts = {"scale": "center", "hyperparameters": Given(tuple(THETA))}
    return GaussianProcess(Kernel(additive=0.8), Mean("linear"), solver=solver, **parts)


def test_the_factor_is_exact_at_chosen_points_and_a_lower_bound_elsewhere():
    rng = np.random.default_rng(1)
    K = np.cov(rng.standard_normal((30, 200)))
    chosen, A = pivoted_cholesky(np.diag(K), lambda i: K[i], 12)
    assert len(set(chosen.tolist())) == 12
    np.testing.assert_allclose((A.T @ A)[:, chosen], K[:, chosen], atol=1e-10)
    assert np.linalg.eigvalsh(K - A.T @ A).min() > -1e-10


def test_a_covariance_of_low_rank_needs_no_more_points_than_its_rank():
    B = np.random.default_rng(2).standard_normal((40, 3))
    K = B @ B.T
    chosen, A = pivoted_cholesky(np.diag(K), lambda i: K[i], 20)
    assert len(chosen) == 3
    np.testing.assert_allclose(A.T @ A, K, atol=1e-8)


def test_of_equally_remote_points_those_with_precise_readings_are_chosen_first():
    K, noise = np.eye(10), np.linspace(1.0, 0.1, 10)
    assert pivoted_cholesky(np.diag(K), lambda i: K[i], 4, noise)[0].tolist() == [9, 8, 7, 6]
    K = np.cov(np.random.default_rng(1).standard_normal((30, 200)))
    equal = pivoted_cholesky(np.diag(K), lambda i: K[i], 12, np.full(30, 0.3))[0]
    assert equal.tolist() == pivoted_cholesky(np.diag(K), lambda i: K[i], 12)[0].tolist()


def test_conditioning_on_all_points_is_the_exact_posterior():
    X, y = readings(60)
    noise = np.linspace(0.05, 0.2, 60)
    K = np.exp(-np.sum((X[:, None] - X[None]) ** 2, axis=2) / 0.18)
    chosen, A = pivoted_cholesky(np.diag(K), lambda i: K[i], 60)
    weights, root = condition(A, np.diag(K), noise, y)
    exact = K @ np.linalg.solve(K + np.diag(noise), y)
    np.testing.assert_allclose(A.T @ weights, exact, atol=1e-4)
    explained = K @ np.linalg.solve(K + np.diag(noise), K)
    np.testing.assert_allclose(A.T @ root.T @ root @ A, explained, atol=1e-4)
    assert len(chosen) > 40


def test_inducing_points_approximate_the_exact_posterior():
    """300 of 1500 points: means within a third of a standard deviation, intervals no narrower."""
    X, y = readings(1500)
    unseen = np.random.default_rng(9).random((500, 4))
    exact, few = (model(m).fit(X, y, np.full(1500, 0.01)) for m in (None, 300))
    (mean, sd), (near, wide) = (gp.predict(unseen, return_std=True) for gp in (exact, few))
    assert np.sqrt(np.mean(((near - mean) / sd) ** 2)) < 0.33
    assert 0.98 < np.mean(wide / sd) < 1.25
    covered = np.abs(surface(unseen) - near) < 1.645 * wide
    assert covered.mean() > 0.86


def test_the_cost_of_more_set_points_is_linear(monkeypatch):
    """Four times the set-points need four times the covariances and memory (exact: sixteen)."""
    numbers = []
    plain = Prior.covariance

    def counted(self, h, A, B):
        found = plain(self, h, A, B)
        numbers[-1] += found.size
        return found

    monkeypatch.setattr(Prior, "covariance", counted)
    most = []
    for n in (500, 2000, 8000):  # the first size includes one-time allocations
        X, y = readings(n)
        numbers.append(0)
        tracemalloc.start()
        model(200).fit(X, y, np.full(n, 0.01)).predict(X[:100])
        most.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert numbers[2] <= 4 * numbers[1]
    assert most[2] < 5 * most[1]


@pytest.mark.parametrize("n", [150, 151])
def test_up_to_the_limit_the_model_is_exact(n):
    X, y = readings(n)
    gp = model(150).fit(X, y, np.full(n, 0.01))
    assert gp.posteriors_[0].exact == (n <= 150)
    assert len(gp.posteriors_[0].points) <= 150
