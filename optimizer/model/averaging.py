"""How much each description counts, and which members of an average belong to which description.

Where runs are of several labels of the material, each description that counts is guarded: it
competes with a twin in which today's label learns nothing from the others, and readings of today's
label alone judge between the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import softmax

from optimizer.gaussian_process.kernel import of_asked
from optimizer.gaussian_process.solvers import EXACT
from optimizer.model.candidate import Candidate, candidate_of
from optimizer.model.deck_prior import Description, Frame, descriptions_of
from optimizer.model.fitted_surrogate import Favored, FavoredDescriptions

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.replicates import Groups
    from optimizer.model.coordinates import LatentReadings

    Floats = NDArray[np.float64]

# Descriptions that count for less than this are not fitted to all runs.
LEAST_WEIGHT = 0.02
# Power of the marginal likelihood, number of bootstrap draws, and least probability to be ahead.
TEMPER, BOOTSTRAPS, LEAST_AHEAD = 0.2, 500, 1e-3
# A label of more set-points than this knows enough of its own to need no guard.
MOST_GUARDED = 40
# Positions of four consecutive members among the quantiles of the weights, so that every second
# and every fourth member represent the descriptions too.
SPREAD = (1, 0, 3, 2)


def weighted_descriptions(
    frame: Frame,
    groups: Groups,
    latent: LatentReadings,
    names: tuple[str, ...] | None,
    known: Sequence[Candidate] = (),
) -> list[tuple[Candidate, float]]:
    """The descriptions that count, fitted to some runs, each with its weight; the heaviest first.

    Args:
        frame: inputs and solver.
        groups: inputs of the readings of these runs.
        latent: readings of sharpness and balance of these runs.
        names: names of the descriptions that compete; None for all that apply.
        known: earlier fits, from which searches start.
    """
    starts = {(c.description.name, c.description.alone): c for c in known}

    def fitted(one: Description, like: Candidate | None = None) -> Candidate:
        start = starts.get((one.name, one.alone), like)
        return candidate_of(one, replace(frame, solver=EXACT), groups, latent, like=start)

    found = [fitted(d) for d in descriptions_of(frame) if d.name in (names or d.name)]
    pairs = _weighed(found, np.ones(len(groups.points), bool), frame.seed)
    own = of_asked(groups.points, frame.groupings)
    if 0 < own.sum() <= MOST_GUARDED and not own.all():
        twins = [fitted(replace(c.description, alone=True), c) for c, _ in pairs]
        pairs = [
            (one, weight * share)
            for (c, weight), twin in zip(pairs, twins, strict=True)
            for one, share in _weighed([c, twin], own, frame.seed)
        ]
        pairs.sort(key=lambda pair: -pair[1])
    return pairs


def _weighed(
    found: Sequence[Candidate], judges: NDArray[np.bool_], seed: int
) -> list[tuple[Candidate, float]]:
    """Those of some candidates that count, each with its weight, the heaviest first; judged by
    their predictions of the readings at some set-points, a mask of shape (u,)."""
    left_out = np.column_stack([c.log_left_out[judges] for c in found])
    weights = weights_of([c.log_evidence for c in found], left_out, seed)
    order = np.argsort(-weights, kind="stable")
    return [(found[k], float(weights[k])) for k in order if weights[k] > 0.0]


def favored_of(weighted: Sequence[tuple[Candidate, float]]) -> FavoredDescriptions:
    """What the weights say of the descriptions, each of them together with its twin."""
    says = {c.description.name: c.description.says for c, _ in weighted}
    total = {n: sum(w for c, w in weighted if c.description.name == n) for n in says}
    order = sorted(says, key=lambda name: -total[name])
    return FavoredDescriptions(tuple(Favored(n, says[n], total[n]) for n in order))


def weights_of(log_evidence: Sequence[float], left_out: Floats, seed: int) -> Floats:
    """Weights of k descriptions, shape (k,), each at least `LEAST_WEIGHT` or 0.

    Two accounts of how well a description explains the runs are multiplied: the probability that it
    predicts readings that are left out better than the others do, averaged over what other runs
    might have shown (pseudo-Bayesian model averaging with the Bayesian bootstrap: Yao, Vehtari,
    Simpson & Gelman, Bayesian Anal. 13, 2018, 917), and its marginal likelihood to the power
    `TEMPER`. Where no description is quite right, the marginal likelihood alone becomes certain of
    one too early (Grunwald & van Ommen, Bayesian Anal. 12, 2017, 1069).

    Args:
        log_evidence: log marginal likelihood of each description.
        left_out: log density of the reading at each of n set-points given all others, (n, k).
        seed: seed of the bootstrap.
    """
    n = len(left_out)
    often = n * np.random.default_rng(seed).dirichlet(np.ones(n), BOOTSTRAPS)
    ahead = softmax(often @ left_out, axis=1).mean(axis=0)
    weights = softmax(TEMPER * np.asarray(log_evidence) + np.log(np.maximum(ahead, LEAST_AHEAD)))
    weights = np.where(weights < LEAST_WEIGHT, 0.0, weights)
    return np.asarray(weights / weights.sum())


def shares_of(weights: Floats, members: int) -> NDArray[np.int64]:
    """The description to which each member of an average belongs, shape (members,).

    Systematic sampling: a description of weight w has about w times the number of members, and the
    most probable one has at least one.

    >>> shares_of(np.array([0.7, 0.3]), 8).tolist()
    [0, 0, 0, 0, 0, 0, 1, 1]
    """
    order = np.argsort(-weights, kind="stable")
    k = np.arange(members)
    position = k - k % 4 + np.array(SPREAD)[k % 4]
    position = np.minimum(position, members - 1) if members % 4 else position
    ends = np.cumsum(weights[order])
    picks = np.searchsorted(ends, (position + 0.5) / members)
    # The middle of one or two members may lie beyond the most probable of many descriptions.
    picks[position == 0] = 0
    return order[picks]
