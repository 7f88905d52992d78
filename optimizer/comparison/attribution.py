"""Which settings make a gap: Shapley's attribution.

Between settings now and better ones lie 2^d corners, in which some settings have moved and the
rest have not. Shapley's value of a setting is the average, over all orders of moving them one by
one, of what moving it adds (Shapley, in Contributions to the Theory of Games II, 1953). It is the
only attribution whose parts sum to the whole, give nothing to a setting that does nothing, and
treat two that do the same alike:

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
    """All 2^d mixtures of two points, shape (2^d, d); bit j of the row says whether j moved."""
    d = len(now)
    moved = (np.arange(2**d)[:, None] >> np.arange(d)) & 1
    return np.where(moved == 1, better, now)


@lru_cache(maxsize=8)
def _weights(d: int) -> Floats:
    """W with phi = W v, v the values at the corners; shape (d, 2^d)."""
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
    """Parts of ``values[..., -1] - values[..., 0]``, one an input.

    Args:
        values: of a function at ``corners``, shape (..., 2^d).

    Returns:
        shape (..., d); sums over the last axis to the difference.

    >>> a, b = 3.0, 2.0
    >>> shapley(np.array([0.0, a, b, a + b + 1.0])).tolist()
    [3.5, 2.5]
    """
    d = int(values.shape[-1]).bit_length() - 1
    return np.asarray(values @ _weights(d).T)
