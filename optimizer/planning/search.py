"""Finds the lattice points of highest score: an even spread first, then hill climbing.

A score is any function of lattice indices. The search stays on the lattice, so every candidate is
inside every limit; a rounded continuous optimum might not be.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.numerics.lattice_climb import climb, distinct_in_order, keys, top
from optimizer.plant.region import Region

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

    Score = Callable[[Indices], Floats]

# Numbers of best points that one stage of the search passes to the next.
SHORTLIST = 64
MOST_ROUNDS = 12
# Lengths of the steps in each climb, in lattice steps; the longest first step crosses a large part
# of a small deck's range. Climbs with long steps use the coarse score; the last climbs use the
# exact score and fewer climbers.
LONG_REACHES, SHORT_REACHES = ((2, 8), (1, 3)), ((1, 2),)
LONG_CLIMBERS, SHORT_CLIMBERS = 4, 2


def best_point(
    score: Score,
    region: Region,
    pool: Indices,
    coarse: Score | None = None,
    exclude: Indices | None = None,
) -> tuple[Indices, float]:
    """The point of ``region`` with the highest score that the search finds.

    Args:
        score: function from lattice indices, (n, d), to scores, (n,); ``-inf`` where a point may
            not be taken.
        region: the lattice points to search.
        pool: starting points, shape (m, d), all inside the region.
        coarse: a cheaper approximation of ``score`` that ranks the pool.
        exclude: points that may not be taken, shape (k, d).

    Returns:
        The point, shape (d,), and its score; ``-inf`` when no point may be taken.
    """
    free = _Free(region, None if exclude is None or not len(exclude) else keys(exclude))
    rough = coarse or score
    # The whole pool is scored at once, including excluded points, because stored results belong to
    # the pool as a whole.
    values, allowed = rough(pool), np.flatnonzero(free.contains(pool))
    if not len(allowed):
        return pool[0], -np.inf
    order = allowed[top(values[allowed], SHORTLIST)]
    points, values = pool[order], values[order]
    for reach in LONG_REACHES:
        points, values = free.climb(points, values, rough, reach, LONG_CLIMBERS)
    points = points[top(values, SHORTLIST)]
    values = score(points)
    for reach in SHORT_REACHES:
        points, values = free.climb(points, values, score, reach, SHORT_CLIMBERS)
    best = top(values, 1)[0]
    return points[best], float(values[best])


@dataclass(frozen=True)
class _Free:
    """The points of a region that may be taken.

    Args:
        region: the region.
        excluded: keys of the points that may not be taken; None when all may be taken.
    """

    region: Region
    excluded: NDArray[np.void] | None

    def contains(self, points: Indices) -> NDArray[np.bool_]:
        """Which points of the region, shape (n, d), may be taken."""
        if self.excluded is None:
            return np.ones(len(points), bool)
        return ~np.isin(keys(points), self.excluded)

    def climb(
        self,
        points: Indices,
        values: Floats,
        score: Score,
        reach: tuple[int, ...],
        climbers: int,
    ) -> tuple[Indices, Floats]:
        """Climb from the best few points in steps of these lengths, see ``lattice_climb.climb``."""

        def neighbors(at: Indices) -> Indices:
            around = distinct_in_order(np.vstack([self.region.neighbors(p, reach) for p in at]))
            return around[self.contains(around)]

        return climb(points, values, score, neighbors, MOST_ROUNDS, climbers)
