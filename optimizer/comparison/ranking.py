"""Ranks of lines, and the probability that each rank is right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Ranking:
    """Ranks by one quantity, the largest first.

    Attributes:
        rank: of each line, from 1, shape (n,).
        probability: that the line's rank is right, shape (n,).
        whole: probability that the whole order is right.
    """

    rank: NDArray[np.int64]
    probability: Floats
    whole: float


def rank_lines(draws: Floats) -> Ranking:
    """Ranks lines by the mean of a quantity, from draws of it.

    Args:
        draws: shape (number of draws, number of lines), independent between lines.

    >>> found = rank_lines(np.array([[0.9, 0.8], [0.91, 0.85], [0.8, 0.82], [0.9, 0.7]]))
    >>> found.rank.tolist(), found.probability.tolist(), found.whole
    ([1, 2], [0.75, 0.75], 0.75)
    """
    order = np.argsort(-draws.mean(axis=0), kind="stable")
    rank = np.empty(draws.shape[1], dtype=np.int64)
    rank[order] = np.arange(1, len(order) + 1)
    drawn_order = np.argsort(-draws, axis=1, kind="stable")
    drawn = np.empty_like(drawn_order)
    np.put_along_axis(drawn, drawn_order, np.arange(1, len(order) + 1)[None, :], axis=1)
    agree = drawn == rank
    return Ranking(rank, agree.mean(axis=0), float(agree.all(axis=1).mean()))
