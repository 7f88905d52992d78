"""What the estimator of scikit-learn hands to the process that learns: scale, errors and draws."""

from __future__ import annotations

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from optimizer.interop import regressor
from optimizer.interop.regressor import LARGEST_SEED, NOISES, SurrogateRegressor, _variance_of
from optimizer.model.surrogate import MEMBERS

X = np.array([[2.0, 10.0, 7.0], [4.0, 30.0, 7.0], [3.0, 50.0, 7.0]])
Y = np.array([1.0, 2.0, 4.0])


def threads():
    """The numbers of threads that libraries of linear algebra may use now."""
    return {each["num_threads"] for each in threadpool_info()}


class Recorder:
    """A process that keeps what it is given and predicts the sum of the coordinates."""

    def __init__(self, **parts):
        self.parts = parts

    def fit(self, rows, y, known_variance):
        self.given, self.threads = (rows, y, known_variance), threads()
        return self

    def predict(self, rows, return_std, return_cov):
        self.threads |= threads()
        return rows.sum(axis=1), return_std, return_cov


@pytest.fixture(autouse=True)
def recorded(monkeypatch):
    monkeypatch.setattr(regressor, "GaussianProcess", Recorder)


def given(X=X, y=Y, variance=None, **parameters):
    process = SurrogateRegressor(**parameters).fit(X, y, variance).process_
    return process.given, process.parts


def test_features_are_told_as_shares_of_their_range_and_one_that_never_moved_as_nothing():
    (rows, y, _), _ = given()
    assert rows.tolist() == [[0.0, 0.0, 0.0], [1.0, 0.5, 0.0], [0.5, 1.0, 0.0]]
    assert y.tolist() == Y.tolist()


def test_features_are_told_as_shares_of_their_bounds():
    (rows, *_), _ = given(bounds=[(0.0, 5.0), (-10.0, 90.0), (6.0, 8.0)])
    assert rows == pytest.approx(np.array([[0.4, 0.2, 0.5], [0.8, 0.4, 0.5], [0.6, 0.6, 0.5]]))


def test_a_prediction_is_asked_for_on_the_scale_of_the_fit():
    model = SurrogateRegressor().fit(X, Y)
    mean, *asked = model.predict([[5.0, 10.0, 9.0]])
    assert mean.tolist() == [1.5 + 0.0 + 2.0]
    assert asked == [False, False]
    assert model.predict(X, return_std=True)[1:] == (True, False)
    assert model.predict(X, return_cov=True)[1:] == (False, True)


def test_errors_are_those_that_are_stated_for_each_or_for_all():
    for stated, told in ((None, 0.0), (0.25, 0.25), ([0.0, 0.1, 0.2], [0.0, 0.1, 0.2])):
        (_, _, variance), _ = given(variance=stated)
        assert variance.tolist() == np.broadcast_to(told, 3).tolist()
    for wrong in ([0.1, np.inf, 0.1], [0.1, 0.1], [[0.1, 0.1, 0.1]], -1e-9, np.nan):
        with pytest.raises(ValueError, match="known_variance must be"):
            _variance_of(wrong, 3)


def test_few_distinct_rows_are_averaged_over_more_draws():
    most = [rows for rows, _ in MEMBERS]
    for rows, expected in MEMBERS:
        line = np.linspace(0.0, 1.0, rows)[:, None]
        # Repeated rows are no further ones.
        twice = np.vstack([line, line])
        assert given(twice, twice[:, 0])[1]["hyperparameters"].members == expected
    line = np.linspace(0.0, 1.0, most[-1] + 1)[:, None]
    assert given(line, line[:, 0])[1]["hyperparameters"].members == 1
    assert given(members=3)[1]["hyperparameters"].members == 3


def test_noise_and_trend_are_those_that_are_named():
    _, parts = given(noise="known", trend="quadratic")
    assert (parts["noise"].prior, parts["mean"].trend) == (NOISES["known"], "quadratic")
    _, parts = given()
    assert (parts["noise"].prior, parts["mean"].trend) == (NOISES["estimated"], "linear")


def test_equal_seeds_are_equal_and_others_are_not():
    first, again, other = (given(random_state=k)[1]["random_state"] for k in (1, 1, 2))
    assert first == again != other
    assert isinstance(first, int)
    assert 0 <= first < LARGEST_SEED
    assert given()[1]["random_state"] == given(random_state=0)[1]["random_state"]


def test_sums_are_made_on_one_thread_so_that_they_round_alike():
    with threadpool_limits(2):
        model = SurrogateRegressor().fit(X, Y)
        assert model.process_.threads == {1}
        model.predict(X)
        assert model.process_.threads == {1}


def test_two_rows_are_needed():
    with pytest.raises(ValueError, match="minimum of 2"):
        given(X[:1], Y[:1])
    assert len(given(X[:2], Y[:2])[0][1]) == 2


@pytest.mark.parametrize(
    "bounds",
    [
        [(0, 5), (0, 90), (8, 6)],
        [(0, 5), (0, 90), (7, 7)],
        [(0, 5, 1), (0, 90, 1), (6, 8, 1)],
        [(0, 5), (0, 90)],
        [(0, np.nan), (0, 90), (6, 8)],
    ],
)
def test_bounds_that_are_no_range_of_every_feature_are_refused(bounds):
    with pytest.raises(ValueError, match="for each of 3 features"):
        given(bounds=bounds)
