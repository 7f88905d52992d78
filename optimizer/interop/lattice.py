"""The space of scikit-optimize as a fine lattice, on which gains are searched.

A continuous dimension has 65,537 levels from end to end, even in its own scale (``log-uniform``
dimensions in the logarithm); an integer or categorical dimension has its own values. Readings may
lie anywhere; only what is asked for lies on the lattice.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from skopt.space import Categorical, Dimension, Integer, Real, Space

from optimizer.errors import InputError
from optimizer.numerics.lattice_climb import climb, distinct_in_order, keys, top
from optimizer.numerics.low_discrepancy import even_points

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]
    Score = Callable[[Indices], Floats]

MOST_LEVELS = 2**16 + 1
POOL, SHORTLIST = 1024, 8
# Lengths of the steps of the climbs, as shares of a range, and what each climb may take.
REACHES = (0.1, 0.03, 0.01, 3e-3, 1e-3, 3e-4, 1e-4)
CLIMBERS, ROUNDS = 3, 3


def space_of(dimensions: Sequence[Any]) -> Space:
    """A space whose dimensions are transformed to coordinates from 0 to 1.

    Args:
        dimensions: ``Real``, ``Integer`` and ``Categorical`` of scikit-optimize, or the short forms
            that it takes.

    Raises:
        InputError: when a dimension is of another kind, or there is none.
    """
    space = Space([_copied(each) for each in dimensions])
    if not space.dimensions:
        raise InputError("dimensions is empty.", hint="Name at least one dimension.")
    for dimension in space.dimensions:
        if not isinstance(dimension, Real | Integer | Categorical):
            raise InputError(
                f"dimension {dimension!r} is of no kind that is searched.",
                hint="Use Real, Integer or Categorical of skopt.space.",
            )
        onehot = isinstance(dimension, Categorical)
        dimension.set_transformer("onehot" if onehot else "normalize")
    return space


def _copied(dimension: Any) -> Any:
    """The dimension, or a copy of one that a caller still holds, since transformers are set."""
    if isinstance(dimension, Real | Integer):
        return type(dimension)(
            dimension.low, dimension.high, dimension.prior, dimension.base, name=dimension.name
        )
    if isinstance(dimension, Categorical):
        return Categorical(dimension.categories, dimension.prior, name=dimension.name)
    return dimension


class Lattice:
    """The points that may be asked for: rows of integers, one for each dimension.

    Args:
        space: a space of ``space_of``.
    """

    def __init__(self, space: Space) -> None:
        self.values = [_levels(dimension) for dimension in space.dimensions]
        self.sizes = np.array([len(levels) for levels in self.values], dtype=np.int64)
        self.ordered = np.array([not isinstance(d, Categorical) for d in space.dimensions])
        self._inputs = [
            np.asarray(d.transform(levels), dtype=float).reshape(len(levels), -1)
            for d, levels in zip(space.dimensions, self.values, strict=True)
        ]

    def inputs(self, index: Indices) -> Floats:
        """Coordinates from 0 to 1 of points, shape (n, d); a category has one for each."""
        return np.hstack([table[index[:, j]] for j, table in enumerate(self._inputs)])

    def point(self, row: Indices) -> list[Any]:
        """The values of one point, as scikit-optimize takes and gives them."""
        return [
            value.item() if isinstance(value := levels[k], np.generic) else value
            for levels, k in zip(self.values, row.tolist(), strict=True)
        ]

    def nearest(self, inputs: Floats) -> Indices:
        """The points nearest to coordinates, shape (n, columns); shape (n, d)."""
        found, first = [], 0
        for table in self._inputs:
            part = inputs[:, first : first + table.shape[1]]
            first += table.shape[1]
            if table.shape[1] == 1 and len(table) > 1:
                below = np.clip(np.searchsorted(table[:, 0], part[:, 0]), 1, len(table) - 1)
                lower = part[:, 0] - table[below - 1, 0] < table[below, 0] - part[:, 0]
                found.append(below - lower)
            else:
                off = part[:, None, :] - table[None, :, :]
                found.append(np.argmin(np.sum(off**2, axis=2), axis=1))
        return np.column_stack(found).astype(np.int64)

    def spread(self, n: int, rng: np.random.Generator) -> Indices:
        """Points spread evenly over the lattice, shape (n, d)."""
        return (even_points(n, len(self.sizes), rng) * self.sizes).astype(np.int64)

    def best(
        self, score: Score, near: Indices, taken: Indices, rng: np.random.Generator
    ) -> Indices | None:
        """The point of the highest score that the search finds, shape (d,); None where all points
        are taken.

        Args:
            score: function from points, (n, d), to scores, (n,).
            near: points around which to search too, shape (m, d).
            taken: points that may not be chosen, shape (k, d).
            rng: draws the spread points and the directions of the climbs.
        """
        pool = np.vstack([self.spread(POOL, rng), *(self._around(near, r, rng) for r in REACHES)])
        pool = self._free(pool, taken)
        if not len(pool):
            # A small space may have free points that the pool missed.
            pool = self._free(self._every(), taken)
        if not len(pool):
            return None
        values = score(pool)
        first = top(values, SHORTLIST)
        points, values = pool[first], values[first]
        for reach in REACHES:

            def neighbors(at: Indices, reach: float = reach) -> Indices:
                return self._free(self._around(at, reach, rng), taken)

            points, values = climb(points, values, score, neighbors, ROUNDS, CLIMBERS)
        found: Indices = points[top(values, 1)[0]]
        return found

    def _free(self, points: Indices, taken: Indices) -> Indices:
        points = distinct_in_order(points)
        return points[~np.isin(keys(points), keys(taken))] if len(taken) else points

    def _every(self) -> Indices:
        """All points, where they are few; else none."""
        if float(np.prod(self.sizes.astype(float))) > MOST_LEVELS:
            return np.empty((0, len(self.sizes)), dtype=np.int64)
        return np.array(list(np.ndindex(*self.sizes)), dtype=np.int64)

    def _around(self, at: Indices, reach: float, rng: np.random.Generator) -> Indices:
        """Neighbors of points, (n, d): a step along each dimension, and random directions."""
        if not len(at):
            return at
        d = len(self.sizes)
        step = np.maximum(1, np.rint(reach * (self.sizes - 1))).astype(np.int64)
        axes = np.vstack([np.diag(step), -np.diag(step)])
        random = np.rint(rng.standard_normal((2 * d, d)) * step).astype(np.int64)
        moved = (at[:, None, :] + np.vstack([axes, random])[None, :, :]).reshape(-1, d)
        # Categories have no order: a step leads to any other one.
        steps = np.where(self.ordered, np.clip(moved, 0, self.sizes - 1), moved % self.sizes)
        return steps.astype(np.int64)


def _levels(dimension: Dimension) -> Any:
    """The values of a dimension that may be asked for, in order."""
    if isinstance(dimension, Categorical):
        return list(dimension.categories)
    most = MOST_LEVELS
    if isinstance(dimension, Integer):
        most = min(most, int(dimension.high) - int(dimension.low) + 1)
    levels = np.asarray(dimension.inverse_transform(np.linspace(0.0, 1.0, most)))
    return np.unique(np.clip(levels, dimension.low, dimension.high))
