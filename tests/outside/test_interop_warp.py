"""The scale on which the optimizer of scikit-optimize's loop learns its function, beside scipy."""

import numpy as np
import pytest
from scipy.stats import yeojohnson
from sklearn.preprocessing import PowerTransformer

from optimizer.interop.regressor import SurrogateRegressor
from optimizer.interop.warp import Warp, WarpedRegressor

POWERS = (0.0, 0.3, 1.0)
Y = np.array([-1.0, -0.2, 0.0, 0.4, 3.0, 20.0])


@pytest.mark.parametrize("power", POWERS)
def test_the_transformation_is_scipy_s(power):
    warp = Warp(2.0, 4.0, power)
    assert warp.of(Y) == pytest.approx(yeojohnson((Y - 2.0) / 4.0, power), abs=1e-12)
    assert warp.back(warp.of(Y)) == pytest.approx(Y, abs=1e-12)
    step = 1e-6
    numeric = (warp.of(Y + step) - warp.of(Y - step)) / (2.0 * step)
    assert warp.slope(Y) == pytest.approx(numeric, rel=1e-6)


def test_the_power_is_scikit_learn_s_where_it_compresses_what_is_worse():
    y = np.random.default_rng(0).gamma(1.5, size=200)
    warp = Warp.fitted(y)
    z = ((y - y.mean()) / y.std())[:, None]
    theirs = float(PowerTransformer(standardize=False).fit(z).lambdas_[0])
    assert 0.0 < theirs < 1.0
    assert warp.power == pytest.approx(theirs, abs=2e-3)
    assert (warp.center, warp.spread) == pytest.approx((y.mean(), y.std()))


def test_readings_that_reach_far_down_keep_their_scale_and_far_up_take_the_logarithm():
    y = np.random.default_rng(1).lognormal(sigma=2.0, size=100)
    assert Warp.fitted(-y).power == 1.0
    assert Warp.fitted(y).power == 0.0
    assert Warp.fitted(np.full(5, 3.0)).of(np.array([3.0, 4.0])).tolist() == [0.0, 1.0]


@pytest.mark.parametrize("power", POWERS)
def test_a_prediction_is_that_of_draws_taken_back(power):
    X = np.linspace(0.0, 1.0, 6)[:, None]
    y = np.array([5.0, 2.0, 0.5, 0.2, 4.0, 30.0])
    warp = Warp(5.0, 8.0, power)
    model = WarpedRegressor(SurrogateRegressor(noise="known"), warp).fit(X, y, np.full(6, 0.01))
    at = [[0.1], [0.9]]
    mean, sd = model.predict(at, return_std=True)
    assert model.predict(at).tolist() == mean.tolist()
    center, off = model.regressor.predict(at, return_std=True)
    draws = center + off * np.random.default_rng(2).standard_normal((200_000, 2))
    # Five standard errors of 200,000 draws, a false alarm in two million.
    taken_back = warp.back(draws)
    tolerance = 5.0 * taken_back.std(axis=0) / np.sqrt(200_000)
    assert np.all(np.abs(mean - taken_back.mean(axis=0)) < tolerance)
    assert sd == pytest.approx(taken_back.std(axis=0), rel=0.02)


def test_known_errors_of_readings_are_warped_as_the_readings_are():
    X = np.array([[0.0], [0.5], [1.0]])
    warp = Warp(0.0, 2.0, 0.0)
    y = np.array([-2.0, 0.0, 6.0])  # z = -1, 0 and 3: slopes 2, 1 and 1/4, over the spread
    regressor = SurrogateRegressor(noise="known")
    model = WarpedRegressor(regressor, warp).fit(X, y, np.array([0.04, 0.04, 0.04]))
    readings = model.regressor.process_.readings_
    assert readings.known_variance * readings.spread**2 == pytest.approx(
        np.array([0.04, 0.01, 0.000625])
    )
