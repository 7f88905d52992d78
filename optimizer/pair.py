"""Sharpness and balance together: what is not known of the one is not known of the other.

Where settings are coupled a balance is a cut times a sharpness (see ``structure``). About the mean
sharpness S0 that the readings of sharpness give,

    C(x) = G(x) + cut(x) (S(x) - S0(x)),

with G the balance of a deck whose sharpness were S0 and ``cut`` its cut there. S and G are apart
before any reading of the balance; a reading of the balance then tells of both, and where readings
pin a balance down it no longer follows what is not known of the sharpness. Everything is normal
and conditioned exactly (Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006, A.6).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimizer.cholesky import factorize, solve_lower
from optimizer.kernels import Inputs
from optimizer.structure import cut_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process import Member
    from optimizer.structure import Processes

    Floats = NDArray[np.float64]

# The floor keeps a tried point from looking certain to the last digit.
LEAST_VARIANCE = 1e-8


@dataclass(frozen=True)
class Place:
    """Some inputs as a pair sees them, n of them.

    Args:
        inputs: the inputs.
        mean: of sharpness and of balance, shape (2, n).
        cut: how far the balance goes with the sharpness, shape (n,).
        by_sharpness: what readings of sharpness explain of S: S has the prior covariance less
            ``by_sharpness' by_sharpness`` and less ``of_both' of_both``; shape (u, n).
        of_both: what readings of balance explain of S, shape (v, n).
        by_balance: what they explain of G, whose prior covariance this takes away likewise; the
            covariance of S with G is ``-of_both' by_balance``; shape (v, n).
    """

    inputs: Inputs
    mean: Floats
    cut: Floats
    by_sharpness: Floats
    of_both: Floats
    by_balance: Floats


@dataclass(frozen=True)
class PairReadings:
    """Sharpness and then balance at the u distinct set-points, each of shape (2 u,).

    Args:
        prior: their means before any reading.
        covariance: and their covariance, shape (2 u, 2 u).
        mean: mean reading.
        noise: its variance about the true value.
    """

    prior: Floats
    covariance: Floats
    mean: Floats
    noise: Floats


class Pair:
    """Posterior of sharpness and balance at one member's hyperparameters.

    Args:
        processes: fitted sharpness and balance, in latent units (``scale="center"``).
        member: which of their members.
    """

    def __init__(self, processes: Processes, member: int) -> None:
        self.processes = processes
        self.members: tuple[Member, Member] = (
            processes[0].members_[member],
            processes[1].members_[member],
        )

    @property
    def _exact(self) -> bool:
        """Whether readings of balance tell of sharpness: where neither process is sparse, and the
        two are coupled at all."""
        coupled = self.processes[1].weight is not None
        return coupled and all(m.root is None for m in self.members)

    @cached_property
    def _conditioned(self) -> tuple[Floats, Floats, Floats, Floats]:
        """At the readings: the cut (n,), what readings of sharpness explain of it (n, n), the
        factor of the covariance of readings of balance (n, n), and their innovations in it."""
        (sharpness, balance), (s, c) = self.processes, self.members
        points, readings = s.points, balance.readings_
        K = sharpness.covariance(s, points, points)
        V = solve_lower(s.lower, K)
        S, C = (
            gp.center_ + gp.mean_at([m], points)
            for gp, m in zip(self.processes, self.members, strict=True)
        )
        cut = cut_of(balance, S, C)
        follows = np.outer(cut, cut) * (K - V.T @ V)
        lower = factorize(c.lower @ c.lower.T + follows)
        off = readings.mean - balance.prior_mean(points)
        return cut, V, lower, solve_lower(lower, off)

    def readings(self) -> PairReadings:
        """What is expected of the readings of sharpness and then of balance, and what was read.

        Of processes that hold every set-point.
        """
        (sharpness, balance), (s, c) = self.processes, self.members
        points, cut = s.points, self._conditioned[0]
        K = sharpness.covariance(s, points, points)
        of_both = np.block([[K, K * cut], [cut[:, None] * K, np.outer(cut, cut) * K]])
        n = len(cut)
        of_both[n:, n:] += balance.covariance(c, points, points)
        prior = [gp.center_ + gp.prior_mean(points) for gp in self.processes]
        prior[1] = prior[1] + cut * (prior[0] - sharpness.center_ - sharpness.mean_at([s], points))
        return PairReadings(
            np.concatenate(prior),
            of_both,
            np.concatenate([gp.center_ + gp.readings_.mean for gp in self.processes]),
            np.concatenate(
                [gp.noise_at(m.theta) for gp, m in zip(self.processes, self.members, strict=True)]
            ),
        )

    def place(self, A: Floats | Inputs) -> Place:
        """What is known at inputs A, shape (n, d), worked out once."""
        A = Inputs.of(A)
        place: Place = A.kept(self, lambda: self._place(A))
        return place

    def _place(self, A: Inputs) -> Place:
        (sharpness, balance), (s, c) = self.processes, self.members
        if not self._exact:
            (S, T), (C, G) = sharpness.project(s, A), balance.project(c, A)
            mean = np.array([sharpness.center_ + S, balance.center_ + C])
            return Place(A, mean, cut_of(balance, *mean), T, np.zeros_like(G), G)
        at_cut, V, lower, innovations = self._conditioned
        ks, kc = sharpness.covariance(s, s.points, A), balance.covariance(c, c.points, A)
        T = solve_lower(s.lower, ks)
        C0 = balance.center_ + balance.prior_mean(A)
        S = sharpness.center_ + sharpness.prior_mean(A) + ks.T @ s.weights
        cut = cut_of(balance, S, C0 + kc.T @ c.weights)
        both = np.hstack([at_cut[:, None] * (ks - V.T @ T), kc])
        B, G = np.hsplit(solve_lower(lower, both), 2)
        off = B.T @ innovations
        return Place(A, np.array([S + off, C0 + G.T @ innovations + cut * off]), cut, T, B, G)

    def variance(self, at: Place, drawn: Floats | None = None) -> tuple[Floats, Floats, Floats]:
        """Variance of S, how far C goes with it, and the variance of the rest of C, each (n,).

        ``drawn`` is what draws elsewhere explain besides, of S and then of G, shape (k, 2 n).
        """
        s, g = (
            gp.variance_at(m, at.inputs) for gp, m in zip(self.processes, self.members, strict=True)
        )
        s = s - np.sum(at.by_sharpness**2, 0) - np.sum(at.of_both**2, 0)
        g = g - np.sum(at.by_balance**2, 0)
        with_s = -np.sum(at.of_both * at.by_balance, 0)
        if drawn is not None:
            S, G = np.hsplit(drawn, 2)
            s, g, with_s = s - np.sum(S**2, 0), g - np.sum(G**2, 0), with_s - np.sum(S * G, 0)
        s = np.clip(s, LEAST_VARIANCE, None)
        return s, at.cut + with_s / s, np.clip(g - with_s**2 / s, LEAST_VARIANCE, None)

    @staticmethod
    def drawn(at: Place, off: Floats) -> tuple[Floats, Floats]:
        """Sharpness and balance, each (draws, n), of S and then G off their means, (draws, 2 n)."""
        S, G = np.hsplit(off, 2)
        return at.mean[0] + S, at.mean[1] + G + at.cut * S

    def covariance(self, P: Place, Q: Place) -> Floats:
        """Of S and then G at P, with S and then G at Q; shape (2 n, 2 m)."""
        (sharpness, balance), (s, c) = self.processes, self.members
        of_s = sharpness.covariance(s, P.inputs, Q.inputs)
        of_s -= P.by_sharpness.T @ Q.by_sharpness + P.of_both.T @ Q.of_both
        of_g = balance.covariance(c, P.inputs, Q.inputs) - P.by_balance.T @ Q.by_balance
        return np.block([[of_s, -P.of_both.T @ Q.by_balance], [-P.by_balance.T @ Q.of_both, of_g]])


class PairDraws:
    """Joint draws of a pair at base points, and what each draw implies elsewhere.

    The base grows as a batch is picked: a pick is drawn, not assumed, so that the next pick
    knows neither more nor less than the model does.

    Args:
        pair: what is drawn from.
        base: points, m of them.
        normals: standard normals, shape (draws, at least m, 2).
    """

    def __init__(self, pair: Pair, base: Inputs, normals: Floats) -> None:
        self.pair, self.base, self._normals = pair, base, normals
        self._at = pair.place(base)
        # Point by point, S before G, so that one more point leaves the draws as they are.
        self._order = np.arange(2 * len(base)).reshape(2, -1).T.ravel()
        covariance = pair.covariance(self._at, self._at)
        self._lower = factorize(covariance[np.ix_(self._order, self._order)])
        # Deviations from the mean in whitened form: conditioning needs nothing else.
        self._white = normals[:, : len(base)].reshape(len(normals), -1)

    @property
    def values(self) -> tuple[Floats, Floats]:
        """Sharpness and balance drawn at the base points, each (draws, m)."""
        off = self._white @ self._lower[np.argsort(self._order)].T
        return self.pair.drawn(self._at, off)

    def at(self, A: Inputs) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Means of sharpness and balance given each draw, (draws, n); the variance of the one, of
        what the other has of its own, and how far it goes with the one, (n,)."""
        at = self.pair.place(A)
        cross = self.pair.covariance(self._at, at)[self._order]
        W = solve_lower(self._lower, cross)
        s, cut, own = self.pair.variance(at, W)
        return *self.pair.drawn(at, self._white @ W), s, own, cut

    def extend(self, point: Floats) -> PairDraws:
        """The draws with one more base point, shape (1, d)."""
        return PairDraws(self.pair, Inputs(np.vstack([self.base.values, point])), self._normals)
