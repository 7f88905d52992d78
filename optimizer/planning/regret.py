"""The regret of the settings to run now: draws of how far they stay below the best settings.

Neither the best settings nor their worth are known. In each of many surfaces drawn from the
posterior, the best settings are those of the highest worth that meet the grade in that draw, and
the regret is the difference of the two worths. Its distribution shows what more trials could still
gain: better settings that are not known yet, and a smaller distance of the settings to run now from
the edge of the grade.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.gaussian_process.inputs import Inputs
from optimizer.model.coordinates import from_latent
from optimizer.model.deck_prior import COARSE
from optimizer.model.pair_draws import draw_pairs
from optimizer.plant.profiles import profiles_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.planning.situation import Situation

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# Numbers of candidates for the best settings: the most promising points of those spread over the
# limits, and points around the settings to run now, with this standard deviation in unit
# coordinates.
PROMISING, ABOUT, NEAR = 100, 100, 0.06
# Promise is the worth times this power of the chance of the grade. The power is small because the
# best settings may turn out to lie beyond the edge of the grade.
BOLDNESS = 0.25
LEAST_CHANCE = 0.02
DRAWS = 256
# Posterior standard deviations are widened by more here than in a prediction, because the maximum
# over many settings depends on the tails. Chosen on development campaigns by how often a stop was
# right (reports/benchmark.md).
SPREAD = 1.5


def regret(situation: Situation, point: Indices) -> Floats:
    """Regret of running ``point``, in the unit of the objective, never negative; shape (draws,).

    In a draw where ``point`` misses the grade, its worth counts nevertheless, because the plan
    reports its chance of the grade separately.

    Args:
        situation: the situation that the plan is made from.
        point: settings to run now, a lattice point of shape (d,).
    """
    e, surrogate = situation.evidence, situation.surrogate
    candidates = np.vstack([point[None, :], _candidates(situation, point)])
    A, even = e.inputs_today(candidates), situation.chance_even(candidates)
    members = len(range(0, surrogate.n_members_, COARSE))
    shape = (members, DRAWS // members, len(A), 2)
    normals = SPREAD * np.random.default_rng(situation.seed).standard_normal(shape)
    found, at = [], situation.objective.at(A)
    for pair in draw_pairs(surrogate.pairs(COARSE), Inputs(A), normals):
        S, C = pair.values
        worth = at(S, C) * even
        met = from_latent(S, C, e.feed_odds_today)[0] >= situation.min_grade
        best = np.where(met, worth, -np.inf).max(axis=-1)
        found.append(np.maximum(best - worth[..., 0], 0.0).ravel())
    return np.concatenate(found)


def _candidates(situation: Situation, point: Indices) -> Indices:
    """Lattice points inside the limits that may be the best, shape (n, d)."""
    limits, space = situation.limits, situation.evidence.space
    pool = situation.starts
    promise = np.where(situation.within_capacity(pool), _promise(situation, pool), 0.0)
    most = np.argsort(-promise, kind="stable")[:PROMISING]
    rng = np.random.default_rng(situation.seed)
    tops = np.array([s.top for s in space.settings])
    shapes = profiles_of(space).shapes
    about = np.rint(point + NEAR * tops * (rng.standard_normal((ABOUT, len(shapes))) @ shapes))
    about = np.clip(about, limits.region.first, limits.region.last).astype(np.int64)
    both = np.unique(np.vstack([pool[most][promise[most] > 0.0], about]), axis=0)
    return both[limits.region.contains(both) & situation.within_capacity(both)]


def _promise(situation: Situation, index: Indices) -> Floats:
    """Promise, (n,), of lattice points, (n, d): worth times a power of the chance of the grade."""
    e = situation.evidence
    inputs = situation.inputs(index)
    chance, worth = situation.surrogate.outlook(
        inputs, situation.min_grade, e.feed_odds_today, coarse=True
    )
    if situation.brief.goal.maximise == "value":
        worth = situation.expected_worth(inputs, coarse=True)
        worth = worth - worth.min()
    return np.where(
        chance > LEAST_CHANCE, worth * situation.chance_even(index) * chance**BOLDNESS, 0.0
    )
