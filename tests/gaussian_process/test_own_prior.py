"""Decks drawn from the model's own prior: there, what the model says must come true as often as it
says, also at points that were chosen because of what it says (Bayes' theorem; Cook, Gelman & Rubin,
J. Comput. Graph. Stat. 15, 2006, 675).

Nothing here is about decks: a failure is a mistake in the mathematics or in the search for
hyperparameters. Each check states its false-alarm rate, decks being independent.
"""

from __future__ import annotations

from functools import cache
from typing import Any, NamedTuple

import numpy as np
import pytest
from scipy.special import ndtr
from scipy.stats import norm

from optimizer.gaussian_process.estimation import Estimated
from optimizer.gaussian_process.hyperparameters import Hyperparameters, NormalPrior
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.noise import Noise
from optimizer.gaussian_process.prior import Prior
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.interop.gain import Gain

pytestmark = pytest.mark.proof

DECKS, RUNS, ELSEWHERE, SETTINGS = 600, 10, 60, 2
KERNEL = Kernel(NormalPrior(-0.4, 0.6), NormalPrior(0.5, 0.7))
MEAN = Mean("linear", variance=0.3, level=0.0)
NOISE = Noise(NormalPrior(-3.0, 1.0))
KNOWN_VARIANCE = 0.05
FALSE_ALARM = 1e-3
"""Of each check, two-sided, by the normal approximation over decks."""
Z = float(norm.ppf(1.0 - FALSE_ALARM / 2.0))


class Deck(NamedTuple):
    """What the model said of one deck, and what was true."""

    inside: float
    chance: np.ndarray
    met: np.ndarray
    best_chance: float
    best_met: bool
    gain: float
    gained: float


def drawn(seed: int) -> tuple[Any, ...]:
    """Points, the true values there, and readings at the first of them, all from the prior."""
    rng = np.random.default_rng((16, seed))
    h = Hyperparameters(
        KERNEL.length_scale.center + KERNEL.length_scale.sd * rng.standard_normal(SETTINGS),
        np.array(KERNEL.variance.center + KERNEL.variance.sd * rng.standard_normal()),
        np.array(NOISE.prior.center + NOISE.prior.sd * rng.standard_normal()),
    )
    X = rng.random((RUNS + ELSEWHERE, SETTINGS))
    A = Inputs(X)
    covariance = Prior(KERNEL, MEAN).covariance(h, A, A) + 1e-9 * np.eye(len(X))
    true = np.linalg.cholesky(covariance) @ rng.standard_normal(len(X))
    error = np.sqrt(KNOWN_VARIANCE + np.exp(h.log_noise)) * rng.standard_normal(RUNS)
    return X, true, true[:RUNS] + error, rng


@cache
def decks() -> list[Deck]:
    return [told(seed) for seed in range(DECKS)]


def told(seed: int) -> Deck:
    X, true, readings, _ = drawn(seed)
    process = GaussianProcess(
        KERNEL, MEAN, NOISE, scale="none", hyperparameters=Estimated(16), random_state=seed
    )
    process.fit(X[:RUNS], readings, known_variance=np.full(RUNS, KNOWN_VARIANCE))
    mean, sd = process.predict(X[RUNS:], return_std=True)
    there, limit = true[RUNS:], float(np.median(readings))
    inside = np.abs(there - mean) <= norm.ppf(0.95) * sd
    posterior = process.stacks()[0]
    each, V = posterior.project(Inputs(X[RUNS:]))
    variance = posterior.variance(Inputs(X[RUNS:])) - np.sum(V * V, axis=-2)
    chance = ndtr((limit - each) / np.sqrt(variance)).mean(axis=0)
    best = int(np.argmax(chance))
    gain = Gain(process, (), X[:RUNS], 1, seed)
    log_gain = gain.log_gain(X[RUNS:])
    wanted = int(np.argmax(log_gain))
    gained = max(float(true[:RUNS].min() - there[wanted]), 0.0)
    return Deck(
        float(inside.mean()),
        chance,
        there <= limit,
        float(chance[best]),
        bool(there[best] <= limit),
        float(np.exp(log_gain[wanted])),
        gained,
    )


def off(differences: Any) -> float:
    """Mean of differences of independent decks over its standard error."""
    found = np.asarray(differences, dtype=float)
    return float(found.mean() / (found.std(ddof=1) / np.sqrt(len(found))))


def test_intervals_cover_what_they_say():
    assert np.mean([d.inside for d in decks()]) == pytest.approx(0.9, abs=0.02)


def test_chances_come_true():
    assert abs(off([np.mean(d.met - d.chance) for d in decks()])) < Z
    # In each fifth of what was said, too, where points of one deck count once.
    for low in np.arange(0.0, 1.0, 0.2):
        rows = [
            np.mean((d.met - d.chance)[(low <= d.chance) & (d.chance < low + 0.2)])
            for d in decks()
            if ((low <= d.chance) & (d.chance < low + 0.2)).any()
        ]
        assert abs(off(rows)) < Z, low


def test_the_chance_of_the_point_that_was_chosen_for_it_comes_true():
    assert abs(off([d.best_met - d.best_chance for d in decks()])) < Z


def test_the_gain_of_the_trial_that_was_chosen_for_it_is_gained():
    assert abs(off([d.gained - d.gain for d in decks()])) < Z
