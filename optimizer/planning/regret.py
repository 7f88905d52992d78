"""What the settings to run now fall short of the best that is attainable, drawn from the model.

The best settings are not known, and nor is what they would give: in each of many draws of whole
surfaces the best is what is highest there among settings that meet the grade there, and the regret
is how far the settings to run now stay below it. Its spread says what more trials could still win:
settings that nobody knows yet, and the distance kept from the edge of the grade to be sure of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.gaussian_process.kernels import Inputs
from optimizer.model.coordinates import from_latent
from optimizer.model.deck_prior import COARSE
from optimizer.model.joint import drawn

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.planning.situation import Situation

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# Settings that may be the best: the most promising of those spread over the limits, and some about
# the settings to run now, so far off in each setting (standard deviation in unit coordinates).
PROMISING, ABOUT, NEAR = 100, 100, 0.06
# Promise is the worth times this power of the chance of the grade: settings beyond the edge of the
# grade are where the best may turn out to be.
BOLDNESS = 0.25
LEAST_CHANCE = 0.02
DRAWS = 256
# Posterior standard deviations are widened by more here than in a prediction: the best of many
# settings asks more of the model than any one of them does. Chosen on development campaigns by how
# often a stop was right (reports/benchmark.md).
SPREAD = 1.5


def regret(situation: Situation, point: Indices) -> Floats:
    """Regret of running ``point`` in each of some draws, in worth, at least 0; shape (draws,).

    Where ``point`` itself misses the grade in a draw, it is judged by its worth all the same: how
    sure it is of the grade is told elsewhere.

    Args:
        situation: what is planned, with its surrogate and limits.
        point: settings to run now, a lattice point of shape (d,).
    """
    e, surrogate = situation.evidence, situation.surrogate
    candidates = np.vstack([point[None, :], _candidates(situation, point)])
    A, even = e.inputs_today(candidates), situation.chance_even(candidates)
    members = len(range(0, surrogate.n_members_, COARSE))
    shape = (members, DRAWS // members, len(A), 2)
    normals = SPREAD * np.random.default_rng(situation.seed).standard_normal(shape)
    found = []
    for pair in drawn(surrogate.pairs(COARSE), Inputs(A), normals):
        S, C = pair.values
        worth = situation.objective.worth(S, C, A) * even
        met = from_latent(S, C, e.feed_odds_today)[0] >= situation.min_grade
        best = np.where(met, worth, -np.inf).max(axis=-1)
        found.append(np.maximum(best - worth[..., 0], 0.0).ravel())
    return np.concatenate(found)


def _candidates(situation: Situation, point: Indices) -> Indices:
    """Settings inside the limits that may be the best, shape (n, d)."""
    limits, space = situation.limits, situation.evidence.space
    pool = situation.starts
    promise = np.where(situation.within_capacity(pool), _promise(situation, pool), 0.0)
    most = np.argsort(-promise, kind="stable")[:PROMISING]
    rng = np.random.default_rng(situation.seed)
    tops = np.array([s.top for s in space.settings])
    about = np.rint(point + NEAR * tops * rng.standard_normal((ABOUT, len(point))))
    about = np.clip(about, limits.region.first, limits.region.last).astype(np.int64)
    both = np.unique(np.vstack([pool[most][promise[most] > 0.0], about]), axis=0)
    return both[limits.region.contains(both) & situation.within_capacity(both)]


def _promise(situation: Situation, index: Indices) -> Floats:
    """What settings may be worth, boldly; 0 where they hardly meet the grade; shape (n,)."""
    e, objective = situation.evidence, situation.objective
    inputs = situation.inputs(index)
    chance, worth = situation.surrogate.outlook(
        inputs, situation.min_grade, e.feed_odds_today, coarse=True
    )
    if situation.brief.goal.maximise == "value":
        worth = situation.surrogate.expect(objective.worth, inputs, coarse=True)
        worth = worth - worth.min()
    return np.where(
        chance > LEAST_CHANCE, worth * situation.chance_even(index) * chance**BOLDNESS, 0.0
    )
