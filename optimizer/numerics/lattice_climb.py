"""Hill climbing on a lattice, which every search of settings uses.

A point is a row of integers. The caller supplies the score and the neighbors of points. The climb
has no limits of its own and does not round, so no candidate leaves the lattice.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

    Score = Callable[[Indices], Floats]
    Neighbors = Callable[[Indices], Indices]


def climb(
    points: Indices,
    values: Floats,
    score: Score,
    neighbors: Neighbors,
    rounds: int,
    climbers: int = 1,
    patient: bool = False,
) -> tuple[Indices, Floats]:
    """Move the best few points to better neighbors, round by round, until none is better.

    Args:
        points: points where the climb starts, shape (n, d).
        values: scores of the starting points, shape (n,).
        score: function from points, (m, d), to their scores, (m,); higher is better.
        neighbors: function from the best points so far, (k, d), to the points to try around them,
            (m, d).
        rounds: largest number of rounds.
        climbers: number of best points that are kept after each round.
        patient: whether to continue after a round without improvement of the best score, which is
            useful where neighbors are drawn at random.

    Returns:
        Points of the last round with their scores, not sorted; the best point found is among them.
    """
    for _ in range(rounds):
        best = top(values, climbers)
        points, values = points[best], values[best]
        around = neighbors(points)
        around = around[~np.isin(keys(around), keys(points))]
        if not len(around):
            break
        points = np.vstack([points, around])
        values = np.concatenate([values, score(around)])
        if not patient and values.max() <= values[0]:
            break
    return points, values


def top(values: Floats, k: int) -> Indices:
    """Positions of the k largest values, largest first; equal values keep the order of position."""
    return np.argsort(-values, kind="stable")[:k]


def keys(points: Indices) -> NDArray[np.void]:
    """Rows of integers, shape (n, d), as single comparable values, shape (n,)."""
    rows = np.ascontiguousarray(points, dtype=np.int64)
    return rows.view([("", np.int64)] * rows.shape[1]).ravel()


def distinct_in_order(points: Indices) -> Indices:
    """Distinct points, shape (n, d), in order of first appearance."""
    _, where = np.unique(points, axis=0, return_index=True)
    return points[np.sort(where)]
