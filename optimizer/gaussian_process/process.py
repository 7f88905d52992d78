"""A Gaussian process for few, replicated, noisy readings: one quantity over settings and material.

In come set-points in unit coordinates with the mean, count and scatter of their readings; out
comes a posterior. The process is a low-order trend with shrunk coefficients plus a smooth
deviation, so it bends towards the data and returns to the trend away from them:

    y(x) = phi(x)' beta + f(x) + e,   beta ~ N(0, tau2 I),   f ~ GP(0, s2 k_ell),
    a reading at x has variance  v(x) + noise,  v known, noise estimated.

Replicates are collapsed exactly (see ``likelihood``).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.gaussian_process.estimation import Estimated, Given, HyperparameterPosterior
from optimizer.gaussian_process.estimator import Regressor
from optimizer.gaussian_process.hyperparameters import HyperparameterPrior
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import Kernel
from optimizer.gaussian_process.likelihood import Likelihood
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.noise import Noise
from optimizer.gaussian_process.prior import Prior
from optimizer.gaussian_process.replicates import CollapsedReadings, collapse
from optimizer.gaussian_process.solvers import EXACT, Posterior, Solver

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

# Below this spread a quantity is constant to double precision.
CONSTANT_READING = 1e-9
KERNEL, MEAN, NOISE, ESTIMATED = Kernel(), Mean(), Noise(), Estimated()
"""The default parts of a process."""


class GaussianProcess(Regressor):
    """Gaussian-process regression of replicated readings, a scikit-learn estimator.

    Args:
        kernel: covariance of the smooth deviation, with coordinates, weight and lines.
        mean: level and trend of the output.
        noise: model of the noise of readings.
        solver: how the process is conditioned on readings: exactly, or by inducing points.
        scale: ``"sd"`` works on the output less its mean, over its standard deviation;
            ``"center"`` only subtracts the mean; ``"none"`` leaves the output unchanged. An output
            whose natural scale is known should not be divided by the spread of its readings: if the
            readings are close together, the model would otherwise expect little change far away
            from them too.
        hyperparameters: how the hyperparameters are chosen: given, or estimated from the readings.
        random_state: seed of the estimation of hyperparameters.
    """

    def __init__(
        self,
        kernel: Kernel = KERNEL,
        mean: Mean = MEAN,
        noise: Noise = NOISE,
        solver: Solver = EXACT,
        scale: str = "sd",
        hyperparameters: Estimated | Given = ESTIMATED,
        random_state: int = 0,
    ) -> None:
        self.kernel = kernel
        self.mean = mean
        self.noise = noise
        self.solver = solver
        self.scale = scale
        self.hyperparameters = hyperparameters
        self.random_state = random_state

    def fit(
        self,
        X: ArrayLike,
        y: ArrayLike,
        known_variance: ArrayLike | None = None,
        counts: ArrayLike | None = None,
        scatter: ArrayLike | None = None,
    ) -> GaussianProcess:
        """Fit to set-points.

        Args:
            X: set-points in unit coordinates, shape (n, d); repeated rows are collapsed here when
                neither ``counts`` nor ``scatter`` is given; otherwise each row must be a distinct
                set-point.
            y: mean reading at each set-point, shape (n,).
            known_variance: known variance of one reading, shape (n,); 0 when not given.
            counts: readings behind each mean, shape (n,); 1 when not given.
            scatter: sum of squares of readings about their mean, shape (n,); 0 when not given.
        """
        X = np.atleast_2d(np.asarray(X, dtype=float))
        y = np.asarray(y, dtype=float)
        v = np.zeros(len(y)) if known_variance is None else np.asarray(known_variance, dtype=float)
        if counts is None and scatter is None:
            X, y, v, a, ss = collapse(X, y, v)
        else:
            a = np.ones(len(y)) if counts is None else np.asarray(counts, dtype=float)
            ss = np.zeros(len(y)) if scatter is None else np.asarray(scatter, dtype=float)
        self.n_features_in_ = X.shape[1]
        center, spread = self._scale_of(y, a)
        scaled, spread2 = (y - center) / spread, spread**2
        self.readings_ = CollapsedReadings(X, scaled, v / spread2, a, ss / spread2, center, spread)
        posterior = self.hyperparameter_posterior()
        solver, likelihood = self.solver, posterior.likelihood
        vectors = self.hyperparameters.choose(posterior, solver.refines, self.random_state)
        self.posteriors_ = [solver.condition(likelihood, vector) for vector in vectors]
        return self

    def _scale_of(self, y: Floats, counts: Floats) -> tuple[float, float]:
        """Center and spread of the scaled output, in units of y."""
        if self.scale == "none":
            return 0.0, 1.0
        mean = float(np.average(y, weights=counts))
        center = mean if self.mean.level is None else self.mean.level
        if self.scale != "sd":
            return center, 1.0
        spread = float(np.sqrt(np.average((y - mean) ** 2, weights=counts)))
        # Constant readings have no spread; the output is then scaled by 1 unit of y.
        return center, spread if spread > CONSTANT_READING else 1.0

    def hyperparameter_posterior(self) -> HyperparameterPosterior:
        """Posterior density of the hyperparameters, given the readings of the fit."""
        kernel = self.kernel
        inputs = kernel.lengths(self.n_features_in_ - len(kernel.groupings))
        return HyperparameterPosterior(
            Likelihood(Prior(kernel, self.mean), self.noise, self.readings_),
            HyperparameterPrior(
                inputs, kernel.length_scale, kernel.variance, self.noise.prior, kernel.correlations
            ),
        )

    def log_marginal_likelihood(self, vector: ArrayLike, eval_gradient: bool = False) -> Any:
        """Log likelihood of all readings (formula in the module ``likelihood``).

        Args:
            vector: hyperparameters in the order of ``Hyperparameters``, shape (p,), in scaled
                output.
            eval_gradient: whether to return the gradient too.

        Returns:
            The value, or (value, gradient of shape (p,)).
        """
        vector, likelihood = np.asarray(vector, dtype=float), self.hyperparameter_posterior()
        if eval_gradient:
            return likelihood.likelihood.with_gradient(vector)
        return float(likelihood.likelihood.of_many(vector[None, :])[0])

    def stacks(self, step: int = 1) -> list[Posterior]:
        """Posterior of every ``step``-th member, as one stack where the solver allows it."""
        posteriors = self.posteriors_[::step]
        return posteriors[0].stack(posteriors)

    def noise_variance(self) -> float:
        """Estimated noise variance of one reading, averaged over members, in units of y."""
        noises = [posterior.hyperparameters.noise for posterior in self.posteriors_]
        return float(np.mean(noises)) * self.readings_.spread**2

    def predict(
        self, X: ArrayLike | Inputs, return_std: bool = False, return_cov: bool = False
    ) -> Any:
        """Posterior of the true quantity (without reading noise) at X.

        Args:
            X: points in unit coordinates, shape (n, d).
            return_std: also return standard deviations, shape (n,).
            return_cov: also return the covariance, shape (n, n).

        Returns:
            mean (n,), or (mean, std), or (mean, covariance); moments of the mixture of members.
        """
        A = Inputs.of(X)
        means, covs = [], []
        for posterior in self.posteriors_:
            mean, V = posterior.project(A)
            means.append(mean)
            if return_cov:
                covs.append(posterior.covariance(A, A) - V.T @ V)
            elif return_std:
                covs.append(posterior.variance(A) - np.sum(V * V, axis=0))
        M, center, spread = np.array(means), self.readings_.center, self.readings_.spread
        mean = M.mean(axis=0)
        if not covs:
            return center + spread * mean
        off = M - mean
        between = off.T @ off / len(M) if return_cov else np.mean(off**2, axis=0)
        second = (np.mean(covs, axis=0) + between) * spread**2
        mean = center + spread * mean
        return mean, second if return_cov else np.sqrt(np.clip(second, 0.0, None))
