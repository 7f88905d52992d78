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
from scipy.optimize import minimize
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
            maxpts=20_000,
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
def test_the_evidence_is_laplaces(state):
    """Rasmussen & Williams 2006, equation 3.32, by a general optimizer in whitened values."""
    X, even = runs(25, 1)
    state.fit(X, even)
    half = np.linalg.cholesky(prior(state, X) + 1e-9 * np.eye(25))
    sign = np.where(even, 1.0, -1.0)

    def minus_log_joint(u: np.ndarray) -> tuple[float, np.ndarray]:
        z = sign * (half @ u + state.level_)
        slope = sign * np.exp(norm.logpdf(z) - norm.logcdf(z))
        return 0.5 * u @ u - norm.logcdf(z).sum(), u - half.T @ slope

    found = minimize(minus_log_joint, np.zeros(25), jac=True, method="BFGS", tol=1e-9)
    h = 1e-5
    curvature = np.array(
        [
            (minus_log_joint(found.x + h * e)[1] - minus_log_joint(found.x - h * e)[1]) / (2.0 * h)
            for e in np.eye(25)
        ]
    )
    expected = -found.fun - 0.5 * np.linalg.slogdet(curvature)[1]
    assert state.log_evidence_ == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("state", DESCRIPTIONS.values(), ids=DESCRIPTIONS)
@pytest.mark.parametrize("n", [3, 8])
def test_laplaces_evidence_is_near_the_exact_one_and_below_it(state, n):
    """For a probit, Laplace's evidence is too low and its chances too close to one half
    (M. Kuss & C. E. Rasmussen, Assessing approximate inference for binary Gaussian process
    classification, Journal of Machine Learning Research 6, 2005, 1679-1704)."""
    X, even = runs(n, 2)
    state.fit(X, even)
    gap = state.log_evidence_ - np.log(exact(state, X, even))
    assert -0.9 < gap < 0.05


def test_the_weights_are_near_those_of_the_exact_evidence():
    X, even = runs(10, 3)
    model = deck_state_of(deck_coordinates_of(GRAVITY_TABLE)).fit(X, even)
    weights = np.array([w * exact(m, X, even) for w, m in model.members])
    np.testing.assert_allclose(model.weights_, weights / weights.sum(), atol=0.1)


def test_a_gentle_description_predicts_as_the_exact_integral():
    X, even = runs(6, 4)
    state = DESCRIPTIONS["gentle"].fit(X, even)
    for a in np.random.default_rng(5).random((4, 5)):
        both = exact(state, np.vstack([X, a]), np.append(even, True))
        chance = both / exact(state, X, even)
        assert state.chance_even(a)[0] == pytest.approx(chance, abs=0.02)


@pytest.mark.parametrize("edge", [0.0, 1.5])
def test_a_prediction_is_laplaces_with_the_kernels_of_scikit_learn(edge):
    """Rasmussen & Williams 2006, equations 3.21, 3.24 and 3.25, with plain inverses."""
    X, even = runs(25, 6)
    A = np.random.default_rng(7).random((40, 5))
    state = DeckState(trend=0.0, edge=edge).fit(X, even)
    kernel = ConstantKernel(9.0) * RBF(0.27 * np.sqrt(5.0))
    if edge:
        # A uniform setting on [0, 1] has variance 1/12; the edge has slopes for variance 1.
        slope = 12.0 * edge**2
        kernel += ConstantKernel(slope) * DotProduct(np.sqrt(1.0 / 12.0))
    K, across = kernel(X - 0.5), kernel(X - 0.5, A - 0.5)
    sign = np.where(even, 1.0, -1.0)
    f = np.zeros(25)
    for _ in range(200):
        z = sign * (f + state.level_)
        ratio = np.exp(norm.logpdf(z) - norm.logcdf(z))
        slope, W = sign * ratio, ratio * (ratio + z)
        f = 0.5 * f + 0.5 * np.linalg.solve(np.linalg.inv(K) + np.diag(W), W * f + slope)
    mean = state.level_ + across.T @ slope
    variance = kernel.diag(A - 0.5) - np.sum(
        across * np.linalg.solve(K + np.diag(1.0 / W), across), axis=0
    )
    expected = norm.cdf(mean / np.sqrt(1.0 + variance))
    np.testing.assert_allclose(state.chance_even(A), expected, atol=1e-6)
