"""Sharpness and balance as one joint normal.

In coupled coordinates a balance is a cut times a sharpness (see ``deck_prior``), so an error of the
sharpness causes an error of the balance. About the posterior mean S0 of the sharpness, given the
readings of sharpness alone,

    C(x) = G(x) + cut(x) (S(x) - S0(x)),

where G is the balance of a deck whose sharpness is S0, and ``cut`` its cut. S and G are independent
before any reading of the balance. A reading of the balance informs both; where readings determine
the balance, it no longer follows the uncertainty of the sharpness. Everything is normal and
conditioned exactly (Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006, A.6).

For a stack of members every array has one more axis in front.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.solvers import Posterior
from optimizer.model.deck_prior import cut_of
from optimizer.numerics.cholesky import factorize, solve_lower, transposed, weighted_sum

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

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
        by_sharpness: part of S that readings of sharpness explain, shape (u, n): the posterior
            covariance of S is the prior covariance less ``by_sharpness' by_sharpness`` and less
            ``of_both' of_both``.
        of_both: part of S that readings of balance explain, shape (v, n).
        by_balance: part of G that readings of balance explain, shape (v, n): the posterior
            covariance of G is the prior covariance less ``by_balance' by_balance``, and the
            posterior covariance of S with G is ``-of_both' by_balance``.
    """

    inputs: Inputs
    mean: tuple[Floats, Floats]
    cut: Floats
    by_sharpness: Floats
    of_both: Floats
    by_balance: Floats


@dataclass(frozen=True)
class JointPrior:
    """Prior moments of sharpness, then balance, at the u distinct set-points, and the readings.

    Args:
        mean: prior means, shape (2 u,).
        covariance: prior covariance, shape (2 u, 2 u).
        read: mean readings, shape (2 u,).
        noise: variances of the mean readings about the true values, shape (2 u,).
    """

    mean: Floats
    covariance: Floats
    read: Floats
    noise: Floats


