"""Readings that are wrong hardly move the model, and correct ones keep their weight."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.model.wrong_readings import FEWEST_RUNS
from tests.model.simulated_runs import FEED_ODDS, fit, measured

ASK = np.random.default_rng(99).random((60, 5))


def history(n, seed):
    rng = np.random.default_rng(seed)
    X = rng.random((n, 5))
    return X, *measured(X, rng)


def shift(one, other):
    """Largest change of a mean prediction, in posterior standard deviations of the second fit."""
    found = []
    for name in ("grade", "recovery"):
        a, b = (getattr(model.predict(ASK, FEED_ODDS), name) for model in (one, other))
        found.append(np.max(np.abs(a.mean - b.mean) / ((b.high - b.low) / (2 * 1.645))))
    return max(found)


@pytest.mark.parametrize("slip", ["1.2 % for 98.8 %", "a tenth of the recovery"])
@pytest.mark.parametrize(("n", "seed"), [(24, 0), (48, 2)])
def test_a_slip_in_one_reading_hardly_moves_the_predictions(slip, n, seed):
    """Paired with the fit to the other runs alone: no prediction of grade or recovery at 60 other
    settings moves by half a posterior standard deviation."""
    X, grade, recovery = history(n, seed)
    k = int(np.argsort(grade)[-2])
    others = np.arange(n) != k
    without = fit(X[others], grade[others], recovery[others])
    if slip == "1.2 % for 98.8 %":
        grade[k] = 1.0 - grade[k]
    else:
        recovery[k] *= 0.1
    found = fit(X, grade, recovery)
    assert shift(found, without) < 0.5
    assert np.delete(found.run_weights_, k).min() > 0.5
    if slip == "a tenth of the recovery":
        assert found.run_weights_[k] < 0.01


@pytest.mark.parametrize("n", [FEWEST_RUNS - 1, 12, 30])
def test_correct_runs_keep_their_weight(n):
    """A run is held to be wrong with a prior probability of one in a hundred."""
    for seed in range(3):
        weight = fit(*history(n, seed)).run_weights_
        assert weight.shape == (n,)
        assert weight.min() > 0.5


def test_correct_replicates_keep_their_weight():
    rng = np.random.default_rng(3)
    X = np.repeat(rng.random((10, 5)), 3, axis=0)
    model = fit(X, *measured(X, rng))
    assert model.run_weights_.min() > 0.5
    # The shares of the three runs of a set-point add up to one.
    np.testing.assert_allclose(np.sum(model.share_of_runs_.reshape(10, 3), axis=1), 1.0)


def test_the_wrong_one_of_three_replicates_is_told_from_the_other_two():
    rng = np.random.default_rng(4)
    X = np.repeat(rng.random((10, 5)), 3, axis=0)
    grade, recovery = measured(X, rng)
    recovery[13] *= 0.1
    model = fit(X, grade, recovery)
    assert model.run_weights_[13] < 0.01
    assert np.delete(model.run_weights_, 13).min() > 0.5
    assert model.share_of_runs_[13] < 0.01


@pytest.mark.parametrize(("n", "seed"), [(16, 1), (18, 6)])
def test_weights_settle_where_a_wrong_reading_first_hides_itself(n, seed):
    """The weight of a recovery of a tenth of itself falls slowly at first, by less than 0.1 from
    fit to fit, since the wrong reading also widens the noise of the fit that judges it."""
    X, grade, recovery = history(n, seed)
    k = int(np.argsort(grade)[-2])
    others = np.arange(n) != k
    without = fit(X[others], grade[others], recovery[others])
    recovery[k] *= 0.1
    found = fit(X, grade, recovery)
    assert found.run_weights_[k] < 0.01
    assert shift(found, without) < 0.5
