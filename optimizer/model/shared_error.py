"""The error that the two readings of a run share, and its likelihood.

Grade and recovery of a run come from the same sample and the same deck, so the errors of the two
quantities that are modelled hang together: by the known errors of counts and weighings, and by the
noise of the process itself, whose correlation is estimated.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.numerics.fingerprint import fingerprint

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.solvers import Posterior

    Floats = NDArray[np.float64]

LOG_2PI = float(np.log(2.0 * np.pi))
# Largest share of the product of two variances that the square of their covariance may have.
MOST_SHARED = 0.998


@dataclass(frozen=True, eq=False)
class SharedError:
    """Covariance of the errors of two readings of a run, at u set-points; compared by value.

    Args:
        known: known covariance of the errors of one pair of readings, shape (u,).
        scatter: sum of products of the two readings about their means, shape (u,).
        correlation: correlation of the estimated parts of the two errors.
    """

    known: Floats
    scatter: Floats
    correlation: float = 0.0

    @cached_property
    def _key(self) -> tuple[Any, ...]:
        return fingerprint(self.known, self.scatter), self.correlation

    def __hash__(self) -> int:
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, SharedError) and self._key == other._key

    def correlated(self, correlation: float) -> SharedError:
        """The same errors with another correlation of their estimated parts."""
        return replace(self, correlation=correlation)

    def of_subset(self, index: NDArray[np.int64]) -> SharedError:
        """The errors at the set-points with these indices."""
        return replace(self, known=self.known[index], scatter=self.scatter[index])

    def of_readings(self, first: Posterior, second: Posterior) -> Floats:
        """Covariance of the errors of one pair of readings, shape (u,), or (k, u) for a stack."""
        return self._of(first, second, self.known)

    def of_means(self, first: Posterior, second: Posterior) -> Floats:
        """Covariance of the errors of the mean readings, shape (u,), or (k, u) for a stack."""
        covariance: Floats = self._of(first, second, self.known) / first.readings.counts
        return covariance

    def _of(self, first: Posterior, second: Posterior, known: Floats) -> Floats:
        noises = first.hyperparameters.noise, second.hyperparameters.noise
        estimated = self.correlation * np.sqrt(noises[0] * noises[1])
        covariance = known + np.asarray(estimated)[..., None]
        most = MOST_SHARED * np.sqrt(first.noise_of_readings * second.noise_of_readings)
        return np.clip(covariance, -most, most)

    def log_likelihood_within(self, first: Posterior, second: Posterior) -> float:
        """Log likelihood of all replicates about the means of their set-points, for one member.

        Each set-point of a readings with scatter matrix SS and error W of one pair contributes
        -[tr(W^-1 SS) + (a - 1) (2 log 2 pi + log|W|) + 2 log a] / 2.
        """
        a, b = first.noise_of_readings, second.noise_of_readings
        c = self.of_readings(first, second)
        p, q, counts = first.readings.scatter, second.readings.scatter, first.readings.counts
        determinant = a * b - c**2
        trace = (b * p + a * q - 2.0 * c * self.scatter) / determinant
        each = trace + (counts - 1.0) * (2.0 * LOG_2PI + np.log(determinant)) + 2.0 * np.log(counts)
        return -0.5 * float(np.sum(each))
