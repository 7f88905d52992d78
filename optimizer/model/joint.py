"""Sharpness and balance as one joint normal.

Each of the two follows from two processes P and Q (see ``deck_prior``), in one of two forms:

    apart      S = P - Q,  C = P + Q     P is the logit of the wanted share, Q of the unwanted one
    separate   S = P,      C = Q + cut (P - P0)

In the second form P0 is the posterior mean of P given its own readings, and ``cut`` the slope of
the balance on the sharpness (see ``deck_prior``), which is 0 unless a balance is a cut times a
sharpness. P and Q are independent before any reading. A reading of one informs the other too: by
the cut, and because the errors of the two readings of a run are correlated. Everything is normal.
Here it is conditioned exactly (Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006,
A.6); with many set-points, by inducing points (see ``inducing_pair``).

For a stack of members every array has one more axis in front.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.solvers import ExactPosterior, Posterior
from optimizer.model.coordinates import blocks_of_latent, latent_covariance
from optimizer.model.deck_prior import cut_of
from optimizer.model.left_out import JointPrior, OwnPrecision
from optimizer.model.shared_error import LOG_2PI, SharedError
from optimizer.numerics.cholesky import factorize, solve_lower, transposed, weighted_sum
from optimizer.time_effects.information import ReadMeans

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimizer.time_effects.effects import Unsure

    Floats = NDArray[np.float64]

# Smallest variance, which keeps the variance at a tried point above rounding errors.
LEAST_VARIANCE = 1e-8


@dataclass(frozen=True)
class PairMoments:
    """Moments of sharpness and balance at n inputs, predicted by a pair.

    Args:
        inputs: the n inputs.
        mean: means of sharpness and of balance, each (n,).
        cut: slope of the balance on the sharpness, shape (n,).
        by_first: part of P that its own readings explain, shape (u, n): the posterior covariance of
            P is the prior covariance less ``by_first' by_first`` and less ``of_both' of_both``.
        of_both: part of P that the readings of Q explain in addition, shape (v, n).
        by_second: part of Q that readings explain, shape (v, n): the posterior covariance of Q is
            the prior covariance less ``by_second' by_second``, and the posterior covariance of P
            with Q is ``-of_both' by_second``.
    """

    inputs: Inputs
    mean: tuple[Floats, Floats]
    cut: Floats
    by_first: Floats
    of_both: Floats
    by_second: Floats

    def unread(self) -> PairMoments:
        """The same moments with the variances before any reading."""
        nothing = self.by_first[..., :0, :]
        return replace(self, by_first=nothing, of_both=nothing, by_second=nothing)


@dataclass(frozen=True)
class Pair(ABC):
    """Posterior of sharpness and balance at one set of hyperparameters, or at a stack of them.

    Pairs are compared by value. The class of a pair follows from the solver of its posteriors.

    Args:
        first, second: posteriors of the two processes, in latent units (scale ``"center"``).
        error: what the errors of the two readings of a run have in common.
        apart: whether the processes are the logits of the two shares.
        unsure: what is not known of effects of time, which readings and the moment share.
    """

    first: Posterior
    second: Posterior
    error: SharedError
    apart: bool = False
    unsure: Unsure | None = None

    @property
    def stacked(self) -> bool:
        """Whether the pair is a stack of several members."""
        return self.first.hyperparameters.stacked

    @property
    def members(self) -> int:
        """Number of members in the stack; 1 for a single pair."""
        return len(self.first.hyperparameters.vector) if self.stacked else 1

    @cached_property
    def centers(self) -> tuple[float, float]:
        """Centers of the scaled processes."""
        return self.first.readings.center, self.second.readings.center

    def moments(self, A: ArrayLike | Inputs) -> PairMoments:
        """Moments at inputs A, shape (n, d), which are computed once and stored with A."""
        A = Inputs.of(A)
        moments: PairMoments = A.remember(self, lambda: self._moments(A))
        return moments

    @abstractmethod
    def _moments(self, A: Inputs) -> PairMoments: ...

    @abstractmethod
    def own_precision(self) -> OwnPrecision:
        """What the readings of each set-point say beyond all others, for a single member."""

    def _latent(self, P: Floats, Q: Floats) -> tuple[Floats, Floats]:
        """Sharpness and balance of the values of the two processes, shapes kept."""
        return (P - Q, P + Q) if self.apart else (P, Q)

    @cached_property
    def cut_at_points(self) -> Floats:
        """Cut at the set-points, (u,), from the mean of each process given its own readings."""
        points = self.first.readings.inputs
        S, C = (
            center + posterior.mean(points)
            for center, posterior in zip(self.centers, (self.first, self.second), strict=True)
        )
        return cut_of(self.second.prior.kernel, S, C)

    @cached_property
    def noise_of_means(self) -> Floats:
        """Covariance of the errors of the mean readings of both processes, shape (3, u): variance
        of the first, of the second, and covariance."""
        first, second = self.first, self.second
        return np.array(
            [first.noise_of_means, second.noise_of_means, self.error.of_means(first, second)]
        )

    def _of_latent(self, errors: Floats) -> Floats:
        """Covariance of the errors of sharpness and of balance, shape (u, 2, 2), from those of the
        processes: variance of the first, of the second, and covariance, shape (3, u)."""
        a, b, both = errors
        if self.apart:
            a, b, both = latent_covariance(a, b, both)
        return np.array([[a, both], [both, b]]).transpose(2, 0, 1)

    def noise_of_latent_means(self) -> Floats:
        """Covariance of the errors of the mean readings of sharpness and of balance at each
        set-point, shape (u, 2, 2), for a single member."""
        return self._of_latent(self.noise_of_means)

    @property
    def counts(self) -> Floats:
        """Sum of the weights of the runs at each set-point, shape (u,)."""
        return self.first.readings.counts

    @property
    def scatter(self) -> Floats:
        """Sums of squares and of products of the readings of sharpness and of balance about their
        means, shape (u, 2, 2)."""
        first, second = self.first.readings, self.second.readings
        return self._of_latent(np.array([first.scatter, second.scatter, self.error.scatter]))

    def typical_noise(self) -> Floats:
        """Covariance of the errors of one reading of sharpness and of balance, (2, 2), with the
        median of the known errors of all set-points."""
        first, second = self.first, self.second
        errors = first.noise_of_readings, second.noise_of_readings
        each = np.array([*errors, self.error.of_readings(first, second)])
        return self._of_latent(np.median(each, axis=1, keepdims=True))[0]

    def with_larger_samples(self, times: float) -> Pair:
        """The pair as if the known variances of all readings were divided by ``times``."""
        known = self.first.readings.known_variance, self.second.readings.known_variance
        return self.with_known_errors(*(each / times for each in (*known, self.error.known)))

    def with_known_errors(self, first: Floats, second: Floats, both: Floats) -> Pair:
        """The pair as if the known variances of a reading of each process, and their covariance,
        were these, shape (u,) each."""
        return replace(
            self,
            first=self.first.with_known_variance(first),
            second=self.second.with_known_variance(second),
            error=replace(self.error, known=both),
        )

    def read_means(self, mean: Floats) -> ReadMeans:
        """What mean readings of sharpness and balance, shape (2, u), say together, at the
        hyperparameters of a single member that is conditioned on other readings.

        Where the pair is not exact, only the blocks of the set-points are known.
        """
        known, u = self.own_precision(), mean.shape[1]
        precision, at = np.zeros((2 * u, 2 * u)), np.arange(u)
        for p in range(2):
            for q in range(2):
                precision[p * u + at, q * u + at] = known.blocks[:, p, q]
        weights = known.weights.T.ravel() + precision @ (mean - known.read.T).ravel()
        return ReadMeans(mean, known.noise, precision, weights)

    def joint_prior(self) -> JointPrior:
        """Prior of sharpness and balance at the set-points, and the readings there.

        Both posteriors must be exact and belong to one member.
        """
        first, second = self.first, self.second
        points, cut = first.points, self.cut_at_points
        K = first.covariance(points, points)
        covariance = np.block([[K, K * cut], [cut[:, None] * K, np.outer(cut, cut) * K]])
        n = len(cut)
        covariance[n:, n:] += second.covariance(points, points)
        centers = self.centers
        mean = [c + p.expected(points) for c, p in zip(centers, (first, second), strict=True)]
        mean[1] = mean[1] + cut * (mean[0] - centers[0] - first.mean(points))
        read = [c + p.readings.mean for c, p in zip(centers, (first, second), strict=True)]
        if self.apart:
            covariance = blocks_of_latent(covariance)
        return JointPrior(
            np.concatenate(self._latent(*mean)),
            covariance,
            np.concatenate(self._latent(*read)),
            self._of_latent(self.noise_of_means),
        )

    def variance(
        self, moments: PairMoments, drawn: Floats | None = None
    ) -> tuple[Floats, Floats, Floats]:
        """Variance of S, slope of C on S, and variance of C given S, each (n,).

        Args:
            moments: moments of the pair at n inputs.
            drawn: part of S and then of C - cut S that draws at other points explain in addition to
                the readings, shape (k, 2 n).
        """
        s = self.first.variance(moments.inputs)
        g = self.second.variance(moments.inputs)
        s = s - np.sum(moments.by_first**2, -2) - np.sum(moments.of_both**2, -2)
        g = g - np.sum(moments.by_second**2, -2)
        with_s = -np.sum(moments.of_both * moments.by_second, -2)
        if self.apart:
            s, g, with_s = latent_covariance(s, g, with_s)
        if self.unsure is not None:
            S, G = np.split(self.not_known(moments), 2, axis=-1)
            s, g, with_s = s + np.sum(S**2, -2), g + np.sum(G**2, -2), with_s + np.sum(S * G, -2)
        if drawn is not None:
            S, G = np.split(drawn, 2, axis=-1)
            s, g, with_s = s - np.sum(S**2, -2), g - np.sum(G**2, -2), with_s - np.sum(S * G, -2)
        s = np.clip(s, LEAST_VARIANCE, None)
        return s, moments.cut + with_s / s, np.clip(g - with_s**2 / s, LEAST_VARIANCE, None)

    def not_known(self, moments: PairMoments) -> Floats:
        """Deviations of S, then of C - cut S, at n inputs that the effects of time cause, as
        combinations of r standard normals, shape (r, 2 n): the effect at the moment less what the
        effects on the readings do to the mean."""
        (first, second), readings = self._unsure_in_processes
        P, Q = self._moved(moments, readings) if moments.by_first.shape[-2] else (0.0, 0.0)
        S, C = self._latent(first[:, None] - P, second[:, None] - Q)
        S, C = np.broadcast_arrays(S, C - moments.cut[..., None, :] * S)
        return np.concatenate([S, C], axis=-1)

    @cached_property
    def _unsure_in_processes(self) -> tuple[Floats, Any]:
        """Effects at the moment on the two processes, (2, r), and on their readings, weighed."""
        assert self.unsure is not None
        turn = 0.5 * np.array([[1.0, 1.0], [-1.0, 1.0]]) if self.apart else np.eye(2)
        at_points = np.einsum("pq,qur->pur", turn, self.unsure.at_points)
        return turn @ self.unsure.now, self._weighed(*at_points)

    @abstractmethod
    def _weighed(self, first: Floats, second: Floats) -> Any:
        """Changes of the mean readings of both processes, shape (u, r) each, for ``_moved``."""

    @abstractmethod
    def _moved(self, moments: PairMoments, weighed: Any) -> tuple[Floats, Floats]:
        """How the means of P and of C (apart: of Q) at n inputs move, shape (r, n) each."""

    def covariance(self, P: PairMoments, Q: PairMoments) -> Floats:
        """Covariance of S, then C - cut S, at n inputs P with the same at m inputs Q, shape (2 n,
        2 m)."""
        of_s = self.first.covariance(P.inputs, Q.inputs)
        of_s -= transposed(P.by_first) @ Q.by_first + transposed(P.of_both) @ Q.of_both
        of_g = self.second.covariance(P.inputs, Q.inputs)
        of_g = of_g - transposed(P.by_second) @ Q.by_second
        s_with_g = -transposed(P.of_both) @ Q.by_second
        g_with_s = -transposed(P.by_second) @ Q.of_both
        whole = np.block([[of_s, s_with_g], [g_with_s, of_g]])
        whole = blocks_of_latent(whole) if self.apart else whole
        if self.unsure is None:
            return whole
        left, right = (self.not_known(moments) for moments in (P, Q))
        return whole + transposed(left) @ right

    @staticmethod
    def with_deviations(moments: PairMoments, off: Floats) -> tuple[Floats, Floats]:
        """Sharpness and balance, each (draws, n), from deviations of S and then of C - cut S from
        their means, shape (draws, 2 n)."""
        S, G = np.split(off, 2, axis=-1)
        mean_s, mean_c, cut = (x[..., None, :] for x in (*moments.mean, moments.cut))
        return mean_s + S, mean_c + G + cut * S


@dataclass(frozen=True)
class SecondReadings:
    """Readings of the second process at u set-points, given the readings of the first.

    Args:
        explained: part of the readings of the second that those of the first explain, whitened by
            the factor of the first, shape (u, u).
        lower: lower Cholesky factor of the covariance that remains, shape (u, u).
        innovations: readings less their expectations, whitened by ``lower``, shape (u,).
    """

    explained: Floats
    lower: Floats
    innovations: Floats


class JointPair(Pair):
    """A pair of exact posteriors that is conditioned on all readings as one joint normal."""

    first: ExactPosterior
    second: ExactPosterior

    @cached_property
    def second_readings(self) -> SecondReadings:
        """Readings of the second process, given those of the first."""
        first, second, cut = self.first, self.second, self.cut_at_points
        points, shared, K = first.points, self.noise_of_means[2], first.own_covariance
        diagonal = np.arange(K.shape[-1])
        cross = K * cut[..., None, :]
        cross[..., diagonal, diagonal] += shared
        explained = solve_lower(first.lower, cross)
        remains = cut[..., :, None] * K * cut[..., None, :] - transposed(explained) @ explained
        remains += second.covariance_of_means
        lower = factorize(remains)
        off = second.readings.mean - second.expected(points) - shared * first.weights
        return SecondReadings(explained, lower, solve_lower(lower, off))

    def _moments(self, A: Inputs) -> PairMoments:
        first, second, known = self.first, self.second, self.second_readings
        kp = first.covariance(first.points, A)
        kq = second.covariance(second.points, A)
        T = solve_lower(first.lower, kp)
        Q0 = self.centers[1] + second.expected(A)
        P = self.centers[0] + first.expected(A) + weighted_sum(first.weights, kp)
        cut = cut_of(second.prior.kernel, P, Q0 + weighted_sum(second.weights, kq))
        left = self.cut_at_points[..., None] * kp - transposed(known.explained) @ T
        B = solve_lower(known.lower, left)
        G = solve_lower(known.lower, kq)
        off = weighted_sum(known.innovations, B)
        Q = Q0 + weighted_sum(known.innovations, G) + cut * off
        return PairMoments(A, self._latent(P + off, Q), cut, T, B, G)

    def _weighed(self, first: Floats, second: Floats) -> tuple[Floats, Floats]:
        lower, known = self.first.lower, self.second_readings
        shared = self.noise_of_means[2][..., None]
        by_first = solve_lower(lower, np.broadcast_to(first, (*lower.shape[:-1], first.shape[1])))
        rest = second - shared * np.linalg.solve(transposed(lower), by_first)
        return transposed(by_first), transposed(solve_lower(known.lower, rest))

    def _moved(self, moments: PairMoments, weighed: Any) -> tuple[Floats, Floats]:
        by_first, by_second = weighed
        off = by_second @ moments.of_both
        Q = by_second @ moments.by_second + moments.cut[..., None, :] * off
        return by_first @ moments.by_first + off, Q

    def read_means(self, mean: Floats) -> ReadMeans:
        """What mean readings say together, see ``Pair``."""
        prior = self.joint_prior()
        precision, weights = prior.explained
        weights = weights + precision @ (mean.ravel() - prior.read)
        return ReadMeans(mean, prior.noise, precision, weights)

    def own_precision(self) -> OwnPrecision:
        """What the readings of each set-point say beyond all others, see ``Pair``."""
        prior, u = self.joint_prior(), len(self.cut_at_points)
        precision, weights = prior.explained
        blocks = np.diagonal(precision.reshape(2, u, 2, u), axis1=1, axis2=3).transpose(2, 0, 1)
        return OwnPrecision(
            prior.read.reshape(2, u).T, prior.noise, blocks, weights.reshape(2, u).T
        )

    @property
    def log_likelihood(self) -> float:
        """Log likelihood of all readings of both processes, of a single member."""
        first, second = self.first, self.second
        off = first.readings.mean - first.expected(first.points)
        whitened = np.concatenate([solve_lower(first.lower, off), self.second_readings.innovations])
        diagonals = np.diag(first.lower), np.diag(self.second_readings.lower)
        value = -0.5 * float(np.sum(whitened**2)) - float(np.sum(np.log(diagonals)))
        value -= 0.5 * len(whitened) * LOG_2PI
        return value + self.error.log_likelihood_within(first, second)
