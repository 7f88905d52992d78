"""The Matern-5/2 covariance, part of which is a sum over single inputs, and its derivatives.

For a stack of k sets of hyperparameters a covariance has shape (k, n, m) instead of (n, m). Inputs
that share a length scale (see ``SharedLengths``) count as one input of several dimensions.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.hyperparameters import Hyperparameters
    from optimizer.gaussian_process.inputs import Inputs

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

SQRT_5 = float(np.sqrt(5.0))


@dataclass(frozen=True)
class SharedLengths:
    """Which length scale each of d inputs has, where some inputs share one.

    Args:
        which: number of the length scale of each input, counted from 0, length d.
        ratio: length scale of each input over that number's length scale, length d.
    """

    which: tuple[int, ...]
    ratio: tuple[float, ...]

    @cached_property
    def members(self) -> tuple[tuple[int, ...], ...]:
        """The inputs of each length scale."""
        return tuple(
            tuple(c for c, number in enumerate(self.which) if number == j)
            for j in range(max(self.which) + 1)
        )

    def spread(self, log_lengths: Floats) -> Floats:
        """ln of the length scale of each input, shape (..., d), from those that are shared."""
        return np.asarray(log_lengths[..., list(self.which)] + np.log(self.ratio))

    def total(self, by_input: Floats) -> Floats:
        """Sums of a quantity of each input, shape (d,), over the inputs of each length scale."""
        return np.asarray(np.bincount(self.which, weights=by_input), dtype=float)


def matern(
    h: Hyperparameters,
    A: Inputs,
    B: Inputs,
    additive: float = 0.0,
    shared: SharedLengths | None = None,
) -> Floats:
    """Matern-5/2 covariance between A and B.

    Args:
        h: hyperparameters, with their length scales.
        A, B: n and m points.
        additive: share of the variance, from 0 to 1, that is a sum of functions of one input each
            (Duvenaud, Nickisch & Rasmussen, NeurIPS 2011); the rest depends on all inputs jointly.
        shared: which length scale each input has; None for one each.

    Returns:
        shape (n, m).
    """
    r, covariance = _joint(h, A, B, additive, shared)
    # Written to one array: pools of points are large, and memory for new arrays costs time.
    polynomial = r / 3.0
    polynomial += 1.0
    polynomial *= r
    polynomial += 1.0
    covariance *= polynomial
    return _add_one_by_one(covariance, h, A, B, additive, shared)


def matern_with_slope(
    h: Hyperparameters,
    A: Inputs,
    B: Inputs,
    additive: float = 0.0,
    shared: SharedLengths | None = None,
) -> tuple[Floats, Floats]:
    """``matern``, and the slope of its joint part, each (n, m). A stack is not supported.

    The slope times (a_j - b_j)^2 / ell_j^2 is the derivative of the joint part by ln ell_j.
    """
    r, decay = _joint(h, A, B, additive, shared)
    slope = decay * (1.0 + r)
    covariance = r * r
    covariance /= 3.0
    covariance *= decay
    covariance += slope
    slope *= 5.0 / 3.0
    return _add_one_by_one(covariance, h, A, B, additive, shared), slope


def matern_of_pairs(
    h: Hyperparameters,
    A: Inputs,
    B: Inputs,
    additive: float = 0.0,
    shared: SharedLengths | None = None,
) -> Floats:
    """The covariance ``matern`` of each point of A and the point of B in the same row, (n,)."""
    squares = ((A.values - B.values) * _per_length(h, shared)) ** 2

    def of(squared: Floats) -> Floats:
        r = SQRT_5 * np.sqrt(squared)
        return np.asarray((1.0 + r * (1.0 + r / 3.0)) * np.exp(-r))

    found = (1.0 - additive) * of(squares.sum(axis=-1))
    d = h.log_length_scales.shape[-1]
    for j in range(d if additive else 0):
        members = [j] if shared is None else list(shared.members[j])
        found += additive / d * of(squares[..., members].sum(axis=-1))
    return np.asarray(np.exp(h.log_variance[..., None]) * found)


def derivative_along(
    h: Hyperparameters, A: Inputs, B: Inputs, j: int, shared: SharedLengths | None = None
) -> Floats:
    """Derivative by ln ell_j of the Matern-5/2 covariance along the inputs of length scale j alone,
    shape (n, m)."""
    r, indices = _distance_along(h, A, B, j, shared)
    return _look_up((r * r / 3.0) * np.exp(h.log_variance - r) * (1.0 + r), indices)


def _add_one_by_one(
    covariance: Floats,
    h: Hyperparameters,
    A: Inputs,
    B: Inputs,
    additive: float,
    shared: SharedLengths | None,
) -> Floats:
    """The covariance of the joint part plus that of the part that is a sum over single inputs."""
    d = h.log_length_scales.shape[-1]
    for j in range(d if additive else 0):
        r, indices = _distance_along(h, A, B, j, shared)
        decay = np.exp(h.log_variance[..., None, None] - r)
        covariance += _look_up(additive / d * (1.0 + r * (1.0 + r / 3.0)) * decay, indices)
    return covariance


def _joint(
    h: Hyperparameters, A: Inputs, B: Inputs, additive: float, shared: SharedLengths | None
) -> tuple[Floats, Floats]:
    """Scaled distances over all inputs, and their exponential times the variance, each (n, m)."""
    per_length = _per_length(h, shared)
    P = A.values * per_length
    Q = P if A is B else B.values * per_length
    of_p = np.sum(P * P, -1)
    of_q = of_p if A is B else np.sum(Q * Q, -1)
    # Expanded squares need no (n, m, d) array; clipping removes rounding below zero.
    r = P @ np.swapaxes(-2.0 * Q, -1, -2)
    r += of_p[..., :, None]
    r += of_q[..., None, :]
    np.sqrt(np.maximum(r, 0.0, out=r), out=r)
    r *= SQRT_5
    decay = np.negative(r)
    np.exp(decay, out=decay)
    decay *= (1.0 - additive) * np.exp(h.log_variance[..., None, None])
    return r, decay


def _per_length(h: Hyperparameters, shared: SharedLengths | None) -> Floats:
    """One over the length scale of each input, shape (..., 1, d)."""
    lengths = h.log_length_scales
    return np.asarray(
        np.exp(-(lengths if shared is None else shared.spread(lengths))[..., None, :])
    )


def _distance_along(
    h: Hyperparameters, A: Inputs, B: Inputs, j: int, shared: SharedLengths | None
) -> tuple[Floats, tuple[Indices, Indices] | None]:
    """Scaled distances along the inputs of length scale j.

    Where it has one input, they are between the distinct levels of that input and come with the
    level of each point; else they are between all points, shape (n, m), and come with None.
    """
    members = (j,) if shared is None else shared.members[j]
    scale = SQRT_5 * np.exp(-h.log_length_scales[..., j, None, None])
    if len(members) == 1:
        (a, of_a), (b, of_b) = A.levels(members[0]), B.levels(members[0])
        return scale * np.abs(a[:, None] - b[None, :]), (of_a, of_b)
    assert shared is not None
    # Differences, not expanded squares: equal inputs must add exactly nothing to a distance.
    squares = np.zeros((len(A), len(B)))
    for c in members:
        between = (A.values[:, c, None] - B.values[None, :, c]) / shared.ratio[c]
        squares += between * between
    return scale * np.sqrt(squares), None


def _look_up(table: Floats, indices: tuple[Indices, Indices] | None) -> Floats:
    if indices is None:
        return table
    return table.take(indices[0], axis=-2).take(indices[1], axis=-1)
