"""A Gaussian process for few, replicated, noisy readings: one quantity over settings and material.

In come set-points in unit coordinates with the mean, count and scatter of their readings; out
comes a posterior. The process is a low-order trend with shrunk coefficients plus a smooth
deviation, so it bends towards the data and returns to the trend away from them:

    y(x) = phi(x)' beta + f(x) + e,   beta ~ N(0, tau2 I),   f ~ GP(0, s2 k_ell),
    a reading at x has variance  v(x) + noise,  v known, noise estimated.

Replicates are collapsed exactly (Binois, Gramacy & Ludkovski, J. Comput. Graph. Stat. 27, 2018,
808): the likelihood is that of all readings, its cost that of the distinct set-points.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.linalg import cho_solve, solve_triangular
from scipy.optimize import minimize
from scipy.special import expit

from optimizer.gaussian_process.collapsed import Readings
from optimizer.gaussian_process.estimator import Regressor
from optimizer.gaussian_process.kernels import (
    Inputs,
    matern,
    matern_of_one_slope,
    matern_with_slope,
    trend_features,
)
from optimizer.gaussian_process.priors import DEFAULT, Priors
from optimizer.gaussian_process.replicates import collapse
from optimizer.gaussian_process.resampling import resample
from optimizer.gaussian_process.sparse import condition, pivoted_cholesky
from optimizer.numerics.cholesky import factorize, inverse, solve_lower, weigh

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]

# Prior variance of the level of the scaled output: vague around the average of the readings,
# firm around a level that is known beforehand.
VAGUE_LEVEL, KNOWN_LEVEL = 10.0, 0.1
# Above so many set-points the mode is sought on a random subset first: the surface that 300
# points show is the surface, and only the last few gradient steps need them all.
SEARCH_POINTS = 300
SEARCH_STEPS, REFINE_STEPS = 60, 10
# Numbers in the covariances that are factorized at once: few enough to stay in a cache.
STACKED = 100_000
HUGE = 1e30
# Below this spread a quantity is constant to double precision.
CONSTANT_READING = 1e-9
LENGTHSCALE_BOUNDS, SHARE_BOUNDS = (-3.0, 5.0), (-6.0, 6.0)
VARIANCE_BOUNDS, NOISE_BOUNDS = (-6.0, 6.0), (-12.0, 3.0)


@dataclass(frozen=True)
class Member:
    """One set of hyperparameters with its factorised covariance at its points; ``root`` where
    they are a few that stand for all (see ``sparse``). Or several at once, along a first axis."""

    theta: Floats
    points: Inputs
    lower: Floats
    weights: Floats
    root: Floats | None = None


def at_once(members: Sequence[Member]) -> list[Member]:
    """The same, as one where none is sparse."""
    if any(m.root is not None for m in members):
        return list(members)
    arrays = ([getattr(m, name) for m in members] for name in ("theta", "lower", "weights"))
    theta, lower, weights = (np.array(each) for each in arrays)
    return [Member(theta, members[0].points, lower, weights)]


class GaussianProcess(Regressor):
    """Gaussian-process regression of replicated readings, a scikit-learn estimator.

    Args:
        trend: ``"none"``, ``"constant"``, ``"linear"`` or ``"quadratic"``; the last two act on
            the first ``n_trend`` inputs (all when None) and linearly on the others.
        n_trend: how many leading inputs the quadratic trend covers.
        trend_variance: prior variance of trend coefficients, in standardised output; one number,
            or one an input where the trend is linear.
        priors: priors on the hyperparameters, or None for maximum likelihood.
        theta: hyperparameters ``[ln ell (d), ln s2, ln noise]`` to use as they are, or None to
            estimate them.
        scale: ``"sd"`` works on the output less its mean, over its standard deviation;
            ``"center"`` only takes the mean off; ``"none"`` leaves it as it is. An output whose
            natural scale is known should not be divided by the spread of its readings: readings
            close together would then promise that nothing changes far away either.
        level: level that the output returns to away from all readings, where one is known; the
            average of the readings when None. Readings are often gathered where the output is
            high, and their average is then no guide to the rest.
        members: how many draws from the posterior of the hyperparameters to average over; 1 is
            the posterior mode alone.
        n_starts: starts of the mode search.
        start: hyperparameters at which it starts instead, once.
        random_state: seed of starts and draws.
        additive: share of the smooth deviation's variance that is a sum of one function an input;
            the rest depends on all inputs jointly.
        by_line: whether the last input is the number of a line rather than a quantity. Lines then
            share what they have in common: the covariance between two lines is rho times that
            within one (a coregionalization with one positive correlation; Bonilla, Chai &
            Williams, NeurIPS 2007), rho estimated with the rest, so that lines unlike each other
            teach each other nothing.
        most_points: beyond so many set-points, so many of them stand for all (``sparse``); exact
            when None.
        slopes: prior means of a linear trend's slopes, one an input; 0 when None.
        view: coordinates in which deviation and trend see the inputs, a function of (n, d) to
            (n, d); the inputs themselves when None.
        weight: factor on the whole process at each input, a function of (n, d) to (n,); 1 when
            None.
    """

    def __init__(
        self,
        trend: str = "quadratic",
        n_trend: int | None = None,
        trend_variance: float | tuple[float, ...] = 0.3,
        priors: Priors | None = DEFAULT,
        theta: ArrayLike | None = None,
        scale: str = "sd",
        level: float | None = None,
        members: int = 1,
        n_starts: int = 2,
        start: ArrayLike | None = None,
        random_state: int = 0,
        additive: float = 0.0,
        by_line: bool = False,
        most_points: int | None = None,
        slopes: tuple[float, ...] | None = None,
        view: Callable[[Floats], Floats] | None = None,
        weight: Callable[[Floats], Floats] | None = None,
    ) -> None:
        self.trend = trend
        self.n_trend = n_trend
        self.trend_variance = trend_variance
        self.priors = priors
        self.theta = theta
        self.scale = scale
        self.level = level
        self.members = members
        self.n_starts = n_starts
        self.start = start
        self.random_state = random_state
        self.additive = additive
        self.by_line = by_line
        self.most_points = most_points
        self.slopes = slopes
        self.view = view
        self.weight = weight

    # ------------------------------------------------------------------ fitting

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
            X: set-points in unit coordinates, shape (n, d); repeats are collapsed here when
                neither ``counts`` nor ``scatter`` says that they already were.
            y: mean reading at each, shape (n,).
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
        self.n_smooth_ = X.shape[1] - self.by_line
        self._scale(y, a)
        spread2 = self.spread_**2
        scaled = (y - self.center_) / self.spread_
        self.readings_ = Readings(X, scaled, v / spread2, a, ss / spread2)
        if self.theta is not None:
            thetas = [np.asarray(self.theta, dtype=float)]
        else:
            mode = self._mode()
            thetas = [mode] if self.members == 1 else list(self._draws(mode))
        self.members_ = [self._member(t) for t in thetas]
        return self

    def _scale(self, y: Floats, counts: Floats) -> None:
        self.center_, self.spread_ = 0.0, 1.0
        if self.scale == "none":
            return
        mean = float(np.average(y, weights=counts))
        self.center_ = mean if self.level is None else self.level
        if self.scale == "sd":
            spread = float(np.sqrt(np.average((y - mean) ** 2, weights=counts)))
            # A constant reading has no scale of its own; the latent unit then serves.
            self.spread_ = spread if spread > CONSTANT_READING else 1.0

    def _trend(self, A: Inputs, B: Inputs) -> Floats:
        return np.asarray(self._features_of(A) @ self._features_of(B).T)

    def _features_of(self, A: Inputs) -> Floats:
        """Features of the trend at A, computed once for each set of parameters that they need."""
        parts = (self.trend, self.n_trend, self.trend_variance, self.level is None, self.view)
        features: Floats = A.kept((*parts, self.n_smooth_), lambda: self._features(A.values))
        return features

    def _features(self, values: Floats) -> Floats:
        """Features of the trend, each times the standard deviation of its coefficient."""
        A = (values if self.view is None else self.view(values))[:, : self.n_smooth_]
        if self.trend == "none":
            return np.zeros((len(A), 0))
        level = VAGUE_LEVEL if self.level is None else KNOWN_LEVEL
        shrunk = np.sqrt(self.trend_variance) * trend_features(A, self.trend, self.n_trend)
        return np.hstack([np.full((len(A), 1), np.sqrt(level)), shrunk])

    def prior_mean(self, A: Inputs) -> Any:
        """What is expected at A before any reading, standardised, shape (n,)."""
        if self.slopes is None:
            return 0.0
        mean = (A.seen(self.view).values[:, : self.n_smooth_] - 0.5) @ np.array(self.slopes)
        return mean if self.weight is None else mean * A.once(self.weight)

    def _mode(self) -> Floats:
        """Posterior mode of the hyperparameters, the best of a few gradient searches."""
        bounds = self._bounds()
        rng = np.random.default_rng(self.random_state)
        readings, many = self.readings_, len(self.readings_.mean) > SEARCH_POINTS
        if many:
            readings = readings.take(np.sort(rng.permutation(len(readings.mean))[:SEARCH_POINTS]))
        starts = [np.clip(s, *np.array(bounds).T) for s in self._starts(rng)]
        found = [self._climb(s, readings, bounds, SEARCH_STEPS) for s in starts]
        # Ties go to the first start, so that rounding does not decide between equal peaks.
        best = min(found, key=lambda f: round(float(f.fun), 6))
        if many and self.most_points is None:
            best = self._climb(best.x, self.readings_, bounds, REFINE_STEPS)
        return np.asarray(best.x)

    def _starts(self, rng: np.random.Generator) -> list[Floats]:
        """Where searches for the mode begin."""
        if self.start is not None:
            return [np.asarray(self.start, dtype=float)]
        # One start expects what the priors do, the other a rougher surface with more noise:
        # between them lie the two explanations that a likelihood of few points has peaks at.
        d, priors = self.n_smooth_, self.priors or Priors()
        center, sd = priors.center(d, self.by_line), priors.sd(d, self.by_line)
        rougher = sd * np.array([*[-1.0] * d, 0.0, 1.0, *[0.0] * self.by_line])
        more = [center + 0.5 * sd * rng.standard_normal(len(sd)) for _ in range(self.n_starts - 2)]
        return [center, center + rougher, *more][: self.n_starts]

    def _bounds(self) -> list[tuple[float, float]]:
        ends = [*[LENGTHSCALE_BOUNDS] * self.n_smooth_, VARIANCE_BOUNDS, NOISE_BOUNDS]
        return ends + [SHARE_BOUNDS] * self.by_line

    def _climb(self, start: Floats, readings: Readings, bounds: list[Any], steps: int) -> Any:
        return minimize(
            self._negative_posterior,
            start,
            args=(readings,),
            jac=True,
            method="L-BFGS-B",
            bounds=bounds,
            options={"maxiter": steps, "ftol": 1e-7},
        )

    def _negative_posterior(self, theta: Floats, readings: Readings) -> tuple[float, Floats]:
        value, gradient = self._likelihood(theta, readings)
        prior, prior_gradient = self._log_prior(theta)
        return -(value + prior), -(gradient + prior_gradient)

    def _log_prior(self, theta: Floats) -> tuple[Any, Floats]:
        if self.priors is None:
            return 0.0, np.zeros_like(theta)
        d = self.n_smooth_
        sd = self.priors.sd(d, self.by_line)
        z = (theta - self.priors.center(d, self.by_line)) / sd
        return -0.5 * np.sum(z**2, axis=-1), -z / sd

    def _draws(self, mode: Floats) -> Floats:
        """Hyperparameter draws from the posterior around its mode, shape (members, d + 2)."""
        return resample(
            mode,
            lambda theta: self._negative_posterior(theta, self.readings_)[1],
            lambda thetas: self.log_marginal_likelihoods(thetas) + self._log_prior(thetas)[0],
            np.array(self._bounds()),
            self.members,
            self.random_state,
        )

    # ------------------------------------------------------------------ likelihood

    def log_marginal_likelihood(self, theta: ArrayLike, eval_gradient: bool = False) -> Any:
        """Log likelihood of all readings at hyperparameters ``[ln ell, ln s2, ln noise]``.

        With group means m, counts a, scatter SS, known variance v and noise s2_n:

            -1/2 m' (K + D)^-1 m - 1/2 log|K + D| - u/2 log 2 pi
            - 1/2 sum_i [SS_i / w_i + (a_i - 1) log(2 pi w_i) + log a_i],
            w = v + s2_n,  D = diag(w / a).

        Args:
            theta: shape (d + 2,), in standardised output.
            eval_gradient: whether to return the gradient too.

        Returns:
            The value, or (value, gradient of shape (d + 2,)).
        """
        theta = np.asarray(theta, dtype=float)
        if eval_gradient:
            return self._likelihood(theta, self.readings_)
        return float(self.log_marginal_likelihoods(theta[None, :])[0])

    def log_marginal_likelihoods(self, thetas: Floats) -> Floats:
        """The same at several hyperparameters at once, shape (k, d + 2); (k,).

        Of few set-points many matrices are factorized in the time that calls would take.
        """
        data, d = self.readings_, self.n_smooth_
        n = len(data.mean)
        most = max(1, STACKED // n**2)
        if len(thetas) > most:
            parts = [thetas[k : k + most] for k in range(0, len(thetas), most)]
            return np.concatenate([self.log_marginal_likelihoods(part) for part in parts])
        noise = np.exp(thetas[:, d + 1, None])
        # The factor of [[K, y], [y', huge]] has (L^-1 y)' below the factor L of K.
        off = np.broadcast_to(data.mean - self.prior_mean(data.inputs), n)
        bordered = np.full((len(thetas), n + 1, n + 1), HUGE)
        bordered[:, :n, :n] = self._covariance(thetas, data.inputs, data.inputs)
        bordered[:, n, :n] = bordered[:, :n, n] = off
        on = np.arange(n)
        bordered[:, on, on] += (data.known_variance + noise) / data.counts
        try:
            lower = np.linalg.cholesky(bordered)
        except np.linalg.LinAlgError:
            return np.array([self._likelihood(t, data)[0] for t in thetas])
        log_diagonal = np.log(lower[:, on, on])
        found: Floats = data.log_likelihood(lower[:, n, :n], log_diagonal, noise)
        return found

    def _likelihood(self, theta: Floats, data: Readings) -> tuple[float, Floats]:
        """Log likelihood and its gradient."""
        d = self.n_smooth_
        seen = data.inputs.seen(self.view)
        X = seen.values[:, :d]
        smooth, slope = matern_with_slope(theta, seen, seen, d, self.additive)
        trend = self._trend(data.inputs, data.inputs)
        share = self._share(theta, data.inputs, data.inputs)
        noise = np.exp(theta[d + 1])
        w = data.known_variance + noise
        lower = factorize((smooth + trend) * share + np.diag(w / data.counts))
        off = data.mean - self.prior_mean(data.inputs)
        whitened = solve_lower(lower, off)
        alpha = solve_triangular(lower, whitened, lower=True, trans=1, check_finite=False)
        extra = data.counts - 1.0
        value = float(data.log_likelihood(whitened, np.log(np.diag(lower)), noise))
        inner = np.outer(alpha, alpha) - inverse(lower)
        by_noise = np.diag(inner) / data.counts + data.scatter / w**2 - extra / w
        gradient = np.empty(len(theta))
        gradient[d + 1] = 0.5 * noise * float(np.sum(by_noise))
        if self.by_line:
            rho = expit(theta[-1])
            apart = inner * (smooth + trend) * share * self._apart(data.inputs, data.inputs)
            gradient[-1] = 0.5 * (1.0 - rho) * float(np.sum(apart))
        inner = inner * share
        # sum_ij W_ij (x_i - x_j)^2 = 2 (x^2 . W 1 - x' W x), one matrix product for all inputs.
        slope *= inner
        squares = (X**2).T @ slope.sum(axis=1) - np.sum(X * (slope @ X), axis=0)
        gradient[:d] = squares * np.exp(-2.0 * theta[:d])
        gradient[d] = 0.5 * float(np.sum(inner * smooth))
        for j in range(d if self.additive else 0):
            steep = matern_of_one_slope(theta, seen, seen, d, j)
            gradient[j] += 0.5 * self.additive / d * float(np.sum(inner * steep))
        return value, gradient

    def _share(self, theta: Floats, A: Inputs, B: Inputs) -> Any:
        """Factor on the covariance of two points: their weights, and rho between lines."""
        share: Any = 1.0
        if self.weight is not None:
            share = np.outer(A.once(self.weight), B.once(self.weight))
        if self.by_line:
            share = share * np.where(self._apart(A, B), expit(theta[..., -1, None, None]), 1.0)
        return share

    @staticmethod
    def _apart(A: Inputs, B: Inputs) -> NDArray[np.bool_]:
        """Which points are of different lines."""
        return np.asarray(A.values[:, -1, None] != B.values[None, :, -1])

    # ------------------------------------------------------------------ posterior

    def _member(self, theta: Floats) -> Member:
        data, noise = self.readings_, self.noise_at(theta)
        off = data.mean - self.prior_mean(data.inputs)
        if self.most_points is None or len(data.mean) <= self.most_points:
            lower = factorize(self._covariance(theta, data.inputs, data.inputs) + np.diag(noise))
            return Member(theta, data.inputs, lower, cho_solve((lower, True), off))
        diagonal = self._variance(theta, data.inputs)
        chosen, A = pivoted_cholesky(
            diagonal,
            lambda i: self._covariance(theta, Inputs(data.X[i : i + 1]), data.inputs)[0],
            self.most_points,
        )
        weights, root = condition(A, diagonal, noise, off)
        return Member(theta, Inputs(data.X[chosen]), A[:, chosen].T, weights, root)

    def noise_at(self, theta: Floats) -> Floats:
        """Variance of each set-point's mean reading about its true value, (u,), standardised."""
        data = self.readings_
        return (data.known_variance + np.exp(theta[..., self.n_smooth_ + 1, None])) / data.counts

    def _covariance(self, theta: Floats, A: Inputs, B: Inputs) -> Floats:
        d = self.n_smooth_
        within = matern(theta, A.seen(self.view), B.seen(self.view), d, self.additive)
        within += self._trend(A, B)
        share = self._share(theta, A, B)
        return within if isinstance(share, float) else within * share

    def covariance(self, member: Member, A: Floats | Inputs, B: Floats | Inputs) -> Floats:
        """Prior covariance of the true quantity between A (n, d) and B (m, d), standardised."""
        return self._covariance(member.theta, Inputs.of(A), Inputs.of(B))

    def variance_at(self, member: Member, A: Floats | Inputs) -> Floats:
        """Prior variance of the true quantity at A, shape (n,), standardised."""
        return self._variance(member.theta, Inputs.of(A))

    def _variance(self, theta: Floats, A: Inputs) -> Floats:
        trend = np.sum(self._features_of(A) ** 2, axis=1)
        variance = np.exp(theta[..., self.n_smooth_, None]) + trend
        return variance if self.weight is None else variance * A.once(self.weight) ** 2

    def project(self, member: Member, A: Floats | Inputs) -> tuple[Floats, Floats]:
        """Posterior mean (n,) at A and the part of its covariance that the data explain, as
        V of shape (u, n): posterior covariance is prior - V'V. Standardised."""
        A = Inputs.of(A)
        cross, prior = self.covariance(member, member.points, A), self.prior_mean(A)
        V = solve_lower(member.lower, cross)
        if member.root is None:
            return prior + weigh(member.weights, cross), V
        return prior + V.T @ member.weights, member.root @ V

    def mean_at(self, member: Member, A: Floats | Inputs) -> Floats:
        """The mean that ``project`` gives, without the rest where that is not needed."""
        A = Inputs.of(A)
        if member.root is not None:
            return self.project(member, A)[0]
        cross = self.covariance(member, member.points, A)
        return np.asarray(self.prior_mean(A) + weigh(member.weights, cross))

    def noise_variance(self) -> float:
        """Estimated process noise of one reading, averaged over members, in units of y."""
        return (
            float(np.mean([np.exp(m.theta[self.n_smooth_ + 1]) for m in self.members_]))
            * self.spread_**2
        )

    def predict(
        self, X: ArrayLike | Inputs, return_std: bool = False, return_cov: bool = False
    ) -> Any:
        """Posterior of the true quantity (without reading noise) at X.

        Args:
            X: shape (n, d).
            return_std: also return standard deviations, shape (n,).
            return_cov: also return the covariance, shape (n, n).

        Returns:
            mean (n,), or (mean, std), or (mean, covariance); moments of the mixture of members.
        """
        A = Inputs.of(X)
        means, covs = [], []
        for member in self.members_:
            mean, V = self.project(member, A)
            means.append(mean)
            if return_cov:
                covs.append(self.covariance(member, A, A) - V.T @ V)
            elif return_std:
                covs.append(self.variance_at(member, A) - np.sum(V * V, axis=0))
        M = np.array(means)
        mean = M.mean(axis=0)
        if not covs:
            return self.center_ + self.spread_ * mean
        off = M - mean
        between = off.T @ off / len(M) if return_cov else np.mean(off**2, axis=0)
        second = (np.mean(covs, axis=0) + between) * self.spread_**2
        mean = self.center_ + self.spread_ * mean
        return mean, second if return_cov else np.sqrt(np.clip(second, 0.0, None))
