"""Readings collapsed to their distinct set-points, and the likelihood of all of them.

Exact, at the cost of the distinct set-points (Binois, Gramacy & Ludkovski, J. Comput. Graph. Stat.
27, 2018, 808).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.gaussian_process.kernels import Inputs

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LOG_2PI = float(np.log(2.0 * np.pi))


@dataclass(frozen=True)
class Readings:
    """Collapsed readings in standardised output: X (u, d), the rest (u,)."""

    X: Floats
    mean: Floats
    known_variance: Floats
    counts: Floats
    scatter: Floats

    @cached_property
    def inputs(self) -> Inputs:
        """The set-points, for covariances."""
        return Inputs(self.X)

    def take(self, index: NDArray[np.int64]) -> Readings:
        """Some of the set-points."""
        return Readings(
            self.X[index],
            self.mean[index],
            self.known_variance[index],
            self.counts[index],
            self.scatter[index],
        )

    def log_likelihood(self, whitened: Floats, log_diagonal: Floats, noise: Any) -> Any:
        """Of all readings, where the means have been whitened by the factor of their covariance.

        Args:
            whitened: means off what was expected, times the inverse of the factor, (..., u).
            log_diagonal: logarithms of the diagonal of the factor, (..., u).
            noise: estimated variance of one reading besides the known, (..., 1).

        Returns:
            shape (...).
        """
        w = self.known_variance + noise
        scatter = self.scatter / w + (self.counts - 1.0) * (LOG_2PI + np.log(w))
        within = 0.5 * np.sum(scatter + LOG_2PI + np.log(self.counts), axis=-1)
        return -0.5 * np.sum(whitened**2, axis=-1) - np.sum(log_diagonal, axis=-1) - within
