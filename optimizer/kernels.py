"""Covariances of a smooth quantity, and the features of a low-order trend, as plain functions.

Hyperparameters come as ``theta``, which begins with ``[ln ell_1 ... ln ell_d, ln s2]``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

SQRT_5 = float(np.sqrt(5.0))


def matern(theta: Floats, A: Floats, B: Floats, additive: float = 0.0) -> tuple[Floats, Floats]:
    """Matern-5/2 covariance, in part a sum of one function an input (``additive`` of it; Duvenaud,
    Nickisch & Rasmussen, NeurIPS 2011), the rest of all inputs jointly.

    Args:
        theta: hyperparameters.
        A, B: inputs, shapes (n, d) and (m, d).
        additive: share, from 0 to 1.

    Returns:
        The covariance, and the factor that, times a squared difference over ell^2, is the
        derivative of its joint part by ln ell; both (n, m).
    """
    d = A.shape[1]
    P, Q = A * np.exp(-theta[:d]), B * np.exp(-theta[:d])
    # Expanded squares need no (n, m, d) array; clipping removes rounding below zero.
    r2 = np.sum(P * P, 1)[:, None] + np.sum(Q * Q, 1)[None, :] - 2.0 * (P @ Q.T)
    r = SQRT_5 * np.sqrt(np.clip(r2, 0.0, None))
    decay = (1.0 - additive) * np.exp(theta[d] - r)
    linear = (1.0 + r) * decay
    smooth = linear + (r * r / 3.0) * decay
    for j in range(d if additive else 0):
        smooth += additive / d * matern_of_one(theta, A, B, j)
    return smooth, (5.0 / 3.0) * linear


def matern_of_one(theta: Floats, A: Floats, B: Floats, j: int) -> Floats:
    """Matern-5/2 covariance along input j alone, shape (n, m)."""
    r, places = _along(theta, A, B, j)
    decay = np.exp(theta[A.shape[1]] - r)
    return _at((1.0 + r) * decay + (r * r / 3.0) * decay, places)


def matern_of_one_slope(theta: Floats, A: Floats, B: Floats, j: int) -> Floats:
    """Derivative of ``matern_of_one`` by ln ell_j, shape (n, m)."""
    r, places = _along(theta, A, B, j)
    return _at((r * r / 3.0) * np.exp(theta[A.shape[1]] - r) * (1.0 + r), places)


def _along(theta: Floats, A: Floats, B: Floats, j: int) -> tuple[Floats, tuple[Indices, Indices]]:
    """Scaled distances between the distinct levels of input j, and the levels of each point.

    Settings stand on steps: a few dozen levels make up thousands of points, and an exponential
    costs many times what looking it up does.
    """
    a, at_a = np.unique(A[:, j], return_inverse=True)
    b, at_b = (a, at_a) if B is A else np.unique(B[:, j], return_inverse=True)
    return SQRT_5 * np.exp(-theta[j]) * np.abs(a[:, None] - b[None, :]), (at_a, at_b)


def _at(table: Floats, places: tuple[Indices, Indices]) -> Floats:
    return table[places[0]][:, places[1]]


def trend_features(X: Floats, trend: str, quadratic_in: int | None = None) -> Floats:
    """Features of a trend without its level, each of mean 0 and variance about 1 over the unit
    box; of a quadratic one, squares and products of the first ``quadratic_in`` inputs."""
    linear = (X - 0.5) * np.sqrt(12.0)
    if trend == "constant":
        return linear[:, :0]
    if trend == "linear":
        return linear
    z = linear[:, : X.shape[1] if quadratic_in is None else quadratic_in]
    i, j = np.triu_indices(z.shape[1], 1)
    return np.hstack([linear, (z**2 - 1.0) / np.sqrt(0.8), z[:, i] * z[:, j]])
