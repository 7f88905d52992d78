"""Effects of time against statsmodels, where the deck itself is known to be constant.

Sources: ``statsmodels.regression.mixed_linear_model.MixedLM`` for random effects of days, and
``statsmodels.tsa.statespace.structural.UnobservedComponents`` for a local level, on the annual flow
of the Nile (``statsmodels.datasets.nile``), the example of Durbin & Koopman, Time Series Analysis
by State Space Methods, 2nd ed. 2012, chapter 2.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm

from optimizer.time_effects.occasions import DAY, SLOW
from optimizer.time_effects.spread import Search, Spread
from tests.time_effects.cases import by_day, constant_deck

DAYS, SD, ERROR = 40, 0.3, 0.2


@pytest.fixture(scope="module")
def days():
    """Runs on 40 days, 1 to 5 a day, with an effect of the day: readings and number of the day."""
    rng = np.random.default_rng(3)
    day = np.repeat(np.arange(DAYS), 1 + rng.integers(5, size=DAYS))
    effect = SD * rng.standard_normal((2, DAYS))
    return 1.0 + effect[:, day] + ERROR * rng.standard_normal((2, len(day))), day


def mixed(y, day):
    """The mixed model of one quantity, by restricted maximum likelihood."""
    return sm.MixedLM(y, np.ones((len(y), 1)), groups=day).fit(reml=True)


def test_variances_of_days_are_those_of_a_mixed_model(days):
    """At the error that the mixed model estimates, the variance of highest likelihood is its own:
    the level of the deck is not known, which is what restricted likelihood means."""
    read, day = days
    fits = [mixed(y, day) for y in read]
    information = constant_deck(read, np.array([f.scale for f in fits]), day)
    found, _ = Search(information, by_day(day).cells, (DAY,), np.inf).mode(Spread())
    expected = [float(np.asarray(f.cov_re)[0, 0]) for f in fits]
    np.testing.assert_allclose(found.sd[DAY] ** 2, expected, rtol=2e-3)


def test_effects_of_days_are_those_of_a_mixed_model(days):
    read, day = days
    fits = [mixed(y, day) for y in read]
    information = constant_deck(read, np.array([f.scale for f in fits]), day)
    sd = np.sqrt([float(np.asarray(f.cov_re)[0, 0]) for f in fits])
    H = Spread({DAY: sd}).covariance(by_day(day).cells)[:, :DAYS, :DAYS]
    found = np.einsum("qij,qj->qi", H, information.known(H).pulled)
    for q, fit in enumerate(fits):
        effects = [float(np.asarray(fit.random_effects[k])[0]) for k in range(DAYS)]
        np.testing.assert_allclose(found[q], effects, atol=1e-5)


LONG = np.log(1e5)
"""Logarithm of years so long that the slow component is a random walk over a century."""


@pytest.fixture(scope="module")
def nile():
    """Flow of the Nile in 1871 to 1970, in 1e9 cubic meters, and its local level model."""
    flow = sm.datasets.nile.load_pandas().data["volume"].to_numpy()
    return flow / 10.0, sm.tsa.UnobservedComponents(flow / 10.0, "local level")


def of_level(level):
    """The spread of a slow component whose steps from year to year have a variance."""
    sd = np.sqrt(level * np.exp(LONG) / 2.0)
    return Spread({SLOW: np.full(2, sd)}, float(LONG))


# Durbin & Koopman report the variances 15099 (irregular) and 1469 (level) at maximum likelihood,
# in units of 1e8 cubic meters.
IRREGULAR, LEVEL = 150.99, 14.69


def test_the_slow_component_of_the_nile_is_its_local_level(nile):
    flow, model = nile
    years = np.arange(len(flow))
    read = np.array([flow, flow])
    information = constant_deck(read, np.full(2, IRREGULAR), years)
    size = len(flow)
    H = of_level(LEVEL).covariance(by_day(years).cells)[:, :size, :size]
    effect = np.einsum("qij,qj->qi", H, information.known(H).pulled)[0]
    level = effect + np.mean(flow - effect)
    smoothed = model.smooth([IRREGULAR, LEVEL]).smoothed_state[0]
    np.testing.assert_allclose(level, smoothed, atol=0.02)
    assert np.ptp(smoothed) > 30.0


def test_the_likelihood_of_levels_of_the_nile_is_that_of_the_local_level(nile):
    flow, model = nile
    years = np.arange(len(flow))
    information = constant_deck(np.array([flow, flow]), np.full(2, IRREGULAR), years)
    size = len(flow)
    gains, expected = [], []
    for level in (0.2 * LEVEL, LEVEL, 5.0 * LEVEL):
        H = of_level(level).covariance(by_day(years).cells)[:, :size, :size]
        # Both quantities hold the same flow.
        gains.append(0.5 * information.known(H).gain)
        expected.append(model.loglike([IRREGULAR, level]))
    np.testing.assert_allclose(np.diff(gains), np.diff(expected), atol=0.02)
    assert expected[1] == max(expected)
