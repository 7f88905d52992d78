"""Ranks lines, and computes the probability that each rank is right."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Rank:
    """The rank of one line.

    Attributes:
        rank: position of the line, from 1.
        probability: probability that the rank is right; NaN when the line's quantity is not known.
    """

    rank: int
    probability: float


@dataclass(frozen=True)
class Ranking:
    """Ranks of n lines by one quantity, the largest first.

    Attributes:
        rank: position of each line, from 1, shape (n,).
        probability: probability that a line's rank is right, shape (n,); NaN for a line whose
            quantity is not known.
        whole: probability that the whole order of the lines with a known quantity is right; NaN
            when no line has one.
    """

    rank: NDArray[np.int64]
    probability: Floats
    whole: float

    def of(self, k: int) -> Rank:
        """The rank of line number k."""
        return Rank(int(self.rank[k]), float(self.probability[k]))


def rank_lines(draws: Floats) -> Ranking:
    """Ranks lines by the mean of a quantity, given draws from its posterior.

    Args:
        draws: shape (number of draws, number of lines); draws of different lines are independent.

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


def rank_known_first(draws: Floats, known: NDArray[np.bool_], otherwise: Floats) -> Ranking:
    """Ranks lines when a quantity is known only for some; the other lines come after these.

    Args:
        draws: draws for the lines with a known quantity, shape (number of draws, known.sum()).
        known: whether the quantity of a line is known, shape (n,).
        otherwise: values by which the other lines are ranked, the largest first, shape (n,).

    >>> draws = np.array([[0.9], [0.8]])
    >>> found = rank_known_first(draws, np.array([False, True, False]), np.array([0.5, 0.1, 0.7]))
    >>> found.rank.tolist(), found.probability.tolist()
    ([3, 1, 2], [nan, 1.0, nan])
    """
    found = rank_lines(draws)
    rank, probability = np.empty(len(known), dtype=np.int64), np.full(len(known), np.nan)
    rank[known], probability[known] = found.rank, found.probability
    others = np.flatnonzero(~known)
    order = others[np.argsort(-otherwise[others], kind="stable")]
    rank[order] = known.sum() + np.arange(1, len(order) + 1)
    return Ranking(rank, probability, found.whole if known.any() else np.nan)
