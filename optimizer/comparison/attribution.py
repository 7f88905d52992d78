"""Shapley's attribution: how much each setting contributes to a gap.

Between the present and the better values of d settings there are 2^d combinations, called corners:
in each, some settings have moved and the others have not. The Shapley value of a setting is what
moving it adds, averaged over all orders in which the settings can be moved one by one (Shapley, in
Contributions to the Theory of Games II, 1953). It is the only additive attribution whose parts sum
to the whole, give nothing to a setting without effect, and give equal parts to two settings with
equal effects:

    phi_j = sum over sets T without j of |T|! (d - |T| - 1)! / d! (v(T + j) - v(T)).
"""

from __future__ import annotations

from functools import lru_cache
from math import factorial
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]


def corners(now: Indices, better: Indices) -> Indices:
    """All 2^d combinations of two points.

    Args:
        now, better: lattice indices of the two points, shape (d,).

    Returns:
        Shape (2^d, d); bit j of a row's number says whether setting j has moved.
    """
    d = len(now)
    moved = (np.arange(2**d)[:, None] >> np.arange(d)) & 1
    return np.where(moved == 1, better, now)


@lru_cache(maxsize=8)
def _weights(d: int) -> Floats:
    """The matrix W, shape (d, 2^d), of phi = W v, where v holds the values at the corners."""
    sets = np.arange(2**d)
    size = sum((sets >> j) & 1 for j in range(d))
    weights = np.zeros((d, 2**d))
    for j in range(d):
        inside = ((sets >> j) & 1) == 1
        for k in range(d):
            share = factorial(k) * factorial(d - k - 1) / factorial(d)
            weights[j, inside & (size == k + 1)] = share
            weights[j, ~inside & (size == k)] = -share
    return weights


def shapley(values: Floats) -> Floats:
    """Shapley values of the d inputs of a function.

    Args:
        values: values of the function at ``corners``, shape (..., 2^d).

    Returns:
        Shape (..., d); the sum over the last axis is ``values[..., -1] - values[..., 0]``.

    >>> a, b = 3.0, 2.0
    >>> shapley(np.array([0.0, a, b, a + b + 1.0])).tolist()
    [3.5, 2.5]
    """
    d = int(values.shape[-1]).bit_length() - 1
    return np.asarray(values @ _weights(d).T)
