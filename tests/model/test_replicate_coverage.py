"""Intervals at settings that were run again and again, with counted and weighed readings."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from optimizer.measurement import RunReadings
from optimizer.measurement.joint_errors import JointErrors
from optimizer.model.coordinates import from_latent, log_odds
from optimizer.model.surrogate import Surrogate
from optimizer.plant.settings import GRAVITY_TABLE
from tests.model.fitted_pairs import COUPLED
from tests.model.simulated_runs import deck

HISTORIES, REPEATS, SINGLE = 20, 8, 10
FEED, COUNT, RECOVERY_SE, NOISE = 0.9, 200, 0.004, 0.1
FEED_ODDS = float(log_odds(FEED))
# Two settings far apart, so that what is learned at one hardly informs the other.
OFTEN = np.array([[0.45, 0.35, 0.4, 0.6, 0.3], [0.3, 0.55, 0.8, 0.35, 0.6]])


def history(seed, kind):
    """A fit to 10 single runs and 8 repeats at each of two settings, and the repeated recoveries.

    Args:
        seed: seed of the history.
        kind: ``counts`` states the count of the grade and the error of the recovery; ``feed`` also
            has a feed grade that was counted among 600 particles of each run; ``unstated`` states
            no error.
    """
    rng = np.random.default_rng(seed)
    X = np.vstack([np.repeat(OFTEN, REPEATS, axis=0), rng.random((SINGLE, 5))])
    S, C = (y + NOISE * rng.standard_normal(len(X)) for y in deck(X))
    grade, recovery = from_latent(S, C, FEED_ODDS)
    read = rng.binomial(COUNT, grade) / COUNT
    weighed = np.clip(recovery + RECOVERY_SE * rng.standard_normal(len(X)), 0.0, 1.0)
    odds, stated = np.full(len(X), FEED_ODDS), {}
    if kind != "unstated":
        stated = {"recovery_se": RECOVERY_SE, "grade_count": float(COUNT)}
    if kind == "feed":
        feed = rng.binomial(600, FEED, len(X)) / 600
        odds = log_odds(feed)
        stated["joint"] = JointErrors(feed_grade=feed, feed_grade_count=600.0)
    readings = RunReadings.from_shares(read, weighed, **stated).with_usual_errors()
    model = Surrogate(GRAVITY_TABLE.names, coordinates=COUPLED).fit(X, readings, odds)
    return model, weighed[: 2 * REPEATS].reshape(2, REPEATS)


@pytest.mark.parametrize("kind", ["counts", "feed", "unstated"])
def test_intervals_at_repeated_settings_cover_the_truth_and_are_not_wide(kind):
    """90 % intervals of true grade and recovery at 40 settings with 8 repeats each.

    The number of intervals that hold the truth lies in the central 98 % of the binomial
    distribution with a chance of 0.9 (SciPy, ``binom.interval``), which only intervals that are too
    narrow can leave. Against intervals that are too wide, that of the recovery is on average at
    most twice Student's interval of the mean of the repeats alone, which knows neither the stated
    errors nor any other run.
    """
    inside, width, own = {"grade": 0, "recovery": 0}, [], []
    truth = dict(zip(("grade", "recovery"), from_latent(*deck(OFTEN), FEED_ODDS), strict=True))
    for seed in range(HISTORIES):
        model, repeats = history(seed, kind)
        found = model.predict(OFTEN, FEED_ODDS)
        for name, true in truth.items():
            estimate = getattr(found, name)
            inside[name] += int(np.sum((estimate.low <= true) & (true <= estimate.high)))
        width += (found.recovery.high - found.recovery.low).tolist()
        sem = repeats.std(axis=1, ddof=1) / np.sqrt(REPEATS)
        own += (2.0 * stats.t.ppf(0.95, REPEATS - 1) * sem).tolist()
    low, high = stats.binom.interval(0.98, 2 * HISTORIES, 0.9)
    assert np.mean(width) < 2.0 * np.mean(own)
    for name, hits in inside.items():
        assert low <= hits <= high, name
