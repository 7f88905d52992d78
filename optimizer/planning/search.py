"""The best lattice points of a score: an even spread first, then steps to better neighbours.

A score is any function of lattice indices. Searching the lattice itself, rather than rounding a
continuous optimum, keeps every candidate inside every limit.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from optimizer.plant.region import Region

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

    Score = Callable[[Indices], Floats]

# Points that one score hands to the next.
SHORTLIST = 64
MAX_CLIMBS = 12
# Steps tried in each round; the longest first move crosses a good part of a small deck's range.
# Long moves need no exact score, the last ones do, of fewer climbers.
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
        score: of lattice indices (n, d) to (n,); ``-inf`` where a point may not be taken.
        region: where to search.
        pool: starting points, shape (m, d), all inside the region.
        coarse: a cheaper score that ranks like ``score``, for the pool.
        exclude: points that may not be taken, shape (k, d).

    Returns:
        The point, shape (d,), and its score; ``-inf`` when no point may be taken.
    """
    taken = _keys(exclude) if exclude is not None and len(exclude) else None

    def may(points: Indices) -> NDArray[np.bool_]:
        return np.ones(len(points), bool) if taken is None else ~np.isin(_keys(points), taken)

    rough = coarse or score
    # The pool is scored as it came: what is known of a set of points is known by the set.
    values, free = rough(pool), np.flatnonzero(may(pool))
    if not len(free):
        return pool[0], -np.inf
    order = free[_top(values[free], SHORTLIST)]
    points, _ = _climb(pool[order], values[order], rough, region, LONG_REACHES, LONG_CLIMBERS, may)
    values = score(points)
    points, values = _climb(points, values, score, region, SHORT_REACHES, SHORT_CLIMBERS, may)
    return points[0], float(values[0])


def _climb(
    points: Indices,
    values: Floats,
    score: Score,
    region: Region,
    reaches: tuple[tuple[int, ...], ...],
    climbers: int,
    may: Callable[[Indices], NDArray[np.bool_]],
) -> tuple[Indices, Floats]:
    """The best few points, each moved to better neighbours until none is better; with scores."""
    for reach in reaches:
        for _ in range(MAX_CLIMBS):
            order = _top(values, climbers)
            points, values = points[order], values[order]
            best = values[0]
            around = np.vstack([region.neighbours(p, reach) for p in points])
            around = _distinct(around)
            around = around[may(around) & ~np.isin(_keys(around), _keys(points))]
            if not len(around):
                break
            points = np.vstack([points, around])
            values = np.concatenate([values, score(around)])
            if values.max() <= best:
                break
    order = _top(values, SHORTLIST)
    return points[order], values[order]


def _top(values: Floats, k: int) -> NDArray[np.int64]:
    """Positions of the k largest, largest first, ties in order of position."""
    return np.argsort(-values, kind="stable")[:k]


def _distinct(points: Indices) -> Indices:
    _, where = np.unique(points, axis=0, return_index=True)
    return points[np.sort(where)]


def _keys(points: Indices) -> NDArray[np.void]:
    """Rows as single comparable values."""
    rows = np.ascontiguousarray(points, dtype=np.int64)
    return rows.view([("", np.int64)] * rows.shape[1]).ravel()
