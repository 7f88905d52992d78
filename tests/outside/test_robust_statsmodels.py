"""Predictions from a history with wrong readings against robust regression of statsmodels.

Source: ``statsmodels.RLM`` with Tukey's biweight (Beaton & Tukey, Technometrics 16, 1974, 147), and
ordinary least squares, ``statsmodels.OLS``.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy.special import logit

from optimizer.measurement import RunReadings
from optimizer.model.coordinates import from_latent, to_latent
from optimizer.model.surrogate import Surrogate

FEED_ODDS = float(logit(0.8))


@pytest.mark.parametrize("seed", [0, 2, 3])
def test_a_linear_surface_with_wrong_readings_equals_that_of_robust_regression(seed):
    """100 runs of two settings, sharpness and balance linear with a noise of 0.15. Five recoveries,
    all at high values of the first setting, are 2.5 logits too low.

    Over 25 settings ours is on average within two, and everywhere within five, standard errors of
    robust regression; least squares is on average more than three, and somewhere more than seven,
    standard errors away.
    """
    rng = np.random.default_rng(seed)
    X = rng.random((100, 2))
    S = 3.0 + 1.5 * X[:, 0] - X[:, 1] + 0.15 * rng.standard_normal(100)
    C = 1.0 - 0.8 * X[:, 0] + 1.2 * X[:, 1] + 0.15 * rng.standard_normal(100)
    grade, recovery = (logit(share) for share in from_latent(S, C, FEED_ODDS))
    wrong = np.argsort(-X[:, 0])[:25:5]
    recovery[wrong] -= 2.5
    model = Surrogate(members=4).fit(X, RunReadings.from_logits(grade, recovery), FEED_ODDS)
    assert model.run_weights_[wrong].max() < 0.01
    A = np.stack(np.meshgrid(*[np.linspace(0.1, 0.9, 5)] * 2), axis=-1).reshape(-1, 2)
    design, at = sm.add_constant(X), sm.add_constant(A)
    ours = model.latent(A).mean.mean(axis=0)
    for read, mean in zip(to_latent(grade, recovery, FEED_ODDS), ours, strict=True):
        robust = sm.RLM(read, design, M=sm.robust.norms.TukeyBiweight()).fit()
        expected = robust.predict(at)
        se = np.sqrt(np.einsum("ij,jk,ik->i", at, robust.cov_params(), at))
        off = np.abs(mean - expected) / se
        plain = np.abs(sm.OLS(read, design).fit().predict(at) - expected) / se
        assert off.mean() < 2.0
        assert off.max() < 5.0
        assert plain.mean() > 3.0
        assert plain.max() > 7.0
