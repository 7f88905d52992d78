"""The fully independent training conditional: many set-points explained by a few of them.

Snelson & Ghahramani, NeurIPS 2006; Quinonero-Candela & Rasmussen, JMLR 6, 2005. The variance of the
other points that the chosen points do not explain is treated as independent noise. A pivoted
Cholesky factorization chooses the points (Burt, Rasmussen & van der Wilk, JMLR 21, 2020), here with
regard to how precise the readings are. Cost O(n m^2) for n set-points and m chosen ones, memory
O(n m).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_factor, cho_solve

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# A point whose unexplained variance is below this share of the largest prior variance counts as
# explained.
EXPLAINED = 1e-6


def pivoted_cholesky(
    diagonal: Floats, column: Callable[[int], Floats], most: int, noise: Floats | float = 0.0
) -> tuple[NDArray[np.int64], Floats]:
    """Choose the points that explain most of a covariance, and factorize it on them.

    Of the variance d that the chosen points leave at another one, its own readings would explain
    d^2 / (d + noise), which is lost unless the point is chosen, too. The next point is the one that
    loses most, so that of equally remote set-points those with many readings come first. With equal
    noise it is the one with the most variance left.

    Args:
        diagonal: prior variances, shape (n,).
        column: function that returns the covariance of point i with all points, shape (n,).
        most: largest number of points to choose.
        noise: variances of the mean readings, shape (n,); 0 where they do not matter.

    Returns:
        Positions of the m chosen points, and A of shape (m, n): the covariance is about A'A, and
        exactly so at the chosen points.
    """
    left = np.array(diagonal, dtype=float)
    tiny = np.finfo(float).tiny
    enough = EXPLAINED * float(left.max())
    A = np.zeros((min(most, len(left)), len(left)))
    chosen: list[int] = []
    for k in range(len(A)):
        pivot = int(np.argmax(left**2 / (left + noise + tiny)))
        if left[pivot] <= enough:
            break
        chosen.append(pivot)
        A[k] = (column(pivot) - A[:k, pivot] @ A[:k]) / np.sqrt(left[pivot])
        left = np.clip(left - A[k] ** 2, 0.0, None)
        left[chosen] = 0.0
    return np.array(chosen), A[: len(chosen)]


def condition(A: Floats, diagonal: Floats, noise: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Condition the whitened values at the m chosen points on n readings.

    Args:
        A: factor on the chosen points, shape (m, n).
        diagonal: prior variances, shape (n,).
        noise: variances of the mean readings, shape (n,).
        y: mean readings less their prior means, shape (n,).

    Returns:
        ``weights`` (m,) and ``root`` (m, m): at a point whose whitened covariance with the chosen
        points is a, the posterior mean is a'weights and the explained variance is |root a|^2.
    """
    unexplained = np.clip(diagonal - np.sum(A * A, axis=0), 0.0, None)
    scaled = A / (noise + unexplained)
    B = np.eye(len(A)) + scaled @ A.T
    weights = cho_solve(cho_factor(B), scaled @ y)
    values, vectors = np.linalg.eigh(B)
    root = np.sqrt(1.0 - 1.0 / np.clip(values, 1.0, None))[:, None] * vectors.T
    return weights, root
