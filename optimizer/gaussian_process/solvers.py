"""Solvers: how a process is conditioned on its readings, exactly or by inducing points.

Both solvers work on readings collapsed to their distinct set-points and return a ``Posterior``.
Only this module knows how they differ; other modules at most read the flag ``exact`` of a
posterior.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, ClassVar, Protocol, cast

import numpy as np
from scipy.linalg import cho_solve

from optimizer.gaussian_process.hyperparameters import Hyperparameters
from optimizer.gaussian_process.inducing import condition, pivoted_cholesky
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.likelihood import Likelihood
from optimizer.gaussian_process.noise import Noise
from optimizer.gaussian_process.prior import Prior
from optimizer.gaussian_process.replicates import CollapsedReadings
from optimizer.numerics.cholesky import (
    diagonal_of,
    factorize,
    solve_lower,
    transposed,
    weighted_sum,
)

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Posterior(ABC):
    """A process conditioned on its readings at one set of hyperparameters, or at a stack of k.

    All output is scaled; for a stack every result has a first axis of length k. Two posteriors are
    equal when their prior, noise, solver, hyperparameters and readings are equal.

    Args:
        prior: the process before any reading.
        noise: model of the noise of readings.
        solver: solver that made this posterior.
        hyperparameters: hyperparameters that this posterior assumes.
        readings: readings that the process is conditioned on.
        points: the m set-points that represent the posterior: all of them, or the inducing points.
        lower: lower Cholesky factor of the covariance at ``points``, shape (m, m).
        weights: weights of the posterior mean, shape (m,).
    """

    prior: Prior
    noise: Noise
    solver: Solver
    hyperparameters: Hyperparameters
    readings: CollapsedReadings
    points: Inputs
    lower: Floats
    weights: Floats

    exact: ClassVar[bool]
    """Whether ``points`` holds every set-point and ``lower`` is the factor of the covariance of the
    mean readings. Computations that need these are not available for other posteriors."""

    @cached_property
    def _key(self) -> tuple[Any, ...]:
        vector = self.hyperparameters.vector
        hyperparameters = vector.shape, vector.tobytes()
        readings = self.readings.fingerprint
        return self.prior, self.noise, self.solver, hyperparameters, readings

    @cached_property
    def _hash(self) -> int:
        return hash(self._key)

    def __hash__(self) -> int:
        return self._hash

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Posterior) and self._key == other._key

    def covariance(self, A: Inputs, B: Inputs) -> Floats:
        """Prior covariance of the true quantity between A, (n, d), and B, (m, d); (n, m)."""
        return self.prior.covariance(self.hyperparameters, A, B)

    def variance(self, A: Inputs) -> Floats:
        """Prior variance of the true quantity at A, (n, d); shape (n,)."""
        return self.prior.variance(self.hyperparameters, A)

    def expected(self, A: Inputs) -> Floats:
        """Prior mean at A, (n, d); shape (n,)."""
        return self.prior.expected(A)

    @property
    def agreement(self) -> float:
        """Correlation between the group asked about and another by the first grouping."""
        kernel, logits = self.prior.kernel, self.hyperparameters.logits
        grouping, own, _ = next(kernel.of_each(logits, np.zeros((1, len(kernel.groupings)))))
        return float(grouping.correlation(own, np.zeros(1), np.ones(1))[0, 0])

    @property
    def noise_of_readings(self) -> Floats:
        """Variance of one reading about the true value at each set-point, shape (u,)."""
        return self.noise.of_readings(self.hyperparameters, self.readings)

    @property
    def noise_of_means(self) -> Floats:
        """Variance of the mean reading about the true value at each set-point, shape (u,)."""
        return self.noise.of_means(self.hyperparameters, self.readings)

    def with_known_variance(self, variance: Floats) -> Posterior:
        """The posterior as if the known variances of readings were these, shape (u,)."""
        readings = self.readings.with_known_variance(variance)
        likelihood = Likelihood(self.prior, self.noise, readings)
        return self.solver.condition(likelihood, self.hyperparameters.vector)

    def of_subset(self, index: NDArray[np.int64]) -> Posterior:
        """The exact posterior given only the readings at the set-points with these indices."""
        likelihood = Likelihood(self.prior, self.noise, self.readings.take(index))
        return EXACT.condition(likelihood, self.hyperparameters.vector)

    @abstractmethod
    def project(self, A: Inputs) -> tuple[Floats, Floats]:
        """Posterior mean at A, (n,), and the part of the covariance that the readings explain, as V
        of shape (m, n): the posterior covariance is the prior covariance less V'V."""

    @abstractmethod
    def mean(self, A: Inputs) -> Floats:
        """Posterior mean at A, (n,), equal to that of ``project`` at a lower cost."""

    @staticmethod
    @abstractmethod
    def stack(posteriors: Sequence[Posterior]) -> list[Posterior]:
        """Posteriors of one fit, joined to a single stack where the solver allows it."""


