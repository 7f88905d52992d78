"""Draws of one process at many points at once, and what is left unknown given each draw."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.solvers import Posterior
from optimizer.numerics.cholesky import factorize, solve_lower, transposed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Smallest variance given a draw, in scaled output: at a base point itself nothing is left unknown,
# and rounding may leave less than nothing.
LEAST_VARIANCE = 1e-14


class ProcessDraws:
    """Joint draws of a process at base points, and the conditional distribution given each draw.

    All output is scaled; a stack of k posteriors has a first axis of length k throughout.

    Args:
        posterior: posterior from which to draw.
        base: the m base points.
        normals: standard normals, shape (draws, at least m), or (k, draws, at least m).
    """

    def __init__(self, posterior: Posterior, base: Inputs, normals: Floats) -> None:
        self.posterior, self.base, self._normals = posterior, base, normals
        self._mean, self._explained = posterior.project(base)
        explained = transposed(self._explained) @ self._explained
        self._lower = factorize(posterior.covariance(base, base) - explained)
        self._white = normals[..., : len(base)]

    @property
    def values(self) -> Floats:
        """The process drawn at the base points, shape (draws, m)."""
        return np.asarray(self._mean[..., None, :] + self._white @ transposed(self._lower))

    def conditional(self, A: Inputs) -> tuple[Floats, Floats]:
        """Means at A, shape (n, d), given each draw, (draws, n), and their common variance,
        (n,)."""
        mean, V = self.posterior.project(A)
        cross = self.posterior.covariance(self.base, A) - transposed(self._explained) @ V
        W = solve_lower(self._lower, cross)
        left = self.posterior.variance(A) - np.sum(V * V, axis=-2) - np.sum(W * W, axis=-2)
        return mean[..., None, :] + self._white @ W, np.maximum(left, LEAST_VARIANCE)

    def extend(self, point: Floats) -> ProcessDraws:
        """The draws extended by one more base point, shape (1, d)."""
        more = Inputs(np.vstack([self.base.values, point]))
        return ProcessDraws(self.posterior, more, self._normals)
