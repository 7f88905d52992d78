"""The likelihood of all readings, from the readings collapsed to their distinct set-points.

The value is exact, and its cost depends only on the number of distinct set-points (Binois, Gramacy
& Ludkovski, J. Comput. Graph. Stat. 27, 2018, 808). With means m, counts a, sums of squares SS,
known variance v and noise s2_n:

    -1/2 m' (K + D)^-1 m - 1/2 log|K + D| - u/2 log 2 pi
    - 1/2 sum_i [SS_i / w_i + (a_i - 1) log(2 pi w_i) + log a_i],   w = v + s2_n,  D = diag(w / a).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.gaussian_process.hyperparameters import Hyperparameters
from optimizer.gaussian_process.kernel import some_points
from optimizer.gaussian_process.noise import Noise
from optimizer.gaussian_process.prior import Prior
from optimizer.gaussian_process.replicates import CollapsedReadings
from optimizer.numerics.cholesky import diagonal_of, factorize, inverse, solve_lower, solve_upper

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LOG_2PI = float(np.log(2.0 * np.pi))
# Number of matrix entries that are factorized in one call: few enough to stay in a cache.
STACKED = 100_000
HUGE = 1e30


@dataclass(frozen=True)
class Likelihood:
    """Log likelihood of all readings as a function of the hyperparameters' vector, shape (p,).

    Args:
        prior: the process before any reading.
        noise: model of the noise of readings.
        readings: readings collapsed to distinct set-points, in scaled output.
    """

    prior: Prior
    noise: Noise
    readings: CollapsedReadings

    def of_subset(self, index: NDArray[np.int64]) -> Likelihood:
        """The likelihood of only the readings at the set-points with these indices."""
        return replace(self, readings=self.readings.take(index))

    def some(self, most: int, rng: np.random.Generator) -> NDArray[np.int64]:
        """Indices of at most ``most`` random set-points, see ``kernel.some_points``."""
        return some_points(self.readings.X, self.prior.kernel.groupings, most, rng)

    def named(self, vector: Floats) -> Hyperparameters:
        """The hyperparameters of a vector by name."""
        return Hyperparameters.from_vector(vector, len(self.prior.kernel.correlations))

    def with_gradient(self, vector: Floats) -> tuple[float, Floats]:
        """Log likelihood and its gradient, shape (p,), at one vector, shape (p,)."""
        data, h = self.readings, self.named(vector)
        covariance, gradient = self.prior.covariance_and_gradient(h, data.inputs)
        w = self.noise.of_readings(h, data)
        diagonal_of(covariance)[:] += w / data.counts
        lower = factorize(covariance)
        off = data.mean - self.prior.expected(data.inputs)
        whitened = solve_lower(lower, off)
        alpha = solve_upper(lower, whitened)
        value = float(self._value(whitened, np.log(np.diag(lower)), w))
        inner = np.outer(alpha, alpha) - inverse(lower)
        extra = data.counts - 1.0
        by_noise = np.diag(inner) / data.counts + data.scatter / w**2 - extra / w
        by_log_noise = 0.5 * h.noise * float(np.sum(by_noise))
        return value, replace(gradient(inner), log_noise=by_log_noise).vector

    def of_many(self, vectors: Floats) -> Floats:
        """Log likelihoods, shape (k,), at several vectors, shape (k, p).

        Where set-points are few, one call that factorizes a stack of matrices is much faster than
        one call for each matrix.
        """
        data, n = self.readings, len(self.readings.mean)
        most = max(1, STACKED // n**2)
        if len(vectors) > most:
            parts = [vectors[k : k + most] for k in range(0, len(vectors), most)]
            return np.concatenate([self.of_many(part) for part in parts])
        h = self.named(vectors)
        w = self.noise.of_readings(h, data)
        # The factor of [[K, y], [y', huge]] has (L^-1 y)' below the factor L of K.
        off = data.mean - self.prior.expected(data.inputs)
        bordered = np.full((len(vectors), n + 1, n + 1), HUGE)
        bordered[:, :n, :n] = self.prior.covariance(h, data.inputs, data.inputs)
        bordered[:, n, :n] = bordered[:, :n, n] = off
        diagonal = np.arange(n)
        bordered[:, diagonal, diagonal] += w / data.counts
        try:
            lower = np.linalg.cholesky(bordered)
        except np.linalg.LinAlgError:
            return np.array([self.with_gradient(vector)[0] for vector in vectors])
        log_diagonal = np.log(lower[:, diagonal, diagonal])
        values: Floats = self._value(lower[:, n, :n], log_diagonal, w)
        return values

    def _value(self, whitened: Floats, log_diagonal: Floats, w: Floats) -> Any:
        """The log likelihood, from means that are whitened by the factor of their covariance.

        Args:
            whitened: mean readings less their prior means, times the inverse of the factor, (...,
                u).
            log_diagonal: logarithms of the diagonal entries of the factor, (..., u).
            w: variance of one reading at each set-point, (..., u).

        Returns:
            shape (...).
        """
        data = self.readings
        scatter = data.scatter / w + (data.counts - 1.0) * (LOG_2PI + np.log(w))
        within = 0.5 * np.sum(scatter + LOG_2PI + np.log(data.counts), axis=-1)
        return -0.5 * np.sum(whitened**2, axis=-1) - np.sum(log_diagonal, axis=-1) - within
