"""Errors of readings that state none: learned from all readings, and left alone where stated."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, logit

from optimizer.measurement import RunReadings
from optimizer.model import unstated_errors
from optimizer.model.coordinates import from_latent
from optimizer.model.surrogate import Surrogate

FEED_ODDS = float(logit(0.9))
COUNTED = 500


def fitted(recovery_sd: float, stated: bool) -> Surrogate:
    """A fit to 40 set-points of two runs each: a counted grade, and a recovery of this error."""
    rng = np.random.default_rng(4)
    X = np.repeat(rng.random((40, 2)), 2, axis=0)
    S, C = 4.0 - 3.0 * (X[:, 0] - 0.4) ** 2, 0.5 + 1.5 * (X[:, 1] - 0.5)
    grade, recovery = from_latent(S, C, FEED_ODDS)
    counted = rng.binomial(COUNTED, grade) / COUNTED
    weighed = np.clip(recovery + recovery_sd * rng.standard_normal(len(X)), 0.0, 1.0)
    se = recovery_sd if stated else np.nan
    readings = RunReadings.from_shares(counted, weighed, recovery_se=se, grade_count=COUNTED)
    return Surrogate(members=1).fit(X, readings.with_usual_errors(), FEED_ODDS)


def noise_of_recovery(model: Surrogate) -> float:
    """Standard deviation of one reading of the recovery beyond stated errors, a fraction."""
    S, C = (x.mean() for x in model.latent_readings_)
    share = expit(0.5 * (S + C))
    return float(share * (1.0 - share) * np.sqrt(0.25 * model.noise_covariance().sum()))


@pytest.mark.parametrize("needed", [True, False])
@pytest.mark.parametrize("sd", [0.005, 0.02])
def test_an_unstated_error_of_the_recovery_counts_as_noise(sd, needed, monkeypatch):
    """A standard deviation from 40 differences of two runs has a relative error of 11 % (the square
    root of 1 over twice the number); the tolerance is two of them. Where the
    estimated noise of the process accounts for the scatter, no error is learned unless it must be.
    """
    if needed:
        monkeypatch.setattr(unstated_errors, "LEAST_EVIDENCE", -np.inf)
    model = fitted(sd, stated=False)
    assert model.learned_error_.any() == needed
    assert noise_of_recovery(model) == pytest.approx(sd, rel=0.22)


def test_a_stated_error_is_not_learned_again(monkeypatch):
    monkeypatch.setattr(unstated_errors, "LEAST_EVIDENCE", -np.inf)
    assert not fitted(0.02, stated=True).learned_error_.any()
