"""How an optimizer joins its parts, with models that are known: what it hands on, and what it does
with the answers. Every figure follows by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import norm
from sklearn.base import BaseEstimator
from threadpoolctl import threadpool_info, threadpool_limits

from optimizer.errors import InputError, LimitError
from optimizer.interop import ask_tell
from optimizer.interop.ask_tell import MOST_INCUMBENTS, STARTS, Learned, Optimizer, _promising

LINE = [(0.0, 1.0)]
FEW = [(0, 4)]  # an integer from 0 to 4, whose coordinates are 0, 0.25, ..., 1


class Stated:
    """A model with stated mean and standard deviation as functions of the first coordinate."""

    def __init__(self, mean, sd=0.1, name="f"):
        self.mean, self.sd, self.process_ = mean, sd, name
        self.regressor = self

    def predict(self, X, return_std=False):
        x = np.asarray(X)[:, 0]
        mean, sd = (np.broadcast_to(f(x) if callable(f) else f, x.shape) for f in
                    (self.mean, self.sd))  # fmt: skip
        return (mean, sd) if return_std else mean


class Works:
    """A deck state with a stated chance of a reading."""

    def __init__(self, chance):
        self.chance = chance

    def chance_even(self, inputs):
        return self.chance(inputs[:, 0])


class GainOf:
    """A gain that is highest at a coordinate, and records what it was made of and picked."""

    made: GainOf

    def __init__(self, objective, constraints, base, room, seed):
        self.objective, self.constraints, self.base = objective, constraints, base.ravel().tolist()
        self.room, self.seed, self.picked = room, seed, []
        GainOf.made = self

    def log_gain(self, inputs):
        return -100.0 * np.abs(inputs[:, 0] - 0.75)

    def extend(self, point):
        assert point.shape == (1, 1)
        self.picked.append(float(point[0, 0]))


@pytest.fixture(autouse=True)
def gains(monkeypatch):
    monkeypatch.setattr(ask_tell, "Gain", GainOf)


def optimizer(dimensions=FEW, points=(), values=None, knows=None, initial=0, **told):
    """An optimizer that was told some points, and has learned what is stated."""
    made = Optimizer(dimensions, random_state=0, n_initial_points=initial)
    if points:
        values = [0.0] * len(points) if values is None else values
        made.tell([[x] for x in points], values, fit=False, **told)
    made._learned = len(points), knows or Learned(Stated(lambda x: x), (), None)
    return made


# ------------------------------------------------------------------ spreading


@pytest.mark.parametrize(("dimensions", "number"), [(1, 6), (2, 6), (3, 8), (5, 12)])
def test_trials_spread_twice_as_often_as_there_are_dimensions_and_two_and_at_least_six_times(
    dimensions, number
):
    assert Optimizer(LINE * dimensions, random_state=0).n_initial_points == number
    assert Optimizer(LINE * dimensions, random_state=0, n_initial_points=0).n_initial_points == 0


def spread_of(made, n):
    index = made._lattice.spread(n, np.random.default_rng(made._seed))
    return [made._lattice.point(row) for row in index]


def test_trials_spread_until_enough_are_begun_and_gain_decides_about_the_others():
    made = optimizer(LINE, initial=5)
    expected = spread_of(made, 5)
    first = made.ask()
    assert first == expected[0]
    made.tell([first, [0.123]], [1.0, 2.0], fit=False)
    made.pending.append([0.456])
    assert made.ask(1) == [expected[3]]  # four are begun by now, one of them pending
    made.tell([[0.1], [0.2]], [1.0, 2.0], fit=False)
    assert made._spread(3) == []
    made.n_initial_points = 8
    assert made._spread(3) == spread_of(made, 8)[6:]
    made.n_initial_points = 7
    assert made._spread(3) == spread_of(made, 7)[6:]


def test_the_last_that_spread_are_pending_for_the_first_of_gain():
    made = optimizer(LINE, (0.1, 0.2, 0.3), initial=4)
    (spread, chosen) = made.ask(2)
    assert spread == spread_of(made, 4)[3]
    assert chosen[0] == pytest.approx(0.75, abs=1e-3)
    assert made.pending == [spread, chosen]
    assert GainOf.made.base == pytest.approx(sorted([0.1, 0.2, 0.3, spread[0]]), abs=1e-4)
    assert GainOf.made.room == 1


def test_with_fewer_than_three_readings_nothing_is_learned():
    made = optimizer(LINE, (0.1, 0.2, 0.3, 0.4), [1.0, None, 2.0, None])
    assert made.ask(2) == spread_of(made, 6)[4:]
    made = optimizer(LINE, (0.1, 0.2, 0.3, 0.4), [1.0, None, 2.0, 3.0])
    assert made._spread(2) == []


# ------------------------------------------------------------------ gain


def test_a_gain_is_made_of_what_was_learned_and_of_the_most_promising_points():
    """Of 41 points told the worst is no incumbent, nor the one that failed; pending ones are."""
    x = [float(v) for v in np.linspace(0.0, 0.8, MOST_INCUMBENTS + 1)]
    knows = Learned(
        Stated(lambda x: x, name="function"), (Stated(-9.0, name="one"), Stated(-9.0)), None
    )
    given = {"constraint": [(-1.0, -1.0)] * len(x) + [None]}
    values = [0.0] * len(x) + [None]
    made = optimizer(LINE, (*x, 0.95), values, knows, **given)
    made.pending.append([1.0])
    made._gainful(2, [[0.9]])
    found = GainOf.made
    assert (found.objective, found.constraints) == ("function", ["one", "f"])
    assert found.base == pytest.approx([*x[:-1], 0.9, 1.0])
    assert (found.room, found.seed) == (2, made._seed)


def test_picks_have_the_highest_gain_of_what_is_neither_tried_nor_pending():
    made = optimizer(FEW, (3, 4, 4))
    made.pending.append([2])
    assert made._gainful(2, []) == [[1], [0]]
    assert GainOf.made.picked == [0.25, 0.0]


def test_where_all_was_tried_the_best_that_is_not_pending_is_repeated():
    made = optimizer(FEW, (0, 1, 2, 3, 4))
    made.pending.append([3])
    assert made._gainful(3, [[4]]) == [[2], [1], [0]]
    with pytest.raises(LimitError, match="remove points from 'pending'") as refused:
        made._gainful(4, [[4]])
    assert refused.value.as_dict()["code"] == "nothing-new"


@pytest.mark.parametrize(
    ("chance", "expected"),
    [
        # The chance weighs: 0 or -25 by distance, less the chance's logarithm.
        (lambda x: np.where(x == 0.75, np.exp(-24.0), 1.0), 2),
        (lambda x: np.where(x == 0.75, 0.5, 1.0), 3),
        (lambda x: np.where(x == 0.75, 0.49, 0.51), 2),
        # Where all are likely to fail, the likeliest to work is tried.
        (lambda x: np.where(x == 0.25, 0.4, 0.3), 1),
    ],
)
def test_trials_that_are_likely_to_fail_come_last(chance, expected):
    knows = Learned(Stated(lambda x: x), (), Works(chance))
    made = optimizer(FEW, (4, 4, 4), knows=knows)
    assert made._gainful(1, []) == [[expected]]


def test_the_search_starts_around_the_most_promising_points(monkeypatch):
    asked = {}

    def best(score, near, taken, rng):
        asked.update(near=near.ravel().tolist(), taken=taken.ravel().tolist())
        return np.array([0])

    made = optimizer(FEW, (4, 2, 0, 1, 3, 3))
    monkeypatch.setattr(made._lattice, "best", best)
    made._gainful(1, [[2]])
    assert asked["near"] == [0, 1, 2, 3, 3]
    assert len(asked["near"]) == STARTS
    assert asked["taken"] == [4, 2, 0, 1, 3, 3, 2]


def test_points_are_promising_by_two_standard_deviations_of_each_constraint_and_one_of_the_mean():
    points = np.array([[0.0], [0.1], [0.2], [0.3]])
    worst_first = Stated(lambda x: -x)
    assert _promising(Learned(worst_first, (), None), points).tolist() == [3, 2, 1, 0]
    # The uncertain one may be lowest.
    unsure = Stated(0.0, lambda x: np.where(x == 0.1, 0.5, 0.1))
    assert _promising(Learned(unsure, (), None), points).tolist() == [1, 0, 2, 3]
    # 0.2 = 2 x 0.1 may still be met, 0.3 not; both constraints are asked.
    one, two = Stated(lambda x: np.round(x, 9), 0.1), Stated(lambda x: np.where(x == 0.1, 9.0, 0.0))
    assert _promising(Learned(worst_first, (one,), None), points).tolist() == [2, 1, 0, 3]
    assert _promising(Learned(worst_first, (one, two), None), points).tolist() == [2, 0, 3, 1]


def test_points_are_found_and_models_answered_on_one_thread(monkeypatch):
    """On several threads sums in another order would round differently."""
    threads = []
    made = optimizer(FEW, (4, 4, 4))
    knows = made._learned[1]

    def model():
        threads.extend(each["num_threads"] for each in threadpool_info())
        return knows

    monkeypatch.setattr(made, "_model", model)
    with threadpool_limits(2):
        made.ask()
        made.get_result()
    assert len(threads) >= 2
    assert set(threads) == {1}


# ------------------------------------------------------------------ learning


class Fitted(BaseEstimator):
    """An estimator that keeps what it is fitted to."""

    def __init__(self, *, trend=None, noise="estimated", bounds=None, random_state=None):
        self.trend, self.noise, self.bounds, self.random_state = trend, noise, bounds, random_state

    def fit(self, X, y, variance=None):
        self.given = X.ravel().tolist(), y.tolist(), None if variance is None else variance.tolist()
        return self


@pytest.fixture
def recorded(monkeypatch):
    state = SimpleNamespace(fit=lambda X, worked: (X.ravel().tolist(), worked.tolist()))
    warp = SimpleNamespace(fitted=lambda y: ("warp of", y.tolist()))
    monkeypatch.setattr(ask_tell, "SurrogateRegressor", Fitted)
    monkeypatch.setattr(ask_tell, "Warp", warp)
    monkeypatch.setattr(
        ask_tell,
        "WarpedRegressor",
        lambda regressor, warp: SimpleNamespace(fit=lambda *given: (regressor, warp, given)),
    )
    monkeypatch.setattr(ask_tell, "deck_state_of", lambda given: given or state)


def test_models_learn_from_the_trials_that_gave_a_reading(recorded):
    made = optimizer(FEW, (0, 4, 2), [5.0, None, 7.0], noise=[0.1, None, 0.3],
                     constraint=[(1.0, 2.0), None, (3.0, 4.0)])  # fmt: skip
    learned = made._fitted()
    regressor, warp, (X, y, variance) = learned.objective
    assert (X.ravel().tolist(), y.tolist(), warp) == ([0.0, 0.5], [5.0, 7.0], ("warp of", [5, 7]))
    assert variance == pytest.approx([0.01, 0.09])
    assert (regressor.noise, regressor.trend) == ("known", "constant")
    assert (regressor.bounds.tolist(), regressor.random_state) == ([[0.0, 1.0]], made._seed)
    first, second = learned.constraints
    assert first.given == ([0.0, 0.5], [1.0, 3.0], None)
    assert second.given == ([0.0, 0.5], [2.0, 4.0], None)
    assert (first.noise, first.trend) == ("estimated", "constant")
    assert learned.works == ([0.0, 1.0, 0.5], [True, False, True])


def test_an_error_that_one_reading_lacks_is_estimated_and_without_failures_nothing_fails(recorded):
    learned = optimizer(FEW, (0, 4), noise=[0.1, None])._fitted()
    regressor, _, (_, _, variance) = learned.objective
    assert regressor.noise == "estimated"
    assert variance == pytest.approx([0.01, 0.0])
    assert (learned.constraints, learned.works) == ((), None)


def test_models_are_fitted_once_for_each_number_of_trials(recorded):
    made = optimizer(FEW, (0, 4))
    made._learned = None
    first = made._model()
    assert made._model() is first
    made.tell([2], 1.0, fit=False)
    assert made._model() is not first


# ------------------------------------------------------------------ answering


def answered(points, values, knows=None, **told):
    made = optimizer(LINE, points, values, knows, **told)
    return made.get_result()


def test_a_model_is_answered_as_soon_as_there_are_enough_readings_and_trials():
    def models(values, initial, **how):
        points = [0.1 * k for k in range(len(values))]
        return optimizer(LINE, points, values, initial=initial).get_result(**how).models

    knows = models([1.0, 2.0, 3.0], 3)
    assert len(knows) == 1
    assert isinstance(knows[0], Stated)
    assert models([1.0, 2.0, 3.0], 4) == []
    assert models([1.0, 2.0, None], 3) == []
    assert models([1.0, 2.0, 3.0], 3, fit=False) == []
    made = optimizer(LINE, (0.1, 0.2), initial=3)
    made._learned = 3, Learned(Stated(lambda x: x), (), None)
    assert len(made.tell([0.3], 1.0).models) == 1


def test_the_answer_holds_what_was_told():
    result = answered((0.1, 0.2, 0.3), [3.0, None, 1.0], constraint=[-1.0, None, 0.5],
                      noise=[0.1, None, 0.2])  # fmt: skip
    assert result.x_iters == [[0.1], [0.2], [0.3]]
    assert result.func_vals.tolist() == [3.0, np.inf, np.inf]
    assert (result.x, result.fun) == ([0.1], 3.0)
    assert result.readings == pytest.approx([3.0, np.nan, 1.0], nan_ok=True)
    assert result.noise == [0.1, None, 0.2]
    assert result.constraints == [(-1.0,), (), (0.5,)]
    assert result.specs["args"]["n_random_starts"] == 0
    assert result.specs["args"]["acq_func"] == "EI"


def test_several_points_are_told_at_once_and_are_pending_no_more():
    made = optimizer(LINE)
    made.pending += [[0.1], [0.2], [0.3]]
    made.tell([[0.3], [0.7]], [1.0, 2.0], fit=False)
    assert (made.Xi, made.yi, made.pending) == ([[0.3], [0.7]], [1.0, 2.0], [[0.1], [0.2]])
    with pytest.raises(InputError, match="trials have 0 and 2 constraints"):
        made.tell([0.5], 1.0, constraint=(-1.0, -1.0))
    made.tell([0.5], None, constraint=(-1.0, -1.0))
    assert len(made.told) == 3


SURELY = 0.1 * norm.ppf(0.91)
"""By how much less than 0 a constraint of error 0.1 must be to be met with 91 %."""


def test_the_best_is_expected_to_be_lowest_among_those_that_surely_meet_the_constraints():
    points, values = (0.1, 0.2, 0.3, 0.4), [1.0, 2.0, 3.0, 0.0]

    def best(constraint, mean=lambda x: -x, told=-1.0, two=-9.0):
        constraints = Stated(constraint), Stated(two)
        return answered(points, values, Learned(Stated(mean), constraints, None),
                        constraint=[(told, told)] * 3 + [(1.0, -1.0)])  # fmt: skip

    # All are sure: the model's lowest, whose own reading is told, but not one that breaks one.
    assert (best(-9.0).x, best(-9.0).fun) == ([0.3], 3.0)
    # By one constraint, and by the product of two of which each would do.
    assert best(lambda x: np.where(x == 0.3, -SURELY / 2, -SURELY)).x == [0.2]
    assert best(lambda x: np.where(x == 0.3, -SURELY, -9.0), two=-SURELY).x == [0.2]
    # Where none is sure, the likeliest.
    assert best(lambda x: np.where(x == 0.1, -0.05, 0.0)).x == [0.1]


def test_without_constraints_or_a_model_the_lowest_reading_is_the_best():
    points, values = (0.1, 0.2, 0.3), [1.0, 0.5, 3.0]
    knows = Learned(Stated(lambda x: -x), (Stated(-9.0),), None)
    assert answered(points, values, knows).x == [0.2]
    assert answered(points, values, knows, constraint=[-1.0] * 3).x == [0.3]
    made = optimizer(LINE, points, values, knows, constraint=[-1.0] * 3)
    assert made.get_result(fit=False).x == [0.2]
    none = answered(points, values, knows, constraint=[2.0, 1.0, 3.0])
    assert (none.x, none.fun) == ([0.2], np.inf)


def test_what_is_asked_for_alone_is_a_point_and_several_are_a_list():
    made = optimizer(FEW, (4, 4, 4))
    assert made.ask() == [3]
    assert made.ask(1) == [[2]]
    assert made.ask(2) == [[1], [0]]
    assert made.pending == [[3], [2], [1], [0]]
    with pytest.raises(InputError, match="-1 was given"):
        made.ask(-1)