@dataclass(frozen=True)
class Pair(ABC):
    """Posterior of sharpness and balance at one set of hyperparameters, or at a stack of them.

    Pairs are compared by value.

    Args:
        sharpness, balance: posteriors of the two processes, in latent units (scale ``"center"``).
    """

    sharpness: Posterior
    balance: Posterior

    @property
    def stacked(self) -> bool:
        """Whether the pair is a stack of several members."""
        return self.sharpness.hyperparameters.stacked

    @cached_property
    def centers(self) -> tuple[float, float]:
        """Centers of the scaled sharpness and balance."""
        return self.sharpness.readings.center, self.balance.readings.center

    def moments(self, A: ArrayLike | Inputs) -> PairMoments:
        """Moments at inputs A, shape (n, d), which are computed once and stored with A."""
        A = Inputs.of(A)
        moments: PairMoments = A.remember(self, lambda: self._moments(A))
        return moments

    @abstractmethod
    def _moments(self, A: Inputs) -> PairMoments: ...

    @cached_property
    def cut_at_points(self) -> Floats:
        """Cut at the set-points, (u,), from the mean of each process given its own readings."""
        points = self.sharpness.points
        S, C = (
            center + posterior.mean(points)
            for center, posterior in zip(self.centers, (self.sharpness, self.balance), strict=True)
        )
        return cut_of(self.balance.prior.kernel, S, C)

    def joint_prior(self) -> JointPrior:
        """Prior of sharpness and balance at the set-points, and the readings there.

        Both posteriors must be exact and belong to one member.
        """
        sharpness, balance = self.sharpness, self.balance
        points, cut = sharpness.points, self.cut_at_points
        K = sharpness.covariance(points, points)
        covariance = np.block([[K, K * cut], [cut[:, None] * K, np.outer(cut, cut) * K]])
        n = len(cut)
        covariance[n:, n:] += balance.covariance(points, points)
        s_center, c_center = self.centers
        mean = [s_center + sharpness.expected(points), c_center + balance.expected(points)]
        mean[1] = mean[1] + cut * (mean[0] - s_center - sharpness.mean(points))
        return JointPrior(
            np.concatenate(mean),
            covariance,
            np.concatenate([s_center + sharpness.readings.mean, c_center + balance.readings.mean]),
            np.concatenate([sharpness.noise_of_means, balance.noise_of_means]),
        )

    def variance(
        self, moments: PairMoments, drawn: Floats | None = None
    ) -> tuple[Floats, Floats, Floats]:
        """Variance of S, slope of C on S, and variance of C given S, each (n,).

        Args:
            moments: moments of the pair at n inputs.
            drawn: part of S and then of G that draws at other points explain in addition to the
                readings, shape (k, 2 n).
        """
        s = self.sharpness.variance(moments.inputs)
        g = self.balance.variance(moments.inputs)
        s = s - np.sum(moments.by_sharpness**2, -2) - np.sum(moments.of_both**2, -2)
        g = g - np.sum(moments.by_balance**2, -2)
        with_s = -np.sum(moments.of_both * moments.by_balance, -2)
        if drawn is not None:
            S, G = np.split(drawn, 2, axis=-1)
            s, g, with_s = s - np.sum(S**2, -2), g - np.sum(G**2, -2), with_s - np.sum(S * G, -2)
        s = np.clip(s, LEAST_VARIANCE, None)
        return s, moments.cut + with_s / s, np.clip(g - with_s**2 / s, LEAST_VARIANCE, None)

    def covariance(self, P: PairMoments, Q: PairMoments) -> Floats:
        """Covariance of S and then G at n inputs P with S and then G at m inputs Q; (2 n, 2 m)."""
        of_s = self.sharpness.covariance(P.inputs, Q.inputs)
        of_s -= transposed(P.by_sharpness) @ Q.by_sharpness + transposed(P.of_both) @ Q.of_both
        of_g = self.balance.covariance(P.inputs, Q.inputs)
        of_g = of_g - transposed(P.by_balance) @ Q.by_balance
        s_with_g = -transposed(P.of_both) @ Q.by_balance
        g_with_s = -transposed(P.by_balance) @ Q.of_both
        return np.block([[of_s, s_with_g], [g_with_s, of_g]])

    @staticmethod
    def with_deviations(moments: PairMoments, off: Floats) -> tuple[Floats, Floats]:
        """Sharpness and balance, each (draws, n), from deviations of S and then G from their means,
        shape (draws, 2 n)."""
        S, G = np.split(off, 2, axis=-1)
        mean_s, mean_c, cut = (x[..., None, :] for x in (*moments.mean, moments.cut))
        return mean_s + S, mean_c + G + cut * S


class IndependentPair(Pair):
    """A pair in which readings of balance do not inform the sharpness, because the two are not
    coupled or because one of them is conditioned by inducing points."""

    def _moments(self, A: Inputs) -> PairMoments:
        (S, T), (C, G) = self.sharpness.project(A), self.balance.project(A)
        s_center, c_center = self.centers
        S, C = s_center + S, c_center + C
        cut = cut_of(self.balance.prior.kernel, S, C)
        return PairMoments(A, (S, C), cut, T, np.zeros_like(G), G)


@dataclass(frozen=True)
class BalanceReadings:
    """Readings of balance at u set-points, given the readings of sharpness.

    Args:
        sharpness_explained: part of the sharpness at the set-points that its readings explain,
            shape (u, u).
        lower: lower Cholesky factor of the covariance of the readings of balance, shape (u, u).
        innovations: readings less their expectations, whitened by ``lower``, shape (u,).
    """

    sharpness_explained: Floats
    lower: Floats
    innovations: Floats


