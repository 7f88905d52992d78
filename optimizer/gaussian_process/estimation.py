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

# Above so many set-points the mode is sought on a random subset first: the surface that 300
# points show is the surface, and only the last few gradient steps need them all.
SEARCH_POINTS = 300
SEARCH_STEPS, REFINE_STEPS = 60, 10


@dataclass(frozen=True)
class Given:
    """Hyperparameters to use as they are.

    Args:
        vector: in the order of ``Hyperparameters``.
    """

    vector: tuple[float, ...]

    def choose(self, posterior: HyperparameterPosterior, refine: bool, seed: int) -> Floats:
        """The given vector, shape (1, p), whatever the readings."""
        return np.array([self.vector], dtype=float)


@dataclass(frozen=True)
class Estimated:
    """Hyperparameters by their posterior: its mode alone, or draws around the mode.

    Args:
        members: draws to average over; 1 is the mode alone.
        searches: gradient searches for the mode, each from another start.
        start: vector from which one search starts instead; None for starts by the priors.
    """

    members: int = 1
    searches: int = 2
    start: tuple[float, ...] | None = None

    def choose(self, posterior: HyperparameterPosterior, refine: bool, seed: int) -> Floats:
        """The mode, shape (1, p), or draws, shape (members, p).

        Args:
            posterior: of the hyperparameters.
            refine: whether the last steps use all set-points where the first used a subset.
            seed: of subset, starts and draws.
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
        """The best end of a few gradient searches, shape (p,)."""
        bounds, rng = posterior.prior.bounds, np.random.default_rng(seed)
        points = len(posterior.likelihood.readings.mean)
        searched = posterior
        if points > SEARCH_POINTS:
            searched = posterior.of_subset(np.sort(rng.permutation(points)[:SEARCH_POINTS]))
        starts = [np.clip(start, *bounds.T) for start in self._starts(posterior.prior, rng)]
        found = [searched.climb(start, SEARCH_STEPS) for start in starts]
        # Ties go to the first start, so that rounding does not decide between equal peaks.
        best = min(found, key=lambda end: round(float(end.fun), 6))
        if points > SEARCH_POINTS and refine:
            best = posterior.climb(best.x, REFINE_STEPS)
        return np.asarray(best.x)

    def _starts(self, prior: HyperparameterPrior, rng: np.random.Generator) -> list[Floats]:
        """Where searches for the mode begin."""
        if self.start is not None:
            return [np.array(self.start)]
        # One start expects what the priors do, the other a rougher surface with more noise:
        # between them lie the two explanations that a likelihood of few points has peaks at.
        more = [
            prior.center + 0.5 * prior.sd * rng.standard_normal(len(prior.sd))
            for _ in range(self.searches - 2)
        ]
        return [prior.center, prior.rougher, *more][: self.searches]


@dataclass(frozen=True)
class HyperparameterPosterior:
    """Posterior density of the hyperparameters' vector, up to a constant.

    Args:
        likelihood: of the readings.
        prior: of the vector.
    """

    likelihood: Likelihood
    prior: HyperparameterPrior

    def of_subset(self, index: NDArray[np.int64]) -> HyperparameterPosterior:
        """The posterior by the readings at some of the set-points."""
        return HyperparameterPosterior(self.likelihood.of_subset(index), self.prior)

    def negative(self, vector: Floats) -> tuple[float, Floats]:
        """Negative log density and its gradient at a vector, shape (p,)."""
        value, gradient = self.likelihood.with_gradient(vector)
        prior, prior_gradient = self.prior.log_density(vector)
        return -(value + prior), -(gradient + prior_gradient)

    def of_many(self, vectors: Floats) -> Floats:
        """Log densities at several vectors, shape (k, p); shape (k,)."""
        return np.asarray(self.likelihood.of_many(vectors) + self.prior.log_density(vectors)[0])

    def climb(self, start: Floats, steps: int) -> Any:
        """End of a gradient search from a vector, at most so many steps long."""
        return minimize(
            self.negative,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=self.prior.bounds,
            options={"maxiter": steps, "ftol": 1e-7},
        )
