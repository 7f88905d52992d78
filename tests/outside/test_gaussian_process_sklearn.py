"""The Gaussian process against scikit-learn's GaussianProcessRegressor.

Source: scikit-learn, ``sklearn.gaussian_process`` (independent implementation of Rasmussen &
Williams, Gaussian Processes for Machine Learning, 2006, algorithm 2.1).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from sklearn.base import clone, is_regressor
from sklearn.gaussian_process import GaussianProcessClassifier, GaussianProcessRegressor
from sklearn.gaussian_process.kernels import (
    ConstantKernel,
    DotProduct,
    Kernel,
    Matern,
    WhiteKernel,
)
from sklearn.model_selection import cross_val_score
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import MinMaxScaler

from optimizer.gaussian_process.estimation import Estimated, Given
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.gaussian_process.replicates import Groups
from optimizer.model.candidate import candidate_of
from optimizer.model.deck_state import DeckState
from tests.model.fitted_pairs import case, description, frame_of, runs

TOLERANCE = 1e-8
KNOWN_VARIANCE = 0.01


def surface(n: int, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    X = rng.random((n, 3))
    return X, np.sin(3 * X[:, 0]) + X[:, 1] ** 2 + 0.1 * rng.standard_normal(n)


def kernel_of(theta: np.ndarray):
    smooth = ConstantKernel(np.exp(theta[3])) * Matern(np.exp(theta[:3]), nu=2.5)
    return smooth + WhiteKernel(np.exp(theta[4]))


def plain(mean: Mean, theta: np.ndarray) -> GaussianProcess:
    given = Given(tuple(theta))
    return GaussianProcess(mean=mean, scale="none", hyperparameters=given)


THETAS = [np.array([-0.5, 0.1, 0.8, 0.2, -3.0]), np.array([1.5, -1.0, 0.3, 1.2, -5.0])]


@pytest.mark.parametrize("theta", THETAS)
def test_posterior_and_likelihood_agree(theta):
    X, y = surface(40)
    ours = plain(Mean("none"), theta)
    ours.fit(X, y, known_variance=np.full(40, KNOWN_VARIANCE))
    theirs = GaussianProcessRegressor(kernel_of(theta), alpha=KNOWN_VARIANCE, optimizer=None)
    theirs.fit(X, y)
    A = np.random.default_rng(1).random((50, 3))
    mean, covariance = ours.predict(A, return_cov=True)
    their_mean, their_covariance = theirs.predict(A, return_cov=True)
    np.testing.assert_allclose(mean, their_mean, atol=TOLERANCE)
    # scikit-learn predicts a reading, ours the true quantity: the variances differ by the noise.
    their_covariance = their_covariance - np.exp(theta[4]) * np.eye(50)
    np.testing.assert_allclose(covariance, their_covariance, atol=TOLERANCE)
    np.testing.assert_allclose(
        ours.predict(A, return_std=True)[1], np.sqrt(np.diag(covariance)), atol=TOLERANCE
    )
    value, gradient = ours.log_marginal_likelihood(theta, eval_gradient=True)
    # The scikit-learn kernel orders its parameters as variance, length scales, noise.
    their_value, their_gradient = theirs.log_marginal_likelihood(
        theirs.kernel_.theta, eval_gradient=True
    )
    np.testing.assert_allclose(value, their_value, atol=TOLERANCE)
    np.testing.assert_allclose(gradient, their_gradient[[1, 2, 3, 0, 4]], atol=TOLERANCE)


def test_linear_trend_equals_the_dot_product_kernel():
    X, y = surface(30)
    theta = THETAS[0]
    tau2 = 0.3
    ours = plain(Mean("linear", variance=tau2), theta).fit(X, y, known_variance=np.zeros(30))
    # 10 + 0.3 * 12 * (x - 1/2).(x' - 1/2), written on shifted inputs.
    level, slope = 10.0, tau2 * 12.0
    kernel = kernel_of(theta) + ConstantKernel(slope) * DotProduct(np.sqrt(level / slope))
    theirs = GaussianProcessRegressor(ConstantKernel(1.0) * kernel, alpha=0.0, optimizer=None)
    # Shifting the inputs does not change the Matern part.
    theirs.fit(X - 0.5, y)
    A = np.random.default_rng(2).random((20, 3))
    np.testing.assert_allclose(ours.predict(A), theirs.predict(A - 0.5), atol=1e-7)


@pytest.mark.parametrize("theta", THETAS)
def test_collapsed_replicates_equal_the_full_model(theta):
    """Binois, Gramacy & Ludkovski, J. Comput. Graph. Stat. 27 (2018) 808, against the full model
    of scikit-learn."""
    X, _ = surface(12)
    rng = np.random.default_rng(3)
    rows = np.repeat(X, rng.integers(1, 6, len(X)), axis=0)
    y = np.sin(3 * rows[:, 0]) + 0.2 * rng.standard_normal(len(rows))
    ours = plain(Mean("none"), theta)
    ours.fit(rows, y, known_variance=np.full(len(rows), KNOWN_VARIANCE))
    assert len(ours.readings_.mean) == len(X) < len(rows)
    theirs = GaussianProcessRegressor(kernel_of(theta), alpha=KNOWN_VARIANCE, optimizer=None)
    theirs.fit(rows, y)
    A = rng.random((25, 3))
    np.testing.assert_allclose(ours.predict(A), theirs.predict(A), atol=TOLERANCE)
    value, gradient = ours.log_marginal_likelihood(theta, eval_gradient=True)
    their_value, their_gradient = theirs.log_marginal_likelihood(
        theirs.kernel_.theta, eval_gradient=True
    )
    np.testing.assert_allclose(value, their_value, atol=TOLERANCE)
    np.testing.assert_allclose(gradient, their_gradient[[1, 2, 3, 0, 4]], atol=TOLERANCE)


class TwoQuantities(Kernel):
    """Two independent processes in one; the last two columns of an input are the number of the
    quantity and the number of the run, which is -1 for a true value without error.

    Args:
        kernels: kernel of each process.
        errors: covariance of the errors of the two readings of each run, shape (n, 2, 2).
    """

    def __init__(self, kernels, errors):
        self.kernels, self.errors = kernels, errors

    def __call__(self, X, Y=None, eval_gradient=False):
        other = X if Y is None else Y
        which, run = X[:, -2:].astype(int).T
        to, of = other[:, -2:].astype(int).T
        K = np.zeros((len(X), len(other)))
        for k, kernel in enumerate(self.kernels):
            K += np.outer(which == k, to == k) * kernel(X[:, :-2], other[:, :-2])
        shared = (run[:, None] == of) & (run[:, None] >= 0)
        return K + shared * self.errors[run[:, None], which[:, None], to]

    def diag(self, X):
        return np.diag(self(X))

    def is_stationary(self):
        return False


def kernel_of_posterior(posterior):
    """Kernel of the true quantity: a level of prior variance 10 and a Matern deviation."""
    h = posterior.hyperparameters
    smooth = ConstantKernel(np.exp(h.log_variance)) * Matern(np.exp(h.log_length_scales), nu=2.5)
    return ConstantKernel(10.0) + smooth


def of_quantity(X, k, run):
    return np.column_stack([X, np.full(len(X), k), np.broadcast_to(run, len(X))])


def test_independent_quantities_equal_two_regressors_with_known_errors():
    """Without any covariance a pair is two regressors, ``alpha`` being the variances of errors."""
    X, latent = runs(single=True)
    latent = replace(latent, covariance=np.zeros(len(X)))
    frame = frame_of()
    joint = description("joint", frame)
    fitted = candidate_of(joint, frame, Groups.of(X), latent, correlation=0.0)
    (pair,) = fitted.members
    A = np.random.default_rng(1).random((8, 5))
    found = pair.moments(A)
    s, slope, own = pair.variance(found)
    np.testing.assert_allclose(slope, 0.0, atol=1e-12)
    readings = [
        (latent.sharpness, latent.sharpness_variance),
        (latent.balance, latent.balance_variance),
    ]
    for posterior, (y, v), mean, variance in zip(
        (pair.first, pair.second), readings, found.mean, (s, own), strict=True
    ):
        kernel, center = kernel_of_posterior(posterior), posterior.readings.center
        theirs = GaussianProcessRegressor(
            kernel, alpha=v + np.exp(posterior.hyperparameters.log_noise), optimizer=None
        )
        theirs.fit(X, y - center)
        their_mean, their_sd = theirs.predict(A, return_std=True)
        np.testing.assert_allclose(mean, center + their_mean, atol=1e-7)
        np.testing.assert_allclose(variance, their_sd**2, atol=1e-7)


@pytest.mark.parametrize("correlation", [-0.8, 0.5])
def test_a_pair_with_shared_errors_equals_one_regressor_of_both_quantities(correlation):
    """Replicates are rows of their own, and the errors of a run's two readings are correlated."""
    made = case("joint", correlation=correlation)
    (pair,), n = made.candidate.members, len(made.X)
    latent = made.latent
    own = [np.exp(p.hyperparameters.log_noise) for p in (pair.first, pair.second)]
    both = latent.covariance + correlation * np.sqrt(own[0] * own[1])
    errors = np.array(
        [
            [latent.sharpness_variance + own[0], both],
            [both, latent.balance_variance + own[1]],
        ]
    ).transpose(2, 0, 1)
    kernel = TwoQuantities([kernel_of_posterior(p) for p in (pair.first, pair.second)], errors)
    theirs = GaussianProcessRegressor(kernel, alpha=0.0, optimizer=None)
    centers = [p.readings.center for p in (pair.first, pair.second)]
    X = np.vstack([of_quantity(made.X, k, np.arange(n)) for k in (0, 1)])
    y = np.concatenate([latent.sharpness - centers[0], latent.balance - centers[1]])
    theirs.fit(X, y)
    A = np.random.default_rng(1).random((8, 5))
    asked = np.vstack([of_quantity(A, k, -1) for k in (0, 1)])
    mean, covariance = theirs.predict(asked, return_cov=True)
    found = pair.moments(A)
    np.testing.assert_allclose(np.concatenate(found.mean), mean + np.repeat(centers, 8), atol=1e-7)
    np.testing.assert_allclose(pair.covariance(found, found), covariance, atol=1e-7)
    assert np.abs(covariance[:8, 8:]).max() > 1e-3
    assert pair.log_likelihood == pytest.approx(theirs.log_marginal_likelihood_value_, rel=1e-9)


