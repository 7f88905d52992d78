"""Advice to stop on decks drawn from the model's own prior: there, the chance that no settings are
better must come true as often as it says (see ``tests/gaussian_process/test_own_prior.py``).

A deck here is two independent processes, the logits of the shares of wanted and of unwanted
material that reach the product, at some settings with readings and at many without. The settings to
run now are those of the highest mean recovery that are sure of the grade. Each check states its
false-alarm rate, decks being independent.
"""

from __future__ import annotations

from functools import cache
from types import SimpleNamespace
from typing import NamedTuple

import numpy as np
import pytest
from scipy.stats import norm

from optimizer.gaussian_process.estimation import Estimated
from optimizer.gaussian_process.hyperparameters import Hyperparameters, NormalPrior
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.noise import Noise
from optimizer.gaussian_process.prior import Prior
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.model.coordinates import from_latent
from optimizer.model.joint import JointPair, Pair
from optimizer.model.pair_draws import draw_pairs
from optimizer.model.shared_error import SharedError
from optimizer.planning import regret as regrets
from optimizer.planning.objective import RECOVERY
from optimizer.planning.stopping import SURE, advise

pytestmark = pytest.mark.proof

DECKS, RUNS, ELSEWHERE, SETTINGS = 600, 10, 60, 2
MEMBERS, KNOWN_VARIANCE = 16, 0.01
KERNEL = Kernel(NormalPrior(0.2, 0.4), NormalPrior(-0.5, 0.5))
NOISE = Noise(NormalPrior(-4.0, 0.7))
MEANS = Mean("linear", variance=0.3, level=1.0), Mean("linear", variance=0.3, level=-2.0)
"""Of the logits of the wanted share and of the unwanted one."""
FEED_ODDS, ASKED, CONFIDENCE = 1.0, 0.96, 0.8
POINT = 0.02
"""A gain in recovery that is too small to continue for."""
Z = float(norm.ppf(1.0 - 1e-3 / 2.0))
"""False alarms of each check: 0.1 %, by the normal approximation over decks."""


class Deck(NamedTuple):
    """The chance that no settings are better, with no widening and as plans tell it, and whether
    none were."""

    chance: float
    told: float
    best: bool


def drawn(
    rng: np.random.Generator, X: np.ndarray, mean: Mean
) -> tuple[np.ndarray, GaussianProcess]:
    """True values of one process at X, shape (n, d), and the process fitted to its runs."""
    h = Hyperparameters(
        KERNEL.length_scale.center + KERNEL.length_scale.sd * rng.standard_normal(SETTINGS),
        np.array(KERNEL.variance.center + KERNEL.variance.sd * rng.standard_normal()),
        np.array(NOISE.prior.center + NOISE.prior.sd * rng.standard_normal()),
    )
    covariance = Prior(KERNEL, mean).covariance(h, Inputs(X), Inputs(X)) + 1e-9 * np.eye(len(X))
    true = mean.level + np.linalg.cholesky(covariance) @ rng.standard_normal(len(X))
    off = np.sqrt(KNOWN_VARIANCE + np.exp(h.log_noise)) * rng.standard_normal(RUNS)
    process = GaussianProcess(
        KERNEL, mean, NOISE, scale="center", hyperparameters=Estimated(MEMBERS)
    )
    known = np.full(RUNS, KNOWN_VARIANCE)
    return true, process.fit(X[:RUNS], true[:RUNS] + off, known_variance=known)


def pair_of(processes: list[GaussianProcess], step: int) -> Pair:
    (first,), (second,) = (process.stacks(step) for process in processes)
    return JointPair(first, second, SharedError(np.zeros(RUNS), np.zeros(RUNS)), apart=True)


def told(seed: int) -> Deck | None:
    """None where no settings are sure of the grade, so that no plan asks."""
    rng = np.random.default_rng((27, seed))
    X = rng.random((RUNS + ELSEWHERE, SETTINGS))
    (a, wanted), (b, unwanted) = (drawn(rng, X, mean) for mean in MEANS)
    processes = [wanted, unwanted]
    normals = rng.standard_normal((MEMBERS, 100, len(X), 2))
    (draws,) = draw_pairs([pair_of(processes, 1)], Inputs(X), normals)
    grade, recovery = from_latent(*draws.values, FEED_ODDS)
    sure = (grade >= ASKED).mean(axis=(0, 1)) >= CONFIDENCE
    if not sure.any():
        return None
    now = int(np.argmax(np.where(sure, recovery.mean(axis=(0, 1)), -1.0)))
    situation = SimpleNamespace(
        evidence=SimpleNamespace(
            inputs_today=lambda index: X[index[:, 0]], feed_odds_today=FEED_ODDS
        ),
        surrogate=SimpleNamespace(
            n_members_=MEMBERS, pairs=lambda step: [pair_of(processes, step)]
        ),
        objective=RECOVERY,
        min_grade=ASKED,
        chance_even=lambda index: np.ones(len(index)),
        seed=seed,
    )
    point, every = np.array([now]), np.arange(len(X))[:, None]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(regrets, "_candidates", lambda situation, point: every)
        as_told = float(np.mean(regrets.regret(situation, point) < POINT))
        patch.setattr(regrets, "SPREAD", 1.0)
        patch.setattr(regrets, "COARSE", 1)
        patch.setattr(regrets, "DRAWS", 2048)
        chance = float(np.mean(regrets.regret(situation, point) < POINT))
    grade, recovery = from_latent(a - b, a + b, FEED_ODDS)
    short = recovery[grade >= ASKED].max(initial=0.0) - recovery[now]
    return Deck(chance, as_told, bool(short < POINT))


@cache
def decks() -> list[Deck]:
    return [deck for seed in range(DECKS) if (deck := told(seed)) is not None]


def off(differences: list[float]) -> float:
    """Mean of differences of independent decks over its standard error."""
    found = np.asarray(differences, dtype=float)
    return float(found.mean() / (found.std(ddof=1) / np.sqrt(len(found))))


def test_the_chance_that_no_settings_are_better_comes_true():
    assert len(decks()) > DECKS / 2
    assert abs(off([d.best - d.chance for d in decks()])) < Z
    for low, high in ((0.0, 0.5), (0.5, 0.8), (0.8, 1.01)):
        there = [d.best - d.chance for d in decks() if low <= d.chance < high]
        assert len(there) > 30
        assert abs(off(there)) < Z, (low, high)


def test_where_a_plan_says_stop_no_settings_are_better_at_least_as_often_as_it_says():
    stops = [
        d for d in decks()
        if advise(1.0, 0.0, RECOVERY.unit, True, RUNS, RUNS, [d.told], POINT).advice == "stop"
    ]  # fmt: skip
    assert len(stops) > 30
    right = np.array([d.best for d in stops])
    said = np.array([d.told for d in stops])
    assert said.min() >= SURE
    assert right.mean() >= said.mean()
