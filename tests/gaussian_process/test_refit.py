"""A refitted model predicts from the new fit, also at inputs that it has seen before."""

from __future__ import annotations

import pickle
from copy import deepcopy

import numpy as np
import pytest

from optimizer.gaussian_process.estimation import Given
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.measurement import RunReadings
from optimizer.model.deck_prior import Steepness
from optimizer.model.joint import JointPair
from optimizer.model.shared_error import SharedError
from optimizer.model.surrogate import Surrogate

CHANGES = {
    "trend": {"mean": Mean("quadratic")},
    "trend variance": {"mean": Mean("linear", variance=2.0)},
    "level": {"mean": Mean("linear", level=3.0)},
    "coordinates": {"kernel": Kernel(coordinates=np.square)},
    "weight": {"kernel": Kernel(weight=lambda A: 0.5 + A[:, 0])},
    "another weight": {"kernel": Kernel(weight=lambda A: 0.5 + A[:, 1])},
}
GIVEN = Given((0.0, 0.0, 0.0, -3.0))


@pytest.mark.parametrize("change", CHANGES)
def test_a_process_fitted_again_does_not_use_results_of_its_old_parts(change):
    rng = np.random.default_rng(0)
    X, y = rng.random((15, 2)), rng.standard_normal(15)
    inputs = Inputs(rng.random((6, 2)))
    kernel = Kernel(weight=lambda A: 1.0 + A[:, 0]) if change == "another weight" else Kernel()
    model = GaussianProcess(kernel, Mean("linear"), hyperparameters=GIVEN).fit(X, y)
    before = model.predict(inputs)
    fresh = GaussianProcess(mean=Mean("linear"), hyperparameters=GIVEN)
    fresh.set_params(**CHANGES[change])
    expected = fresh.fit(X, y).predict(Inputs(inputs.values))
    found = model.set_params(**CHANGES[change]).fit(X, y).predict(inputs)
    np.testing.assert_array_equal(found, expected)
    assert np.max(np.abs(found - before)) > 1e-3


def test_a_surrogate_fitted_again_uses_its_new_seed():
    rng = np.random.default_rng(0)
    X, read = rng.random((15, 2)), RunReadings.from_logits(*rng.standard_normal((2, 15)))
    A, odds = rng.random((6, 2)), 1.0
    model = Surrogate(members=1).fit(X, read, odds)
    before = model.predict(A, odds).grade.low
    found = model.set_params(random_state=7).fit(X, read, odds).predict(A, odds).grade.low
    expected = Surrogate(members=1, random_state=7).fit(X, read, odds).predict(A, odds).grade.low
    np.testing.assert_array_equal(found, expected)
    assert np.max(np.abs(found - before)) > 0.0


def test_posteriors_weights_and_pairs_are_compared_by_value():
    """Equal parts and readings give equal posteriors, weights and pairs, whichever object holds
    them; another reading, hyperparameter or error gives others."""
    rng = np.random.default_rng(0)
    X, y = rng.random((15, 2)), rng.standard_normal(15)
    other = y + 1e-12 * np.eye(15)[3]

    def posterior(y, vector=GIVEN.vector):
        gp = GaussianProcess(hyperparameters=Given(vector)).fit(X, y)
        return gp.posteriors_[0]

    one, same = posterior(y), posterior(y.copy())
    assert one is not same
    error, none = SharedError(np.full(15, 0.1), np.zeros(15)), SharedError(*np.zeros((2, 15)))
    assert error == SharedError(np.full(15, 0.1), np.zeros(15))
    assert hash(error) == hash(SharedError(np.full(15, 0.1), np.zeros(15)))
    for make in (lambda p: p, lambda p: Steepness((p,)), lambda p: JointPair(p, p, error)):
        assert make(one) == make(same)
        assert hash(make(one)) == hash(make(same))
        assert make(one) != make(posterior(other))
        assert make(one) != make(posterior(y, (0.0, 0.0, 0.0, -3.5)))
    inputs = Inputs(rng.random((4, 2)))
    moments = JointPair(one, one, error).moments(inputs)
    assert moments is JointPair(same, same, error).moments(inputs)
    for others in (
        (one, posterior(other), error),
        (one, one, none),
        (one, one, error.correlated(0.5)),
        (one, one, error, True),
    ):
        assert JointPair(*others) != JointPair(one, one, error)
        assert JointPair(*others).moments(inputs) is not moments


def test_a_fitted_model_can_be_copied():
    """The copy also works when the weight of the model is a key in its stored results."""
    rng = np.random.default_rng(0)
    X, y = rng.random((15, 2)), rng.standard_normal(15)
    first = GaussianProcess(hyperparameters=GIVEN).fit(X, y)
    weight = Steepness(tuple(first.stacks()))
    model = GaussianProcess(Kernel(weight=weight), hyperparameters=GIVEN).fit(X, y)
    model.predict(first.posteriors_[0].points)
    copied, pickled = deepcopy(model), pickle.loads(pickle.dumps(model))
    for again in (copied, pickled):
        assert again.posteriors_[0] == model.posteriors_[0]
        np.testing.assert_array_equal(again.predict(X), model.predict(X))