def test_the_process_is_a_scikit_learn_estimator():
    X, y = surface(40)
    model = GaussianProcess(hyperparameters=Estimated(4), random_state=5)
    assert clone(model).get_params() == model.get_params()
    assert clone(model).get_params()["random_state"] == 5
    assert is_regressor(model)
    changed = "hyperparameters=Estimated(members=4, searches=2, start=None), random_state=5"
    assert repr(clone(model)) == f"GaussianProcess({changed})"
    with pytest.raises(ValueError, match="no_such"):
        model.set_params(no_such=1)
    scores = cross_val_score(make_pipeline(MinMaxScaler(), model), X, y, cv=4, scoring="r2")
    assert scores.mean() > 0.8


def test_classifier_of_the_deck_state_agrees_on_single_runs():
    """scikit-learn has a logistic likelihood and Laplace's approximation; scaled to equal slope at
    0, and with as many runs, the two differ by little (Rasmussen & Williams 2006, section 3.3)."""
    rng = np.random.default_rng(4)
    X = rng.random((60, 2))
    even = X[:, 0] + 0.15 * rng.standard_normal(60) < 0.5
    ours = DeckState(lengthscale=0.35 / np.sqrt(2), deviation=1.5, trend=0.0).fit(X, even)
    # Slope of the probit at 0 is 1/sqrt(2 pi), of the logistic 1/4.
    ratio = 4.0 / np.sqrt(2.0 * np.pi)
    kernel = ConstantKernel((1.5 * ratio) ** 2) * Matern(0.35, nu=np.inf)
    theirs = GaussianProcessClassifier(kernel, optimizer=None).fit(X, even)
    A = rng.random((200, 2))
    assert abs(ours.level_) < 0.25
    difference = ours.chance_even(A) - theirs.predict_proba(A)[:, 1]
    assert np.abs(difference).max() < 0.08
    assert np.abs(difference).mean() < 0.03
