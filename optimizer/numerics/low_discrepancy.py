"""Points spread evenly over the unit cube.

A Kronecker sequence shifted by a seeded offset: point k is frac(offset + k alpha), with
alpha_j = 1 / g^j and g the root of g^(d+1) = g + 1 (Roberts, "The unreasonable effectiveness of
quasirandom sequences", 2018). Using the sequences of scipy would load all of its statistics
package, which takes longer than planning.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# The fixed-point iteration for g is a contraction; after this many steps every digit is correct.
ROOT_STEPS = 64


def even_points(n: int, d: int, rng: np.random.Generator) -> Floats:
    """Points spread evenly over the open unit cube.

    Args:
        n: number of points.
        d: number of dimensions.
        rng: random generator that draws the offset.

    Returns:
        shape (n, d).

    >>> points = even_points(1000, 2, np.random.default_rng(0))
    >>> counts = np.histogramdd(points, bins=(5, 5))[0]
    >>> bool(counts.min() >= 36 and counts.max() <= 44)
    True
    """
    g = 2.0
    for _ in range(ROOT_STEPS):
        g = (1.0 + g) ** (1.0 / (d + 1.0))
    alpha = g ** -np.arange(1.0, d + 1.0)
    points = np.mod(rng.random(d) + np.arange(1, n + 1)[:, None] * alpha, 1.0)
    tiny = np.finfo(float).eps
    return np.clip(points, tiny, 1.0 - tiny)
