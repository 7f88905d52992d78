"""Readings collapsed to their distinct set-points: means, counts and scatter."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.gaussian_process.inputs import Inputs
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.numerics.fingerprint import fingerprint

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Groups:
    """Readings grouped by the row at which they were taken.

    Attributes:
        points: distinct rows in lexicographic order, shape (u, d).
        which: index, in ``points``, of the row of each reading, shape (n,).
        weight: weight of each reading, above 0, shape (n,): a reading of weight 1/2 counts as half
            a reading.
        count: sum of the weights of each row, shape (u,).
    """

    points: Floats
    which: NDArray[np.int64]
    weight: Floats
    count: Floats

    @classmethod
    def of(cls, rows: Floats, weight: Floats | None = None) -> Groups:
        """Group readings by the rows, shape (n, d), at which they were taken.

        Args:
            weight: weight of each reading, shape (n,); 1 when not given.
        """
        points, which = distinct_rows(rows)
        return cls._of(points, which, np.ones(len(which)) if weight is None else weight)

    @classmethod
    def _of(cls, points: Floats, which: NDArray[np.int64], weight: Floats) -> Groups:
        count: Any = np.bincount(which, weights=weight, minlength=len(points))
        return cls(points, which, weight, np.asarray(count))

    def weighted(self, weight: Floats) -> Groups:
        """The same groups with other weights of the readings, shape (n,)."""
        return self._of(self.points, self.which, weight)

    def take(self, runs: NDArray[np.bool_]) -> Groups:
        """The groups of only the readings for which the mask ``runs``, shape (n,), is True."""
        return self.of(self.points[self.which[runs]], self.weight[runs])

    def mean(self, values: Floats) -> Floats:
        """Weighted mean of the readings, shape (n,), of each distinct row; shape (u,)."""
        return self.sum(values) / self.count

    def scatter(self, values: Floats, others: Floats | None = None) -> Floats:
        """Weighted sum of squares of the readings, (n,), of each distinct row about their mean,
        or of products with other readings about theirs; (u,)."""
        off = values - self.mean(values)[self.which]
        other = off if others is None else others - self.mean(others)[self.which]
        return self.sum(off * other)

    def sum(self, values: Floats) -> Floats:
        """Weighted sum of values, shape (n,), of each distinct row; shape (u,)."""
        total: Any = np.bincount(self.which, self.weight * values, minlength=len(self.points))
        return np.asarray(total)


def collapse(X: Floats, y: Floats, v: Floats) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Collapse readings at the same set-point to one point.

    Args:
        X: set-points, shape (n, d).
        y: readings, shape (n,).
        v: known variance of each reading, shape (n,).

    Returns:
        Distinct set-points (u, d) in lexicographic order, mean reading (u,), mean known variance
        (u,), count (u,), and sum of squares about the mean (u,).
    """
    groups = Groups.of(X)
    return groups.points, groups.mean(y), groups.mean(v), groups.count, groups.scatter(y)


@dataclass(frozen=True)
class CollapsedReadings:
    """Readings of u distinct set-points in scaled output, which is (y - center) / spread.

    Attributes:
        X: set-points, shape (u, d).
        mean: mean reading of each set-point, shape (u,).
        known_variance: known variance of one reading, shape (u,).
        counts: number of readings of each set-point, shape (u,).
        scatter: sum of squares of the readings about their mean, shape (u,).
        center, spread: center and spread of the scale, in units of y.
    """

    X: Floats
    mean: Floats
    known_variance: Floats
    counts: Floats
    scatter: Floats
    center: float
    spread: float

    @cached_property
    def inputs(self) -> Inputs:
        """The set-points as ``Inputs``, at which covariances are evaluated."""
        return Inputs(self.X)

    @cached_property
    def fingerprint(self) -> bytes:
        """A value that is equal for equal readings and differs between different readings."""
        scale = np.array([self.center, self.spread])
        arrays = self.X, self.mean, self.known_variance, self.counts, self.scatter, scale
        return fingerprint(*arrays)

    def with_known_variance(self, variance: Floats) -> CollapsedReadings:
        """The readings as if their known variances were these, shape (u,)."""
        readings = replace(self, known_variance=variance)
        vars(readings)["inputs"] = self.inputs  # with what was computed at the same set-points
        return readings

    def take(self, index: NDArray[np.int64]) -> CollapsedReadings:
        """The readings of the set-points with these indices."""
        return CollapsedReadings(
            self.X[index],
            self.mean[index],
            self.known_variance[index],
            self.counts[index],
            self.scatter[index],
            self.center,
            self.spread,
        )
