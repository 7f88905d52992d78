"""Settings at which a deck runs even: a classifier learned from even and failed trials."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from scipy.linalg import cho_solve, lapack
from scipy.special import log_ndtr, ndtr, ndtri

from optimizer.gaussian_process.estimator import Estimator
from optimizer.gaussian_process.mean import PER_UNIT
from optimizer.numerics.cholesky import factorize
from optimizer.numerics.distinct_rows import distinct_rows

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimizer.model.deck_coordinates import DeckCoordinates

    Floats = NDArray[np.float64]

# A bed fails when it is too deep or too thin for its air, and rarely for any other reason. With
# these factors on the five coupled coordinates, half as many runs suffice to predict failures.
COUPLED_SCALE = (0.6, 0.2, 0.05, 0.15, 0.6)
LENGTH_SCALE = 0.27
COUPLED_DEVIATION, COUPLED_TREND = 2.0, 1.2
# A straight edge across all settings, at a place and in a direction that are learned.
EDGE = 4.0
# Belief in each description before any run. Those factors make the first one blind to an edge along
# tilt or exposure, so no description is left out, however well the first one usually predicts.
COUPLED_WEIGHT, SETTINGS_WEIGHT, EDGE_WEIGHT = 0.8, 0.1, 0.1
# A description of less weight than this is left out of predictions, which take time.
LEAST_WEIGHT = 1e-3
# With more runs than this, all descriptions are judged by every second run, or third and so on, and
# only those that this leaves are fitted to all runs: the time grows with the cube of the runs.
MOST_JUDGED = 400
# Sites have settled when no mean moves by more standard deviations than this, and chances are right
# to 1e-4. A dozen sweeps do for 20 runs. A step that moves the means further than the one before
# is halved, down to the smallest, and grows again by this factor.
SETTLED, SWEEPS = 1e-3, 200
SMALLEST_STEP, GROWTH = 1.0 / 64.0, 1.2
# Newton's method for the most likely latent value of a point ends when no value moves by more than
# MOVES, or after so many steps of at most LONGEST.
MOVES, STEPS, LONGEST = 1e-6, 50, 2.0
# Nodes of the rule for the moments of a point, which errs by less than 1e-5.
NODES = 24
LEAST_PRECISION = 1e-10
SQRT_2 = float(np.sqrt(2.0))


def deck_state_of(
    coordinates: DeckCoordinates | None, contrasts: tuple[int, ...] = ()
) -> AveragedDeckState:
    """The classifier of a deck, not fitted yet; it takes settings in unit coordinates.

    Three descriptions compete: coupled coordinates, where there are any; the settings, all alike;
    and a straight edge across the settings.

    Args:
        coordinates: coordinates in which the settings act; None where they do not apply.
        contrasts: columns of the inputs that are contrasts between gates.
    """
    straight = DeckState(deviation=0.0, trend=0.0, edge=EDGE, contrasts=contrasts)
    members = [(SETTINGS_WEIGHT, DeckState(contrasts=contrasts)), (EDGE_WEIGHT, straight)]
    if coordinates is not None:
        coupled = _coupled(coordinates).set_params(contrasts=contrasts)
        members.insert(0, (COUPLED_WEIGHT, coupled))
    return AveragedDeckState(members)


def _coupled(coordinates: DeckCoordinates) -> DeckState:
    """The description in coupled coordinates. Its deviation is that of a deck which has all five
    settings and never moves those that are absent.

    A coordinate also stands for those that follow it, so its factor is the root of the sum of their
    squares, and the length scale remains that of five settings.
    """
    scale = np.sqrt(np.array(COUPLED_SCALE) ** 2 @ coordinates.followed**2)
    # Rounded, so that a deck with all five has exactly the figures above.
    scaled = replace(coordinates, scale=tuple(np.round(scale, 12).tolist()))
    fewer = len(COUPLED_SCALE) / len(coordinates.names)
    length = LENGTH_SCALE * float(np.sqrt(fewer))
    return DeckState(length, COUPLED_DEVIATION, COUPLED_TREND, coordinates=scaled)


class AveragedDeckState:
    """Chance that the deck runs even, averaged over descriptions by how well they explain the runs.

    The weight of a description is its prior weight times its marginal likelihood by
    expectation propagation (Hoeting, Madigan, Raftery & Volinsky, Statistical Science 14, 1999,
    382, equations 1 and 2; Rasmussen & Williams 2006, equation 3.65). So with few failures the
    average decides, and with many the description that accounts for them.

    Args:
        members: prior weight of each description, above 0, and the description; the weights are
            divided by their sum.
    """

    def __init__(self, members: Sequence[tuple[float, DeckState]]) -> None:
        self.members = tuple(members)

    def fit(self, X: ArrayLike, even: ArrayLike) -> AveragedDeckState:
        """Fit to settings X, shape (n, d), and whether each run was even, shape (n,)."""
        X, even = np.atleast_2d(np.asarray(X, dtype=float)), np.asarray(even, dtype=bool)
        part = slice(None, None, max(1, -(-len(X) // MOST_JUDGED)))
        everyone = np.ones(len(self.members), dtype=bool)
        self.weights_ = self._weights(X[part], even[part], everyone)
        if len(X) > MOST_JUDGED:
            self.weights_ = self._weights(X, even, self.weights_ >= LEAST_WEIGHT)
        return self

    def _weights(self, X: Floats, even: NDArray[np.bool_], among: NDArray[np.bool_]) -> Floats:
        """Fit some descriptions, mask of shape (m,); weights of all, shape (m,), 0 for others."""
        score = np.full(len(self.members), -np.inf)
        for k in np.flatnonzero(among):
            weight, member = self.members[k]
            score[k] = np.log(weight) + member.fit(X, even).log_evidence_
        weights = np.exp(score - score.max())
        return np.asarray(weights / weights.sum())

    def chance_even(self, A: ArrayLike) -> Floats:
        """Probability of an even deck at settings A, shape (n, d)."""
        kept = np.where(self.weights_ >= LEAST_WEIGHT, self.weights_, 0.0)
        chances = [
            weight * member.chance_even(A)
            for weight, (_, member) in zip(kept / kept.sum(), self.members, strict=True)
            if weight
        ]
        return np.asarray(np.sum(chances, axis=0))


class DeckState(Estimator):
    """Chance that the deck runs even by one description, learned from even and failed trials.

    A Gaussian-process classifier with a probit likelihood and expectation propagation (Rasmussen &
    Williams, Gaussian Processes for Machine Learning, 2006, algorithms 3.5 and 3.6), whose chances
    are nearly exact where those of Laplace's approximation are too close to one half (Nickisch &
    Rasmussen, J. Mach. Learn. Res. 9, 2008, 2035). Hyperparameters are fixed: failures are few, and
    estimated ones would over-fit them. On decks for development of seven families, with 8 to 40
    runs each, the log loss changes little from these defaults to three times them.

    Args:
        lengthscale: length scale in unit coordinates for one setting; it is multiplied by the
            root of the number of settings.
        deviation: prior standard deviation of the latent function about level and trend.
        trend: prior standard deviation of each linear and quadratic effect: a deck fails towards
            the ends of its settings, not in the middle.
        edge: prior standard deviation of the level and of each linear effect of a straight edge,
            beyond which the deck fails.
        coordinates: coordinates in which the settings act; None for the inputs themselves.
        contrasts: columns of the inputs that are contrasts between gates, 1/2 where gates are
            alike. They add nothing to the distance or the trend there, so that they change no
            chance of a deck whose gates are alike.

    Attributes:
        log_evidence_: logarithm of the approximate marginal likelihood of the runs, after ``fit``.
    """

    def __init__(
        self,
        lengthscale: float = LENGTH_SCALE,
        deviation: float = 3.0,
        trend: float = 0.7,
        edge: float = 0.0,
        coordinates: DeckCoordinates | None = None,
        contrasts: tuple[int, ...] = (),
    ) -> None:
        self.lengthscale = lengthscale
        self.deviation = deviation
        self.trend = trend
        self.edge = edge
        self.coordinates = coordinates
        self.contrasts = contrasts

    def fit(self, X: ArrayLike, even: ArrayLike) -> DeckState:
        """Fit to settings X, shape (n, d), and whether each run was even, shape (n,)."""
        X = self._in_coordinates(X)
        even = np.asarray(even, dtype=bool)
        points, group = distinct_rows(X)
        good: Any = np.bincount(group, weights=even.astype(float))
        bad: Any = np.bincount(group, weights=(~even).astype(float))
        # The level is the overall rate with one even and one failed trial added, so that neither
        # outcome is impossible.
        self.level_ = float(ndtri((good.sum() + 1.0) / (good.sum() + bad.sum() + 2.0)))
        self.X_ = points
        features = self._features(points), self._features(points)
        self._propagate(self._kernel(points, points, *features), good, bad)
        return self

    def _propagate(self, K: Floats, good: Floats, bad: Floats) -> None:
        """Expectation propagation: sites, the posterior that they give, and the evidence.

        A site stands for all runs at its point. All are updated at once, by steps that get
        smaller where their moves grow, as they may where points are close together.

        Args:
            K: prior covariance of the latent values, shape (k, k).
            good, bad: numbers of even and of failed runs at each point, shape (k,).
        """
        precision = pull = np.zeros(len(K))
        mean, variance = np.full(len(K), self.level_), np.diag(K)
        step, moved = 1.0, np.inf
        for _ in range(SWEEPS):
            without = 1.0 / (1.0 / variance - precision)
            middle = without * (mean / variance - pull)
            site = Site.matching(middle, without, good, bad)
            precision = precision + step * (site.precision - precision)
            pull = pull + step * (site.pull - pull)
            before, last = mean, moved
            root = np.sqrt(precision)
            lower = factorize(np.eye(len(K)) + root[:, None] * K * root)
            V, _ = lapack.dtrtrs(lower, root[:, None] * K, lower=1)
            target = pull - precision * self.level_
            self.gradient_ = target - root * cho_solve((lower, True), root * (K @ target))
            mean = self.level_ + K @ self.gradient_
            variance = np.diag(K) - np.sum(V * V, axis=0)
            moved = float(np.max(np.abs(mean - before) / np.sqrt(variance))) / step
            if moved < SETTLED:
                break
            step = max(0.5 * step, SMALLEST_STEP) if moved > last else min(GROWTH * step, 1.0)
        self._root, self._lower = root, lower
        # Rasmussen & Williams 2006, equation 3.65, with the level as the prior mean.
        level = self.level_ * float(np.sum(pull)) - 0.5 * self.level_**2 * float(np.sum(precision))
        joint = 0.5 * float(target @ (mean - self.level_)) - float(np.sum(np.log(np.diag(lower))))
        shape = (middle / without + pull) ** 2 / (1.0 / without + precision) - middle**2 / without
        integral = 0.5 * shape - 0.5 * np.log1p(precision * without)
        self.log_evidence_ = float(np.sum(site.log_integral - integral)) + level + joint

    def _in_coordinates(self, A: ArrayLike) -> Floats:
        A = np.atleast_2d(np.asarray(A, dtype=float))
        return A if self.coordinates is None else self.coordinates(A)

    def _features(self, A: Floats) -> Floats:
        linear = (A - 0.5) * PER_UNIT
        about = np.ones(A.shape[1])
        about[list(self.contrasts)] = 0.0
        trend = self.trend * np.hstack([linear, (linear**2 - about) / np.sqrt(0.8)])
        return np.hstack([trend, self.edge * linear, np.full((len(A), 1), self.edge)])

    def _kernel(self, A: Floats, B: Floats, of_a: Floats, of_b: Floats) -> Floats:
        """Prior covariance between A, (n, d), and B, (m, d), with their features; (n, m)."""
        linear = of_a @ of_b.T
        if not self.deviation:
            return linear
        scale = self.lengthscale * np.sqrt(A.shape[1] - len(self.contrasts))
        P, Q = A / scale, B / scale
        # Written to one array: B may be a large pool, and memory for new arrays costs time.
        smooth = np.sum(P * P, 1)[:, None] + np.sum(Q * Q, 1)[None, :]
        smooth -= 2.0 * P @ Q.T
        np.maximum(smooth, 0.0, out=smooth)
        smooth *= -0.5
        np.exp(smooth, out=smooth)
        smooth *= self.deviation**2
        smooth += linear
        return smooth

    def chance_even(self, A: ArrayLike) -> Floats:
        """Probability of an even deck at settings A, shape (n, d)."""
        A = self._in_coordinates(A)
        features = self._features(A)
        cross = self._kernel(self.X_, A, self._features(self.X_), features)
        mean = self.level_ + cross.T @ self.gradient_
        weighted = np.multiply(self._root[:, None], cross, order="F")
        V, _ = lapack.dtrtrs(self._lower.T, weighted, lower=0, trans=1, overwrite_b=1)
        prior = self.deviation**2 + np.sum(features**2, axis=1)
        variance = prior - np.sum(V * V, axis=0)
        return ndtr(mean / np.sqrt(1.0 + np.clip(variance, 0.0, None)))


class Site(NamedTuple):
    """Normal factors exp(pull f - precision f^2 / 2) that stand for the likelihood of the runs at
    each point, and ln of the integral of that likelihood over what all others say; each shape (k,).
    """

    precision: Floats
    pull: Floats
    log_integral: Floats

    @staticmethod
    def matching(mean: Floats, variance: Floats, good: Floats, bad: Floats) -> Site:
        """Sites that turn mean and variance of latent values into those after the outcomes of the
        runs are known (equation 3.55 of Rasmussen & Williams 2006), by a Gauss-Hermite rule about
        the most likely value."""

        def log_density(f: Floats, part: Any = ...) -> Floats:
            off = f - mean[part]
            return np.asarray(
                good[part] * log_ndtr(f) + bad[part] * log_ndtr(-f) - 0.5 * off**2 / variance[part]
            )

        mode = mean
        for _ in range(STEPS):
            slope, W = _probit_terms(mode, good, bad)
            move = (slope - (mode - mean) / variance) / (W + 1.0 / variance)
            mode = mode + np.clip(move, -LONGEST, LONGEST)
            if np.max(np.abs(move)) < MOVES:
                break
        scale = SQRT_2 / np.sqrt(_probit_terms(mode, good, bad)[1] + 1.0 / variance)
        x, weights = np.polynomial.hermite.hermgauss(NODES)
        f = mode[:, None] + scale[:, None] * x
        peak = log_density(mode)
        terms = weights * np.exp(x * x + log_density(f, np.s_[:, None]) - peak[:, None])
        total = terms.sum(axis=1)
        after = np.sum(terms * f, axis=1) / total
        spread = np.sum(terms * (f - after[:, None]) ** 2, axis=1) / total
        precision = np.clip(1.0 / spread - 1.0 / variance, LEAST_PRECISION, None)
        log_integral = peak + np.log(total * scale) - 0.5 * np.log(2.0 * np.pi * variance)
        return Site(precision, after * (1.0 / variance + precision) - mean / variance, log_integral)


def _probit_terms(f: Floats, good: Floats, bad: Floats) -> tuple[Floats, Floats]:
    """Slope and negative second derivative, by f, of the log likelihood of counts."""
    log_density = -0.5 * f * f - 0.5 * np.log(2.0 * np.pi)
    up, down = np.exp(log_density - log_ndtr(f)), np.exp(log_density - log_ndtr(-f))
    W = good * up * (up + f) + bad * down * (down - f)
    return good * up - bad * down, np.clip(W, 0.0, None)
