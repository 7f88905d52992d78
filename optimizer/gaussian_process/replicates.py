"""Readings collapsed to set-points."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
from optimizer.numerics.distinct_rows import distinct_rows


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
