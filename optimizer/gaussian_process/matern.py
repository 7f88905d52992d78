"""The Matern-5/2 covariance, part of which is a sum over single inputs, and its derivatives.

For a stack of k sets of hyperparameters a covariance has shape (k, n, m) instead of (n, m).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.hyperparameters import Hyperparameters
    from optimizer.gaussian_process.inputs import Inputs

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

SQRT_5 = float(np.sqrt(5.0))


def matern(h: Hyperparameters, A: Inputs, B: Inputs, additive: float = 0.0) -> Floats:
    """Matern-5/2 covariance between A and B.

    Args:
        h: hyperparameters, with a length scale for each of the d inputs.
        A, B: n and m points.
        additive: share of the variance, from 0 to 1, that is a sum of functions of one input each
            (Duvenaud, Nickisch & Rasmussen, NeurIPS 2011); the rest depends on all inputs jointly.

    Returns:
        shape (n, m).
    """
    r, covariance = _joint(h, A, B, additive)
    # Written to one array: pools of points are large, and memory for new arrays costs time.
    polynomial = r / 3.0
    polynomial += 1.0
    polynomial *= r
    polynomial += 1.0
    covariance *= polynomial
    return _add_one_by_one(covariance, h, A, B, additive)


def matern_with_slope(
    h: Hyperparameters, A: Inputs, B: Inputs, additive: float = 0.0
) -> tuple[Floats, Floats]:
    """``matern``, and the slope of its joint part, each (n, m). A stack is not supported.

    The slope times (a_j - b_j)^2 / ell_j^2 is the derivative of the joint part by ln ell_j.
    """
    r, decay = _joint(h, A, B, additive)
    slope = decay * (1.0 + r)
    covariance = r * r
    covariance /= 3.0
    covariance *= decay
    covariance += slope
    slope *= 5.0 / 3.0
    return _add_one_by_one(covariance, h, A, B, additive), slope


def derivative_along(h: Hyperparameters, A: Inputs, B: Inputs, j: int) -> Floats:
    """Derivative by ln ell_j of the Matern-5/2 covariance along input j alone, shape (n, m)."""
    r, indices = _distance_along(h, A, B, j)
    return _look_up((r * r / 3.0) * np.exp(h.log_variance - r) * (1.0 + r), indices)


def _add_one_by_one(
    covariance: Floats, h: Hyperparameters, A: Inputs, B: Inputs, additive: float
) -> Floats:
    """The covariance of the joint part plus that of the part that is a sum over single inputs."""
    d = h.log_length_scales.shape[-1]
    for j in range(d if additive else 0):
        r, indices = _distance_along(h, A, B, j)
        decay = np.exp(h.log_variance[..., None, None] - r)
        covariance += _look_up(additive / d * (1.0 + r * (1.0 + r / 3.0)) * decay, indices)
    return covariance


def _joint(h: Hyperparameters, A: Inputs, B: Inputs, additive: float) -> tuple[Floats, Floats]:
    """Scaled distances over all inputs, and their exponential times the variance, each (n, m)."""
    per_length = np.exp(-h.log_length_scales[..., None, :])
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


def _distance_along(
    h: Hyperparameters, A: Inputs, B: Inputs, j: int
) -> tuple[Floats, tuple[Indices, Indices]]:
    """Scaled distances between the distinct levels of input j, and the level of each point."""
    (a, of_a), (b, of_b) = A.levels(j), B.levels(j)
    distance = np.abs(a[:, None] - b[None, :])
    return SQRT_5 * np.exp(-h.log_length_scales[..., j, None, None]) * distance, (of_a, of_b)


def _look_up(table: Floats, indices: tuple[Indices, Indices]) -> Floats:
    return table.take(indices[0], axis=-2).take(indices[1], axis=-1)
