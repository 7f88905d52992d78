"""Distinct rows of a long array in which few are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_ODD = np.uint64(0x9E3779B97F4A7C15)
_SHIFT = np.uint64(29)


def distinct_rows(rows: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The distinct rows in order, shape (k, d), and which of them each row is, shape (n,).

    The same as ``np.unique(rows, axis=0, return_inverse=True)`` at a small part of the time: rows
    are told apart by one word each, and only distinct ones are sorted. Where two rows share a word
    by chance, it is left to that function.

    >>> points, which = distinct_rows(np.array([[2.0, 1.0], [0.0, 3.0], [2.0, 1.0]]))
    >>> points.tolist(), which.tolist()
    ([[0.0, 3.0], [2.0, 1.0]], [1, 0, 1])
    """
    exact = np.ascontiguousarray(rows, dtype=np.float64) + 0.0  # -0.0 and 0.0 are equal
    words = np.zeros(len(exact), np.uint64)
    for column in exact.T:
        words = (words ^ np.ascontiguousarray(column).view(np.uint64)) * _ODD
        words ^= words >> _SHIFT
    which = pa.array(words).dictionary_encode().indices.to_numpy().astype(np.int64)
    first = np.empty(int(which.max(initial=-1)) + 1, np.int64)
    first[which[::-1]] = np.arange(len(which))[::-1]
    points, place = np.unique(exact[first], axis=0, return_inverse=True)
    which = place[which]
    if not np.array_equal(points[which], exact):
        points, which = np.unique(exact, axis=0, return_inverse=True)
    return points, which.reshape(-1)


@dataclass(frozen=True)
class Groups:
    """Readings by the row they were taken at.

    Attributes:
        points: distinct rows in order, shape (u, d).
        which: row of each reading, shape (n,).
        count: readings of each row, shape (u,).
    """

    points: NDArray[np.float64]
    which: NDArray[np.int64]
    count: NDArray[np.float64]

    @classmethod
    def of(cls, rows: NDArray[np.float64]) -> Groups:
        """Readings taken at rows, shape (n, d)."""
        points, which = distinct_rows(rows)
        return cls(points, which, np.bincount(which, minlength=len(points)).astype(float))

    def mean(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Mean of the readings of each row, (n,) to (u,)."""
        total: Any = np.bincount(self.which, weights=values, minlength=len(self.points))
        return np.asarray(total / self.count)

    def scatter(self, values: NDArray[np.float64]) -> NDArray[np.float64]:
        """Sum of squares of the readings of each row about their mean, (n,) to (u,)."""
        off = values - self.mean(values)[self.which]
        return np.asarray(np.bincount(self.which, weights=off**2, minlength=len(self.points)))


def collapse(X: Floats, y: Floats, v: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Readings at the same set-point as one point.

    Args:
        X: set-points, shape (n, d).
        y: readings, shape (n,).
        v: known variance of each reading, shape (n,).

    Returns:
        Distinct set-points (u, d) in lexicographic order, mean reading (u,), mean known variance
        (u,), count (u,), and sum of squares about the mean (u,).
    """
    at = Groups.of(X)
    return at.points, at.mean(y), at.mean(v), at.count, at.scatter(y)
