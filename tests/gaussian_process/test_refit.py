"""A model that is fitted again answers from the new fit, also at inputs that it answered before."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.gaussian_process.kernels import Inputs
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.model.surrogate import Surrogate

CHANGES = {
    "trend": {"trend": "quadratic"},
    "trend variance": {"trend_variance": 2.0},
    "level": {"level": 3.0},
    "coordinates": {"view": np.square},
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_process_fitted_again_forgets_its_old_trend(change):
    rng = np.random.default_rng(0)
    X, y = rng.random((15, 2)), rng.standard_normal(15)
    inputs = Inputs(rng.random((6, 2)))
    model = GaussianProcess("linear", theta=[0.0, 0.0, 0.0, -3.0]).fit(X, y)
    before = model.predict(inputs)
    fresh = GaussianProcess("linear", theta=[0.0, 0.0, 0.0, -3.0]).set_params(**CHANGES[change])
    expected = fresh.fit(X, y).predict(Inputs(inputs.values))
    found = model.set_params(**CHANGES[change]).fit(X, y).predict(inputs)
    np.testing.assert_array_equal(found, expected)
    assert np.max(np.abs(found - before)) > 1e-3


def test_a_surrogate_fitted_again_draws_by_its_new_seed():
    rng = np.random.default_rng(0)
    X, logits = rng.random((15, 2)), rng.standard_normal((2, 15))
    A, odds = rng.random((6, 2)), 1.0
    model = Surrogate(members=1).fit(X, *logits, odds)
    before = model.predict(A, odds).grade.low
    found = model.set_params(random_state=7).fit(X, *logits, odds).predict(A, odds).grade.low
    expected = Surrogate(members=1, random_state=7).fit(X, *logits, odds).predict(A, odds).grade.low
    np.testing.assert_array_equal(found, expected)
    assert np.max(np.abs(found - before)) > 0.0
