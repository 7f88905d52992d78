"""Sharpness and balance together: what is not known of the one is not known of the other.

Where settings are coupled a balance is a cut times a sharpness (see ``deck_prior``). About the mean
sharpness S0 that the readings of sharpness give,

    C(x) = G(x) + cut(x) (S(x) - S0(x)),

with G the balance of a deck whose sharpness were S0 and ``cut`` its cut there. S and G are apart
before any reading of the balance; a reading of the balance then tells of both, and where readings
pin a balance down it no longer follows what is not known of the sharpness. Everything is normal
and conditioned exactly (Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006, A.6).

Of several members at once all arrays have a first axis more, one entry a member.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimizer.gaussian_process.kernels import Inputs
from optimizer.model.deck_prior import cut_of
from optimizer.numerics.cholesky import factorize, flipped, solve_lower, weigh

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.process import Member
    from optimizer.model.deck_prior import Processes

    Floats = NDArray[np.float64]

# The floor keeps a tried point from looking certain to the last digit.
LEAST_VARIANCE = 1e-8


@dataclass(frozen=True)
class Place:
    """Some inputs as a pair sees them, n of them.

    Args:
        inputs: the inputs.
        mean: of sharpness and of balance, each (n,).
        cut: how far the balance goes with the sharpness, shape (n,).
        by_sharpness: what readings of sharpness explain of S: S has the prior covariance less
            ``by_sharpness' by_sharpness`` and less ``of_both' of_both``; shape (u, n).
        of_both: what readings of balance explain of S, shape (v, n).
        by_balance: what they explain of G, whose prior covariance this takes away likewise; the
            covariance of S with G is ``-of_both' by_balance``; shape (v, n).
    """

    inputs: Inputs
    mean: tuple[Floats, Floats]
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
    """Posterior of sharpness and balance at the hyperparameters of a member, or of several.

    Args:
        processes: fitted sharpness and balance, in latent units (``scale="center"``).
        members: one member of each, or several at once.
    """

    def __init__(self, processes: Processes, members: tuple[Member, Member]) -> None:
        self.processes, self.members = processes, members

    @property
    def several(self) -> bool:
        """Whether it is of several members at once."""
        return self.members[0].theta.ndim > 1

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
            gp.center_ + gp.mean_at(m, points)
            for gp, m in zip(self.processes, self.members, strict=True)
        )
        cut = cut_of(balance, S, C)
        follows = cut[..., :, None] * (K - flipped(V) @ V) * cut[..., None, :]
        lower = factorize(c.lower @ flipped(c.lower) + follows)
        off = np.broadcast_to(readings.mean - balance.prior_mean(points), cut.shape)
        return cut, V, lower, solve_lower(lower, off)

    def readings(self) -> PairReadings:
        """What is expected of the readings of sharpness and then of balance, and what was read.

        Of processes that hold every set-point, and of one member.
        """
        (sharpness, balance), (s, c) = self.processes, self.members
        points, cut = s.points, self._conditioned[0]
        K = sharpness.covariance(s, points, points)
        of_both = np.block([[K, K * cut], [cut[:, None] * K, np.outer(cut, cut) * K]])
        n = len(cut)
        of_both[n:, n:] += balance.covariance(c, points, points)
        prior = [gp.center_ + gp.prior_mean(points) for gp in self.processes]
        prior[1] = prior[1] + cut * (prior[0] - sharpness.center_ - sharpness.mean_at(s, points))
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
            S, C = sharpness.center_ + S, balance.center_ + C
            return Place(A, (S, C), cut_of(balance, S, C), T, np.zeros_like(G), G)
        at_cut, V, lower, innovations = self._conditioned
        ks, kc = sharpness.covariance(s, s.points, A), balance.covariance(c, c.points, A)
        T = solve_lower(s.lower, ks)
        C0 = balance.center_ + balance.prior_mean(A)
        S = sharpness.center_ + sharpness.prior_mean(A) + weigh(s.weights, ks)
        cut = cut_of(balance, S, C0 + weigh(c.weights, kc))
        B = solve_lower(lower, at_cut[..., None] * (ks - flipped(V) @ T))
        G = solve_lower(lower, kc)
        off = weigh(innovations, B)
        return Place(A, (S + off, C0 + weigh(innovations, G) + cut * off), cut, T, B, G)

    def variance(self, at: Place, drawn: Floats | None = None) -> tuple[Floats, Floats, Floats]:
        """Variance of S, how far C goes with it, and the variance of the rest of C, each (n,).

        ``drawn`` is what draws elsewhere explain besides, of S and then of G, shape (k, 2 n).
        """
        s, g = (
            gp.variance_at(m, at.inputs) for gp, m in zip(self.processes, self.members, strict=True)
        )
        s = s - np.sum(at.by_sharpness**2, -2) - np.sum(at.of_both**2, -2)
        g = g - np.sum(at.by_balance**2, -2)
        with_s = -np.sum(at.of_both * at.by_balance, -2)
        if drawn is not None:
            S, G = np.split(drawn, 2, axis=-1)
            s, g, with_s = s - np.sum(S**2, -2), g - np.sum(G**2, -2), with_s - np.sum(S * G, -2)
        s = np.clip(s, LEAST_VARIANCE, None)
        return s, at.cut + with_s / s, np.clip(g - with_s**2 / s, LEAST_VARIANCE, None)

    @staticmethod
    def drawn(at: Place, off: Floats) -> tuple[Floats, Floats]:
        """Sharpness and balance, each (draws, n), of S and then G off their means, (draws, 2 n)."""
        S, G = np.split(off, 2, axis=-1)
        mean_s, mean_c, cut = (x[..., None, :] for x in (*at.mean, at.cut))
        return mean_s + S, mean_c + G + cut * S

    def covariance(self, P: Place, Q: Place) -> Floats:
        """Of S and then G at P, with S and then G at Q; shape (2 n, 2 m)."""
        (sharpness, balance), (s, c) = self.processes, self.members
        of_s = sharpness.covariance(s, P.inputs, Q.inputs)
        of_s -= flipped(P.by_sharpness) @ Q.by_sharpness + flipped(P.of_both) @ Q.of_both
        of_g = balance.covariance(c, P.inputs, Q.inputs) - flipped(P.by_balance) @ Q.by_balance
        s_with_g, g_with_s = -flipped(P.of_both) @ Q.by_balance, -flipped(P.by_balance) @ Q.of_both
        return np.block([[of_s, s_with_g], [g_with_s, of_g]])


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
        self._lower = factorize(covariance[..., self._order[:, None], self._order])
        # Deviations from the mean in whitened form: conditioning needs nothing else.
        self._white = normals[..., : len(base), :].reshape(*normals.shape[:-2], -1)

    @property
    def values(self) -> tuple[Floats, Floats]:
        """Sharpness and balance drawn at the base points, each (draws, m)."""
        off = self._white @ flipped(self._lower[..., np.argsort(self._order), :])
        return self.pair.drawn(self._at, off)

    def at(self, A: Inputs) -> tuple[Floats, Floats, Floats, Floats, Floats]:
        """Means of sharpness and balance given each draw, (draws, n); the variance of the one, of
        what the other has of its own, and how far it goes with the one, (n,)."""
        at = self.pair.place(A)
        cross = self.pair.covariance(self._at, at)[..., self._order, :]
        W = solve_lower(self._lower, cross)
        s, cut, own = self.pair.variance(at, W)
        return *self.pair.drawn(at, self._white @ W), s, own, cut

    def extend(self, point: Floats) -> PairDraws:
        """The draws with one more base point, shape (1, d)."""
        return PairDraws(self.pair, Inputs(np.vstack([self.base.values, point])), self._normals)


def drawn(pairs: list[Pair], base: Inputs, normals: Floats) -> list[PairDraws]:
    """Draws of pairs by normals of each member, (members, draws, m, 2)."""
    each = [normals] if pairs[0].several else normals
    return [PairDraws(pair, base, z) for pair, z in zip(pairs, each, strict=True)]
