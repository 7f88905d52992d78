"""Which hyperparameters a process uses: given ones, or ones estimated from the readings."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.optimize import minimize

from optimizer.gaussian_process.hyperparameters import HyperparameterPrior
from optimizer.gaussian_process.likelihood import Likelihood
from optimizer.gaussian_process.resampling import resample

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# With more set-points than this, the search for the mode starts on a random subset of this size:
# 300 points determine the surface well, and only the last few gradient steps need all points.
SEARCH_POINTS = 300
SEARCH_STEPS, REFINE_STEPS = 60, 10


@dataclass(frozen=True)
class Given:
    """Fixed hyperparameters, which are not estimated.

    Args:
        vector: the hyperparameters in the order of ``Hyperparameters``, length p.
    """

    vector: tuple[float, ...]

    def choose(self, posterior: HyperparameterPosterior, refine: bool, seed: int) -> Floats:
        """The given vector, shape (1, p); the readings have no effect."""
        return np.array([self.vector], dtype=float)


@dataclass(frozen=True)
class Estimated:
    """Hyperparameters estimated by their posterior: its mode alone, or draws around the mode.

    Args:
        members: number of draws to average over; 1 stands for the mode alone.
        searches: number of gradient searches for the mode, each from a different start.
        start: vector, length p, from which a single search starts; None to start searches from the
            priors.
    """

    members: int = 1
    searches: int = 2
    start: tuple[float, ...] | None = None

    def choose(self, posterior: HyperparameterPosterior, refine: bool, seed: int) -> Floats:
        """The mode, shape (1, p), or draws, shape (members, p).

        Args:
            posterior: posterior density of the hyperparameters.
            refine: whether the last gradient steps use all set-points after the first steps used a
                subset.
            seed: seed of the random subset, the starts and the draws.
        """
        mode = self._mode(posterior, refine, seed)
        if self.members == 1:
            return mode[None, :]
        return resample(
            mode,
            lambda vector: posterior.negative(vector)[1],
            posterior.of_many,
            posterior.prior.bounds,
            self.members,
            seed,
        )

    def _mode(self, posterior: HyperparameterPosterior, refine: bool, seed: int) -> Floats:
        """The vector of highest density that a few gradient searches reach, shape (p,)."""
        bounds, rng = posterior.prior.bounds, np.random.default_rng(seed)
        points = len(posterior.likelihood.readings.mean)
        searched = posterior
        if points > SEARCH_POINTS:
            searched = posterior.of_subset(posterior.likelihood.some(SEARCH_POINTS, rng))
        starts = [np.clip(start, *bounds.T) for start in self._starts(posterior.prior, rng)]
        ends = [searched.climb(start, SEARCH_STEPS) for start in starts]
        # Ties go to the first start, so that rounding does not decide between equal peaks.
        best = min(ends, key=lambda end: round(float(end.fun), 6))
        if points > SEARCH_POINTS and refine:
            best = posterior.climb(best.x, REFINE_STEPS)
        return np.asarray(best.x)

    def _starts(self, prior: HyperparameterPrior, rng: np.random.Generator) -> list[Floats]:
        """The vectors, each (p,), from which searches for the mode start."""
        if self.start is not None:
            return [np.array(self.start)]
        # One start is the prior mean, the other a rougher surface with more noise. With few points
        # the likelihood often has two peaks, a smooth one and a rough one, and these starts reach
        # both.
        more = [
            prior.center + 0.5 * prior.sd * rng.standard_normal(len(prior.sd))
            for _ in range(self.searches - 2)
        ]
        return [prior.center, prior.rougher, *more][: self.searches]


@dataclass(frozen=True)
class HyperparameterPosterior:
    """Posterior density of the vector of hyperparameters, up to a constant factor.

    Args:
        likelihood: likelihood of the readings.
        prior: prior density of the vector.
    """

    likelihood: Likelihood
    prior: HyperparameterPrior

    def of_subset(self, index: NDArray[np.int64]) -> HyperparameterPosterior:
        """The posterior given only the readings at the set-points with these indices."""
        return HyperparameterPosterior(self.likelihood.of_subset(index), self.prior)

    def negative(self, vector: Floats) -> tuple[float, Floats]:
        """Negative log density and its gradient at a vector, shape (p,)."""
        value, gradient = self.likelihood.with_gradient(vector)
        prior, prior_gradient = self.prior.log_density(vector)
        return -(value + prior), -(gradient + prior_gradient)

    def of_many(self, vectors: Floats) -> Floats:
        """Log densities, shape (k,), at several vectors, shape (k, p)."""
        return np.asarray(self.likelihood.of_many(vectors) + self.prior.log_density(vectors)[0])

    def climb(self, start: Floats, steps: int) -> Any:
        """Result of a gradient search of at most ``steps`` steps from a vector, shape (p,)."""
        return minimize(
            self.negative,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=self.prior.bounds,
            options={"maxiter": steps, "ftol": 1e-7},
        )
