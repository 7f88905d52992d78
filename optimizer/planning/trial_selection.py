"""Selects the trials of a batch one after another by the gain that each is expected to add.

The gain of a trial is measured against the settings tried and the settings to run now, which may
not have been tried. Each pick accounts for the picks before it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.errors import LimitError
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.planning.acquisition import ConstrainedImprovement
from optimizer.planning.search import best_point
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.planning.situation import Situation

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# Number of tried settings among which each draw finds its incumbent; the other tried settings can
# hardly be the best.
MOST_INCUMBENTS = 40
# A trial that is likely to fail is picked only where every other trial is too. Such trials rank in
# a band of log gain far below the log of the smallest positive double.
LEAST_EVEN = 0.5
FAILING = -1e9
LEAST_LOG_GAIN = -700.0


@dataclass(frozen=True)
class Selection:
    """The trials of a batch, best first.

    Attributes:
        points: the trials as lattice points, shape (n, d).
        gains: gain that each trial is expected to add, in the unit of the objective.
        warnings: sentences about what limited the selection.
    """

    points: Indices
    gains: tuple[float, ...]
    warnings: tuple[str, ...]


def select_trials(situation: Situation, count: int, run_now: Indices) -> Selection:
    """Up to ``count`` trials, picked one after another.

    Args:
        situation: the situation that the plan is made from.
        count: number of trials that the lot and the shift allow.
        run_now: the settings to run now as a lattice point, shape (d,).

    Raises:
        LimitError: when every setting inside the limits is pending or was tried.
    """
    improvement = _improvement(situation, count, run_now)
    space = situation.evidence.space
    points, gains, spent = np.empty((0, len(space.names)), dtype=np.int64), [], 0.0
    lot = sentence("lot_binds", mass=situation.site.mass.name)
    warnings = [lot] if situation.limits.lot_binds else []
    for k in range(count):
        under_way = np.vstack([situation.pending, points])
        taken = np.vstack([situation.tried, under_way])
        point, value = _pick(situation, improvement, taken, spent, count - k)
        if value == -np.inf:
            # Repeating tried settings is better than leaving a trial out.
            point, value = _pick(situation, improvement, under_way, spent, 1)
        if value == -np.inf:
            warnings.append(sentence("trials_placed", placed=k, asked=count))
            break
        points = np.vstack([points, point])
        gains.append(float(np.exp(max(value, LEAST_LOG_GAIN))))
        spent += float(situation.limits.tonnes(point[None, :])[0])
        improvement.extend(situation.evidence.inputs_today(point[None, :]))
    if not len(points):
        raise LimitError(
            "all settings inside today's limits are pending or were tried.",
            code="nothing-new",
            hint="Widen [limits] or [capacity] in the brief, such as low and high of "
            "[limits.air], or take out a setting that is fixed.",
        )
    # A later pick that adds more than an earlier one would have added at least as much before it.
    order = np.argsort(-np.array(gains), kind="stable")
    return Selection(points[order], tuple(gains[k] for k in order), tuple(warnings))


def _improvement(situation: Situation, count: int, run_now: Indices) -> ConstrainedImprovement:
    """The gain of a trial relative to the settings tried and the settings to run now."""
    evidence = situation.evidence
    base = np.unique(np.vstack([_incumbents(situation), run_now]), axis=0)
    return ConstrainedImprovement(
        situation.surrogate,
        evidence.inputs_today(base),
        situation.min_grade,
        evidence.feed_odds_today,
        room=count,
        seed=situation.seed,
        objective=situation.objective,
    )


def _incumbents(situation: Situation) -> Indices:
    """Tried settings that could still be the best today, and all pending ones, shape (n, d)."""
    evidence = situation.evidence
    settings, _ = distinct_rows(evidence.settings[evidence.measured])
    tried = np.unique(evidence.space.nearest_index(settings), axis=0)
    tried = tried[situation.limits.region.contains(tried)]
    if len(tried) > MOST_INCUMBENTS:
        expected = situation.expected(tried)
        promise = expected.recovery.high * expected.chance_of_grade
        tried = tried[np.sort(np.argsort(-promise, kind="stable")[:MOST_INCUMBENTS])]
    both = np.vstack([tried, situation.pending])
    return both if len(both) else situation.tried[:1]


def _pick(
    situation: Situation,
    improvement: ConstrainedImprovement,
    taken: Indices,
    spent: float,
    left: int,
) -> tuple[Indices, float]:
    """The next trial, shape (d,), and ln of its gain; ``-inf`` where none is left.

    Args:
        situation: what the plan is made from.
        improvement: the gain of a trial, given the trials picked before.
        taken: lattice points that may not be picked, shape (k, d).
        spent: tonnes of the lot that the trials picked before consume.
        left: number of trials still to pick, this one included.
    """
    limits = situation.limits

    def score(index: Indices, coarse: bool = False) -> Floats:
        even = situation.chance_even(index)
        value = improvement.log_gain(situation.inputs(index), coarse) + np.log(even)
        # Likely failures rank below all other trials, by their chance. They are not excluded, so
        # that a plan exists even where every trial is likely to fail.
        value = np.where(even >= LEAST_EVEN, value, FAILING + np.log(even))
        if limits.lot_binds:
            value = value - limits.log_tonnes(index)
        allowed = limits.within_lot(index, spent, left) & situation.within_capacity(index)
        return np.where(allowed, value, -np.inf)

    point, value = best_point(
        score,
        limits.region,
        situation.starts,
        coarse=lambda index: score(index, coarse=True),
        exclude=taken,
    )
    if limits.lot_binds:
        value += float(limits.log_tonnes(point[None, :])[0])
    return point, value
