"""Trials before a model can be fitted: spread over the limits, far from each other.

Each trial maximizes its distance, in unit coordinates, to the trials before it. The first trial
lies in the middle of the limits, or far from settings that were already run. The outer tenth of
every range is used last: a deck fails more often at the ends of its ranges, and a first batch
should give readings.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from optimizer.errors import LimitError
from optimizer.planning.limits import Limits
from optimizer.planning.plan import UNKNOWN, Recommendation
from optimizer.plant.profiles import profiles_of
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

MARGIN = 0.1


def spread_trials(limits: Limits, taken: Indices, count: int) -> Indices:
    """Up to ``count`` lattice points far from ``taken`` and each other, within limits and lot.

    Args:
        limits: limits of the batch.
        taken: lattice points that were tried or are pending, shape (k, d).
        count: number of trials wanted.

    Raises:
        LimitError: when every point inside the limits is taken.
    """
    space, pool = limits.space, limits.pool
    first, last = np.array(limits.region.first), np.array(limits.region.last)
    margin = MARGIN * (last - first)
    inner = np.all((pool >= first + margin) & (pool <= last - margin), axis=1)
    # Gates are spread by their profile, of which only the level varies widely in the pool.
    inputs = profiles_of(space).inputs
    unit = inputs(space.values(pool))
    if len(taken):
        gap = _gap(unit, inputs(space.values(taken)))
    else:
        # Where no point is taken, the first trial is the point nearest the middle.
        gap = np.exp(-_gap(unit, inputs(space.values(np.rint((first + last) / 2)))))
    picks: list[int] = []
    spent = 0.0
    for k in range(count):
        allowed = limits.within_lot(pool, spent, count - k) & (gap > 0)
        if not allowed.any():
            break
        preferred = allowed & inner
        worth = np.where(preferred if preferred.any() else allowed, gap, -np.inf)
        best = int(np.argmax(worth))
        picks.append(best)
        spent += float(limits.tonnes(pool[best : best + 1])[0])
        near = _gap(unit, unit[best : best + 1])
        gap = near if k == 0 and not len(taken) else np.minimum(gap, near)
    if not picks:
        raise LimitError(
            "all settings inside today's limits are pending or were tried.",
            code="nothing-new",
            hint="Widen [limits] or [capacity] in the brief, such as low and high of "
            "[limits.air], or take out a setting that is fixed.",
        )
    return pool[picks]


def _gap(A: Floats, B: Floats) -> Floats:
    """Distance of each row of A to the nearest row of B, shape (n,)."""
    return np.sqrt(((A[:, None, :] - B[None, :, :]) ** 2).sum(axis=2)).min(axis=1)


def unknown_trials(
    settings: Sequence[Mapping[str, float]], tonnes: Sequence[float | None], minutes: float
) -> tuple[Recommendation, ...]:
    """Trials without expectations, for which no model exists yet.

    Args:
        settings: settings of each trial, by name.
        tonnes: feed that each trial consumes, t; None without a feed rate.
        minutes: duration of each trial, min.
    """
    return tuple(
        Recommendation(
            rank=k,
            settings=point,
            grade=UNKNOWN,
            recovery=UNKNOWN,
            chance_of_grade=None,
            chance_even=None,
            expected_gain=None,
            product_t_per_h=None,
            material_t=consumed,
            minutes=minutes,
            why=sentence("why_first_batch"),
        )
        for k, (point, consumed) in enumerate(zip(settings, tonnes, strict=True), 1)
    )
