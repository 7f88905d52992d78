"""Covariances of a smooth quantity, and the features of a low-order trend, as plain functions.

Hyperparameters come as ``theta``, which begins with ``[ln ell_1 ... ln ell_d, ln s2]``; ``matern``
also takes several at once, shape (k, at least d + 1), and then gives (k, n, m).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

SQRT_5 = float(np.sqrt(5.0))
# A uniform unit input times this has variance 1.
PER_UNIT = float(np.sqrt(12.0))


class Inputs:
    """Points, shape (n, d), and the distinct levels of each input, which are looked for once.

    Settings stand on steps: a few dozen levels make up thousands of points, and an exponential
    costs many times what looking it up does.
    """

    def __init__(self, values: Floats) -> None:
        self.values = values
        self._levels: dict[int, tuple[Floats, Indices]] = {}
        self._known: dict[Any, Any] = {}
        self._seen: dict[Any, Inputs] = {}

    @classmethod
    def of(cls, A: ArrayLike | Inputs) -> Inputs:
        """Points as they are, or an array of them."""
        return A if isinstance(A, Inputs) else cls(np.atleast_2d(np.asarray(A, dtype=float)))

    def __len__(self) -> int:
        return len(self.values)

    def once(self, of: Callable[[Floats], Any]) -> Any:
        """What a function makes of the points' values, worked out once."""
        return self.kept(of, lambda: of(self.values))

    def kept(self, key: Any, made: Callable[[], Any]) -> Any:
        """What was made of the points under this key, made once."""
        if key not in self._known:
            self._known[key] = made()
        return self._known[key]

    def seen(self, view: Callable[[Floats], Floats] | None) -> Inputs:
        """The points in other coordinates, of (n, d) to (n, d); as they are when None."""
        if view is None:
            return self
        if view not in self._seen:
            self._seen[view] = Inputs(view(self.values))
        return self._seen[view]

    def levels(self, j: int) -> tuple[Floats, Indices]:
        """Distinct values of input j, and which of them each point has, shape (n,)."""
        if j not in self._levels:
            levels, places = np.unique(self.values[:, j], return_inverse=True)
            self._levels[j] = levels, places.ravel()
        return self._levels[j]


def matern(theta: Floats, A: Inputs, B: Inputs, d: int, additive: float = 0.0) -> Floats:
    """Matern-5/2 covariance, in part a sum of one function an input (``additive`` of it; Duvenaud,
    Nickisch & Rasmussen, NeurIPS 2011), the rest of all inputs jointly.

    Args:
        theta: hyperparameters.
        A, B: n and m points, of which the first d inputs count.
        d: inputs.
        additive: share, from 0 to 1.

    Returns:
        shape (n, m).
    """
    r, smooth = _joint(theta, A, B, d, additive)
    smooth *= 1.0 + r * (1.0 + r / 3.0)
    return _with_sum(smooth, theta, A, B, d, additive)


def matern_with_slope(
    theta: Floats, A: Inputs, B: Inputs, d: int, additive: float = 0.0
) -> tuple[Floats, Floats]:
    """``matern`` of one theta, and the factor that, times a squared difference over ell^2, is the
    derivative of its joint part by ln ell; each (n, m)."""
    r, decay = _joint(theta, A, B, d, additive)
    slope = decay * (1.0 + r)
    smooth = slope + decay * (r * r / 3.0)
    slope *= 5.0 / 3.0
    return _with_sum(smooth, theta, A, B, d, additive), slope


def _with_sum(
    smooth: Floats, theta: Floats, A: Inputs, B: Inputs, d: int, additive: float
) -> Floats:
    """The joint part with what is a sum of one function an input."""
    for j in range(d if additive else 0):
        r, places = _along(theta, A, B, j)
        decay = np.exp(theta[..., d, None, None] - r)
        smooth += _at(additive / d * (1.0 + r * (1.0 + r / 3.0)) * decay, places)
    return smooth


def matern_of_one_slope(theta: Floats, A: Inputs, B: Inputs, d: int, j: int) -> Floats:
    """Derivative by ln ell_j of the Matern-5/2 covariance along input j alone, shape (n, m)."""
    r, places = _along(theta, A, B, j)
    return _at((r * r / 3.0) * np.exp(theta[d] - r) * (1.0 + r), places)


def _joint(theta: Floats, A: Inputs, B: Inputs, d: int, additive: float) -> tuple[Floats, Floats]:
    """Scaled distances over all inputs, and their exponential times the variance, each (n, m)."""
    per_length = np.exp(-theta[..., None, :d])
    P, Q = A.values[:, :d] * per_length, B.values[:, :d] * per_length
    # Expanded squares need no (n, m, d) array; clipping removes rounding below zero.
    r = P @ np.swapaxes(-2.0 * Q, -1, -2)
    r += np.sum(P * P, -1)[..., :, None]
    r += np.sum(Q * Q, -1)[..., None, :]
    np.sqrt(np.maximum(r, 0.0, out=r), out=r)
    r *= SQRT_5
    decay = np.exp(-r)
    decay *= (1.0 - additive) * np.exp(theta[..., d, None, None])
    return r, decay


def _along(theta: Floats, A: Inputs, B: Inputs, j: int) -> tuple[Floats, tuple[Indices, Indices]]:
    """Scaled distances between the distinct levels of input j, and the levels of each point."""
    (a, at_a), (b, at_b) = A.levels(j), B.levels(j)
    apart = np.abs(a[:, None] - b[None, :])
    return SQRT_5 * np.exp(-theta[..., j, None, None]) * apart, (at_a, at_b)


def _at(table: Floats, places: tuple[Indices, Indices]) -> Floats:
    return table.take(places[0], axis=-2).take(places[1], axis=-1)


def trend_features(X: Floats, trend: str, quadratic_in: int | None = None) -> Floats:
    """Features of a trend without its level, each of mean 0 and variance about 1 over the unit
    box; of a quadratic one, squares and products of the first ``quadratic_in`` inputs."""
    linear = (X - 0.5) * PER_UNIT
    if trend == "constant":
        return linear[:, :0]
    if trend == "linear":
        return linear
    z = linear[:, : X.shape[1] if quadratic_in is None else quadratic_in]
    i, j = np.triu_indices(z.shape[1], 1)
    return np.hstack([linear, (z**2 - 1.0) / np.sqrt(0.8), z[:, i] * z[:, j]])