class CoupledPair(Pair):
    """A pair of exact posteriors that is conditioned on all readings as one joint normal."""

    @cached_property
    def _balance_readings(self) -> BalanceReadings:
        sharpness, balance, cut = self.sharpness, self.balance, self.cut_at_points
        points = sharpness.points
        K = sharpness.covariance(points, points)
        V = solve_lower(sharpness.lower, K)
        follows = cut[..., :, None] * (K - transposed(V) @ V) * cut[..., None, :]
        lower = factorize(balance.lower @ transposed(balance.lower) + follows)
        off = np.broadcast_to(balance.readings.mean - balance.expected(points), cut.shape)
        return BalanceReadings(V, lower, solve_lower(lower, off))

    def _moments(self, A: Inputs) -> PairMoments:
        sharpness, balance, known = self.sharpness, self.balance, self._balance_readings
        s_center, c_center = self.centers
        ks = sharpness.covariance(sharpness.points, A)
        kc = balance.covariance(balance.points, A)
        T = solve_lower(sharpness.lower, ks)
        C0 = c_center + balance.expected(A)
        S = s_center + sharpness.expected(A) + weighted_sum(sharpness.weights, ks)
        cut = cut_of(balance.prior.kernel, S, C0 + weighted_sum(balance.weights, kc))
        left = ks - transposed(known.sharpness_explained) @ T
        B = solve_lower(known.lower, self.cut_at_points[..., None] * left)
        G = solve_lower(known.lower, kc)
        off = weighted_sum(known.innovations, B)
        C = C0 + weighted_sum(known.innovations, G) + cut * off
        return PairMoments(A, (S + off, C), cut, T, B, G)


def pair_of(sharpness: Posterior, balance: Posterior) -> Pair:
    """The pair of two posteriors: one joint normal where both are exact and coupled."""
    coupled = balance.prior.kernel.weight is not None
    if coupled and sharpness.exact and balance.exact:
        return CoupledPair(sharpness, balance)
    return IndependentPair(sharpness, balance)


class PairDraws:
    """Joint draws of a pair at base points, and the conditional distribution given each draw.

    The base grows by each picked trial of a batch. The outcome of a picked trial is drawn from the
    posterior rather than assumed, so that the next pick accounts for its uncertainty.

    Args:
        pair: posterior from which to draw.
        base: the m base points.
        normals: standard normals, shape (draws, at least m, 2).
    """

    def __init__(self, pair: Pair, base: Inputs, normals: Floats) -> None:
        self.pair, self.base, self._normals = pair, base, normals
        self._moments = pair.moments(base)
        # The order is point by point, S before G, so that one more point does not change the other
        # draws.
        self._order = np.arange(2 * len(base)).reshape(2, -1).T.ravel()
        covariance = pair.covariance(self._moments, self._moments)
        self._lower = factorize(covariance[..., self._order[:, None], self._order])
        # Conditioning on the draws needs only their whitened deviations from the mean.
        self._white = normals[..., : len(base), :].reshape(*normals.shape[:-2], -1)

    @property
    def values(self) -> tuple[Floats, Floats]:
        """Sharpness and balance drawn at the base points, each (draws, m)."""
        off = self._white @ transposed(self._lower[..., np.argsort(self._order), :])
        return self.pair.with_deviations(self._moments, off)

    def conditional(self, A: Inputs) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Sharpness and balance at A, shape (n, d), given each draw.

        Returns:
            Means of sharpness and of balance, (draws, n) each; variance of the sharpness, variance
            of the balance given the sharpness, and slope of the balance on it, (n,) each.
        """
        moments = self.pair.moments(A)
        cross = self.pair.covariance(self._moments, moments)[..., self._order, :]
        W = solve_lower(self._lower, cross)
        s, cut, own = self.pair.variance(moments, W)
        return *self.pair.with_deviations(moments, self._white @ W), s, own, cut

    def extend(self, point: Floats) -> PairDraws:
        """The draws extended by one more base point, shape (1, d)."""
        return PairDraws(self.pair, Inputs(np.vstack([self.base.values, point])), self._normals)


def draw_pairs(pairs: Sequence[Pair], base: Inputs, normals: Floats) -> list[PairDraws]:
    """Joint draws of all members at base points.

    Args:
        pairs: all members, as single pairs or as one stack.
        base: the m base points.
        normals: standard normals of each member, shape (members, draws, at least m, 2).
    """
    each = [normals] if pairs[0].stacked else normals
    return [PairDraws(pair, base, z) for pair, z in zip(pairs, each, strict=True)]