@dataclass(frozen=True, eq=False)
class ExactPosterior(Posterior):
    """A process conditioned on all set-points (Rasmussen & Williams, Gaussian Processes for Machine
    Learning, 2006, algorithm 2.1).

    Args:
        own_covariance: prior covariance of the true quantity between the set-points, shape (u, u).
    """

    own_covariance: Floats

    exact = True

    @cached_property
    def covariance_of_means(self) -> Floats:
        """Covariance of the mean readings, shape (u, u), whose factor is ``lower``."""
        return np.asarray(self.lower @ transposed(self.lower))

    def with_known_variance(self, variance: Floats) -> Posterior:
        """The posterior with other known variances, see ``Posterior.with_known_variance``."""
        readings = self.readings.with_known_variance(variance)
        likelihood = Likelihood(self.prior, self.noise, readings)
        return _exact_posterior(likelihood, self.hyperparameters, self.own_covariance)

    def project(self, A: Inputs) -> tuple[Floats, Floats]:
        """Posterior mean and explained part, see ``Posterior.project``."""
        cross, expected = self.covariance(self.points, A), self.expected(A)
        V = solve_lower(self.lower, cross)
        return expected + weighted_sum(self.weights, cross), V

    def mean(self, A: Inputs) -> Floats:
        """Posterior mean, see ``Posterior.mean``."""
        own = A is self.points
        cross = self.own_covariance if own else self.covariance(self.points, A)
        return np.asarray(self.expected(A) + weighted_sum(self.weights, cross))

    @staticmethod
    def stack(posteriors: Sequence[Posterior]) -> list[Posterior]:
        """The posteriors joined to one stack, since all have the same points."""
        exact = cast("Sequence[ExactPosterior]", posteriors)
        vectors = np.array([p.hyperparameters.vector for p in posteriors])
        first = exact[0]
        agreements = len(first.prior.kernel.correlations)
        return [
            replace(
                first,
                hyperparameters=Hyperparameters.from_vector(vectors, agreements),
                lower=np.array([p.lower for p in posteriors]),
                weights=np.array([p.weights for p in posteriors]),
                own_covariance=np.array([p.own_covariance for p in exact]),
            )
        ]


@dataclass(frozen=True, eq=False)
class InducingPosterior(Posterior):
    """A process conditioned by way of a few inducing points (see the module ``inducing``).

    Args:
        root: root of the variance of the whitened values at the points that the readings explain,
            shape (m, m).
    """

    root: Floats

    exact = False

    def project(self, A: Inputs) -> tuple[Floats, Floats]:
        """Posterior mean and explained part, see ``Posterior.project``."""
        cross, expected = self.covariance(self.points, A), self.expected(A)
        V = solve_lower(self.lower, cross)
        return expected + V.T @ self.weights, self.root @ V

    def mean(self, A: Inputs) -> Floats:
        """Posterior mean, see ``Posterior.mean``."""
        V = solve_lower(self.lower, self.covariance(self.points, A))
        return np.asarray(self.expected(A) + weighted_sum(self.weights, V))

    @staticmethod
    def stack(posteriors: Sequence[Posterior]) -> list[Posterior]:
        """The posteriors unchanged: their points differ, so they cannot form a stack."""
        return list(posteriors)


class Solver(Protocol):
    """A way to condition a process on its readings."""

    @property
    def refines(self) -> bool:
        """Whether a search for hyperparameters may take its last steps on all set-points."""

    def condition(self, likelihood: Likelihood, vector: Floats) -> Posterior:
        """The posterior for a likelihood's prior, noise and readings at a vector, shape (p,)."""


@dataclass(frozen=True)
class Exact:
    """Condition on all u distinct set-points. Cost O(u^3), memory O(u^2)."""

    refines: ClassVar[bool] = True

    def condition(self, likelihood: Likelihood, vector: Floats) -> Posterior:
        """The exact posterior, see ``Solver.condition``."""
        h, data, prior = likelihood.named(vector), likelihood.readings, likelihood.prior
        covariance = prior.covariance(h, data.inputs, data.inputs)
        return _exact_posterior(likelihood, h, covariance)


EXACT = Exact()


def _exact_posterior(
    likelihood: Likelihood, h: Hyperparameters, covariance: Floats
) -> ExactPosterior:
    """The exact posterior for a prior covariance of the set-points, shape (u, u)."""
    prior, noise, data = likelihood.prior, likelihood.noise, likelihood.readings
    of_means = np.array(covariance)
    diagonal_of(of_means)[:] += noise.of_means(h, data)
    lower = factorize(of_means)
    weights = cho_solve((lower, True), data.mean - prior.expected(data.inputs))
    return ExactPosterior(prior, noise, EXACT, h, data, data.inputs, lower, weights, covariance)


@dataclass(frozen=True)
class InducingPoints:
    """Condition on all set-points while they are few, else by way of inducing points.

    Args:
        most: largest number of set-points to use; where there are more, this many inducing points
            represent all of them.
    """

    most: int

    refines: ClassVar[bool] = False

    def condition(self, likelihood: Likelihood, vector: Floats) -> Posterior:
        """The posterior, see ``Solver.condition``."""
        h, data, prior = likelihood.named(vector), likelihood.readings, likelihood.prior
        if len(data.mean) <= self.most:
            return EXACT.condition(likelihood, vector)
        noise = likelihood.noise.of_means(h, data)
        off = data.mean - prior.expected(data.inputs)
        diagonal = prior.variance(h, data.inputs)
        chosen, A = pivoted_cholesky(
            diagonal,
            lambda i: prior.covariance(h, Inputs(data.X[i : i + 1]), data.inputs)[0],
            self.most,
            noise,
        )
        weights, root = condition(A, diagonal, noise, off)
        return InducingPosterior(
            prior,
            likelihood.noise,
            self,
            h,
            data,
            Inputs(data.X[chosen]),
            A[:, chosen].T,
            weights,
            root,
        )
