"""The evidence of the deck state's descriptions against integrals by other means.

An even run is one where the latent value plus a standard normal error is positive. So the exact
marginal likelihood of n single runs is the probability that n correlated normal variables are
positive, and the chance of an even deck is the ratio of two such probabilities. SciPy has them by
Genz's method (A. Genz, Numerical computation of multivariate normal probabilities, Journal of
Computational and Graphical Statistics 1, 1992, 141-149).
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm
from sklearn.gaussian_process.kernels import RBF, ConstantKernel, DotProduct

from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.model.deck_state import DeckState, deck_state_of
from optimizer.plant.settings import GRAVITY_TABLE

DESCRIPTIONS = {
    "coupled": deck_state_of(deck_coordinates_of(GRAVITY_TABLE)).members[0][1],
    "settings": DeckState(),
    "edge": DeckState(deviation=0.0, trend=0.0, edge=2.0),
    "gentle": DeckState(deviation=0.5, trend=0.1),
}


def runs(n: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Unit settings, shape (n, 5), and whether each run was even: a deck with a straight edge."""
    rng = np.random.default_rng(seed)
    X = rng.random((n, 5))
    return X, X[:, 2] + X[:, 1] < 1.1


def prior(state: DeckState, X: np.ndarray) -> np.ndarray:
    """Prior covariance of the latent values at unit settings, shape (n, n)."""
    points = state._in_coordinates(X)
    features = state._features(points)
    return state._kernel(points, points, features, features)


def exact(state: DeckState, X: np.ndarray, even: np.ndarray) -> float:
    """Marginal likelihood of single runs as a normal probability."""
    sign = np.where(even, 1.0, -1.0)
    covariance = sign[:, None] * (prior(state, X) + np.eye(len(X))) * sign
    return float(
        multivariate_normal.cdf(
            sign * state.level_,
            mean=np.zeros(len(X)),
            cov=covariance,
            maxpts=100_000,
            abseps=1e-7,
            releps=1e-3,
            rng=np.random.default_rng(0),
        )
    )


@pytest.mark.parametrize("state", DESCRIPTIONS.values(), ids=DESCRIPTIONS)
def test_the_normal_probability_is_the_integral_of_the_model(state):
    """Two runs, one of each kind: the reference of the next tests against plain quadrature."""
    X, even = np.array([[0.2, 0.3, 0.4, 0.5, 0.6], [0.7, 0.8, 0.9, 0.5, 0.4]]), [True, False]
    state.fit(X, even)
    u = np.linspace(-9.0, 9.0, 1201)
    lower = np.linalg.cholesky(prior(state, X))
    f, g = lower @ np.array(np.meshgrid(u, u)).reshape(2, -1) + state.level_
    density = norm.pdf(u)[:, None] * norm.pdf(u)
    whole = np.sum(density.ravel() * norm.cdf(f) * norm.cdf(-g)) * (u[1] - u[0]) ** 2
    assert exact(state, X, np.array(even)) == pytest.approx(whole, rel=1e-4)


@pytest.mark.parametrize("state", DESCRIPTIONS.values(), ids=DESCRIPTIONS)
@pytest.mark.parametrize("n", [3, 8, 14])
def test_the_evidence_is_nearly_exact(state, n):
    """Expectation propagation is, for a probit; Laplace's evidence is too low by up to 0.9 here
    (M. Kuss & C. E. Rasmussen, Assessing approximate inference for binary Gaussian process
    classification, Journal of Machine Learning Research 6, 2005, 1679-1704)."""
    X, even = runs(n, 2)
    state.fit(X, even)
    assert state.log_evidence_ == pytest.approx(np.log(exact(state, X, even)), abs=0.1)


@pytest.mark.parametrize("again", [True, False])
def test_repeated_runs_are_counted(again):
    """Four runs twice, with the same outcomes or with others."""
    X, even = runs(10, 8)
    X, even = np.vstack([X, X[:4]]), np.append(even, even[:4] == again)
    state = DeckState().fit(X, even)
    assert len(state.X_) == 10
    all_runs = exact(state, X, even)
    assert state.log_evidence_ == pytest.approx(np.log(all_runs), abs=0.1)
    more = exact(state, np.vstack([X, X[:1]]), np.append(even, True))
    assert state.chance_even(X[:1]) == pytest.approx(more / all_runs, abs=0.03)


def test_the_weights_are_near_those_of_the_exact_evidence():
    X, even = runs(10, 3)
    model = deck_state_of(deck_coordinates_of(GRAVITY_TABLE)).fit(X, even)
    weights = np.array([w * exact(m, X, even) for w, m in model.members])
    np.testing.assert_allclose(model.weights_, weights / weights.sum(), atol=0.02)


@pytest.mark.parametrize("state", DESCRIPTIONS.values(), ids=DESCRIPTIONS)
def test_a_chance_is_nearly_the_exact_one(state):
    """At settings that ran even, where Laplace's approximation is too close to one half, at some
    that failed, and elsewhere."""
    X, even = runs(8, 4)
    state.fit(X, even)
    all_runs = exact(state, X, even)
    for a in (X[even][0], X[~even][0], np.full(5, 0.4)):
        chance = exact(state, np.vstack([X, a]), np.append(even, True)) / all_runs
        assert state.chance_even(a)[0] == pytest.approx(chance, abs=0.03)


@pytest.mark.parametrize("edge", [0.0, 1.5])
def test_a_prediction_follows_from_the_sites_with_the_kernels_of_scikit_learn(edge):
    """Rasmussen & Williams 2006, equations 3.60 and 3.61, with a plain inverse."""
    X, even = runs(25, 6)
    A = np.random.default_rng(7).random((40, 5))
    state = DeckState(trend=0.0, edge=edge).fit(X, even)
    kernel = ConstantKernel(9.0) * RBF(0.27 * np.sqrt(5.0))
    if edge:
        # A uniform setting on [0, 1] has variance 1/12; the edge has slopes for variance 1.
        slope = 12.0 * edge**2
        kernel += ConstantKernel(slope) * DotProduct(np.sqrt(1.0 / 12.0))
    K, across = kernel(state.X_ - 0.5), kernel(state.X_ - 0.5, A - 0.5)
    mean = state.level_ + across.T @ state.gradient_
    taken = np.linalg.solve(K + np.diag(state._root**-2), across)
    variance = kernel.diag(A - 0.5) - np.sum(across * taken, axis=0)
    expected = norm.cdf(mean / np.sqrt(1.0 + variance))
    np.testing.assert_allclose(state.chance_even(A), expected, atol=1e-6)
