"""The estimator for scikit-learn, judged by scikit-learn's own checks and a published function.

Sources: ``sklearn.utils.estimator_checks.check_estimator``, the checks that scikit-learn runs on
its own estimators. J. H. Friedman, Annals of Statistics 19 (1991) 1-67, equation 61, as
``sklearn.datasets.make_friedman1``: y = 10 sin(pi x1 x2) + 20 (x3 - 1/2)^2 + 10 x4 + 5 x5 + e, and
five more features that have no effect.
"""

from __future__ import annotations

import pickle
import warnings

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm
from sklearn.base import clone
from sklearn.compose import TransformedTargetRegressor
from sklearn.datasets import make_friedman1
from sklearn.exceptions import ConvergenceWarning, NotFittedError
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel
from sklearn.inspection import partial_dependence, permutation_importance
from sklearn.model_selection import GridSearchCV, cross_val_score
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
from sklearn.utils.estimator_checks import check_estimator

from optimizer.interop import SurrogateRegressor

SEED = 4


@pytest.fixture(scope="module")
def friedman():
    return make_friedman1(n_samples=120, n_features=10, noise=1.0, random_state=SEED)


@pytest.fixture(scope="module")
def fitted(friedman):
    return SurrogateRegressor().fit(*friedman)


def test_all_checks_of_scikit_learn_pass():
    done = check_estimator(SurrogateRegressor(), on_fail="raise", on_skip=None)
    passed = [each for each in done if each["status"] == "passed"]
    others = {each["check_name"] for each in done if each["status"] != "passed"}
    assert len(passed) >= 45
    # This check needs another array library and an environment variable.
    assert others <= {"check_array_api_input"}


def test_a_clone_and_a_pickle_predict_the_same(friedman, fitted):
    X, y = friedman
    again = clone(fitted).fit(X, y)
    np.testing.assert_array_equal(again.predict(X), fitted.predict(X))
    kept = pickle.loads(pickle.dumps(fitted))
    for found, expected in zip(
        kept.predict(X, return_std=True), fitted.predict(X, return_std=True), strict=True
    ):
        np.testing.assert_array_equal(found, expected)


def test_cross_validation_explains_most_of_the_published_function(friedman):
    X, y = friedman
    scores = cross_val_score(SurrogateRegressor(members=1), X, y, cv=4)
    theirs = GaussianProcessRegressor(
        ConstantKernel() * Matern(np.ones(10), nu=2.5) + WhiteKernel(), normalize_y=True
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # features without effect
        peer = cross_val_score(theirs, X, y, cv=4).mean()
    # The noise has variance 1 and y about 24, so no model can explain more than 0.96 on average.
    # Our priors expect each feature to matter, and five of these ten do not.
    assert max(0.85, peer - 0.05) < scores.mean() < 0.97
    piped = make_pipeline(StandardScaler(), SurrogateRegressor(members=1))
    assert cross_val_score(piped, X, y, cv=4).mean() == pytest.approx(scores.mean(), abs=0.01)


def test_a_grid_search_sets_parameters(friedman):
    search = GridSearchCV(SurrogateRegressor(members=1), {"trend": ["constant", "linear"]}, cv=3)
    search.fit(*friedman)
    assert search.best_params_["trend"] in ("constant", "linear")


def test_permutation_importance_finds_the_features_of_the_published_function(friedman, fitted):
    X, y = make_friedman1(n_samples=200, n_features=10, noise=0.0, random_state=SEED + 1)
    found = permutation_importance(fitted, X, y, n_repeats=5, random_state=0).importances_mean
    assert found[:5].min() > 4 * found[5:].max()
    assert np.argmax(found) == 3


def test_partial_dependence_has_the_published_slope(friedman, fitted):
    found = partial_dependence(fitted, friedman[0], [3], percentiles=(0, 1), grid_resolution=5)
    (x,), (mean,) = found["grid_values"], found["average"]
    slope = np.polyfit(x, mean, 1)[0]
    assert slope == pytest.approx(10.0, abs=0.8)


def test_intervals_cover_the_published_function(fitted):
    X, y = make_friedman1(n_samples=1000, n_features=10, noise=0.0, random_state=SEED + 2)
    mean, sd = fitted.predict(X, return_std=True)
    inside = np.mean(np.abs(y - mean) < norm.ppf(0.95) * sd)
    # 1000 points of one surface are not independent; the range is wider than the binomial one.
    assert 0.80 < inside < 0.98
    _, covariance = fitted.predict(X[:20], return_cov=True)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), sd[:20], rtol=1e-8)


def test_known_errors_weigh_readings():
    X = np.repeat(np.linspace(0.0, 1.0, 9), 2)[:, None]
    y, variance = np.tile([0.0, 1.0], 9), np.tile([1e-4, 1.0], 9)
    # The second reading of each place is a hundred times less exact; both places differ by 1e-9.
    X[1::2] += 1e-9
    model = SurrogateRegressor(noise="known", trend="constant").fit(X, y, known_variance=variance)
    assert np.abs(model.predict(X)).max() < 0.05


def test_a_frame_gives_names_and_a_fraction_is_best_learned_as_a_logit(friedman):
    X, y = friedman
    frame = pd.DataFrame(X, columns=[f"x{k}" for k in range(10)])
    share = 1.0 / (1.0 + np.exp(-(y - y.mean()) / y.std()))
    model = TransformedTargetRegressor(
        SurrogateRegressor(members=1),
        func=lambda p: np.log(p / (1.0 - p)),
        inverse_func=lambda z: 1.0 / (1.0 + np.exp(-z)),
    ).fit(frame, share)
    assert model.regressor_.feature_names_in_.tolist() == frame.columns.tolist()
    assert 0.0 < model.predict(frame).min() < model.predict(frame).max() < 1.0


@pytest.mark.parametrize(
    ("parameters", "known", "said"),
    [
        ({"trend": "cubic"}, None, "trend must be one of constant, linear, quadratic"),
        ({"noise": "none"}, None, "noise must be one of estimated, known"),
        ({"bounds": [(0, 1), (1, 1)]}, None, "a lower and a higher number for each of 2 features"),
        ({"bounds": [(0, 1)]}, None, "shape \\(1, 2\\) was given"),
        ({}, [0.1], "known_variance must be one number, or 8 numbers"),
        ({}, -1.0, "none of them negative"),
    ],
)
def test_what_is_wrong_is_said(parameters, known, said):
    X = np.random.default_rng(0).random((8, 2))
    with pytest.raises(ValueError, match=said):
        SurrogateRegressor(**parameters).fit(X, X[:, 0], known_variance=known)


def test_it_does_not_predict_before_it_is_fitted():
    with pytest.raises(NotFittedError):
        SurrogateRegressor().predict([[0.0]])
