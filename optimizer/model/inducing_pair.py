"""Sharpness and balance as one joint normal, conditioned by way of a few inducing points.

Each of the two processes P and Q is a combination of a few whitened values (see the module
``inducing`` of the processes) plus a remainder that is independent from setting to setting:

    P(x) = a(x)' v + r(x),   Q(x) = b(x)' w + q(x),   v, w ~ N(0, I).

The two mean readings of set-point i are P + e and Q + cut (P - P0) + f there (see ``joint``), so
they are known up to one error of two parts, whose covariance is that of the readings' errors
(e, f), which are correlated, plus that of the remainders (r, q + cut r). Divided by the Cholesky
factor of that 2 by 2 matrix, all readings have independent errors of variance 1, and (v, w) is
conditioned on them as in a linear regression (Rasmussen & Williams, Gaussian Processes for Machine
Learning, 2006, section 2.1.1). Without correlated errors and a cut this is the fully independent
training conditional of each process (Snelson & Ghahramani, NeurIPS 2006; Quinonero-Candela &
Rasmussen, JMLR 6, 2005, section 6).

Cost O(n m^2) for n set-points and m inducing points, memory O(n m).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.linalg import cho_solve

from optimizer.gaussian_process.inputs import Inputs
from optimizer.model.deck_prior import cut_of
from optimizer.model.joint import Pair, PairMoments
from optimizer.model.left_out import OwnPrecision
from optimizer.numerics.cholesky import factorize, inverse, solve_lower, weighted_sum

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.solvers import Posterior

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class WhitenedReadings:
    """The two mean readings of each of u set-points, with independent errors of variance 1.

    Args:
        whitening: inverse of the Cholesky factor of the covariance of the two errors, shape (u, 2,
            2).
        design: the whitened readings as combinations of a'v and b'w, shape (u, 2, 2).
        values: whitened readings less their means, shape (u, 2).
        explained: whitened covariance a of P, (m, u), and b of Q, (k, u), with the values at the
            inducing points.
    """

    whitening: Floats
    design: Floats
    values: Floats
    explained: tuple[Floats, Floats]


@dataclass(frozen=True)
class WhitenedValues:
    """Posterior of the whitened values w, then v, at the inducing points.

    Args:
        lower: lower Cholesky factor of the posterior precision, shape (k + m, k + m).
        root: upper triangular root R of the variance that the readings explain, R'R = I - posterior
            covariance, same shape.
        means: posterior means of v, (m,), and of w, (k,).
    """

    lower: Floats
    root: Floats
    means: tuple[Floats, Floats]


class InducingPair(Pair):
    """A pair that is conditioned on all readings by way of the points of its two posteriors.

    An exact posterior counts as one whose inducing points are all set-points.
    """

    @cached_property
    def _factors(self) -> list[Floats]:
        """Lower Cholesky factors of the prior covariances at the points of both processes."""
        return [
            factorize(p.covariance(p.points, p.points)) if p.exact else p.lower
            for p in (self.first, self.second)
        ]

    def _at(self, A: Inputs) -> tuple[list[Floats], list[Floats]]:
        """Of both processes: the mean at A, (n,), given its own readings, and the whitened
        covariance of A with the values at the points, (m, n)."""
        each = zip((self.first, self.second), self._factors, strict=True)
        means, explained = zip(*(_from_points(p, lower, A) for p, lower in each), strict=True)
        return list(means), list(explained)

    def _cut(self, P0: Floats, Q0: Floats) -> Floats:
        """Cut where the processes have these means given their own readings, shape (n,)."""
        return cut_of(self.second.prior.kernel, self.centers[0] + P0, self.centers[1] + Q0)

    @cached_property
    def whitened_readings(self) -> WhitenedReadings:
        """The readings of all set-points, with independent errors."""
        first, second, points = self.first, self.second, self.first.readings.inputs
        (P0, Q0), (a, b) = self._at(points)
        cut = self._cut(P0, Q0)
        r = np.clip(first.variance(points) - np.sum(a * a, axis=0), 0.0, None)
        q = np.clip(second.variance(points) - np.sum(b * b, axis=0), 0.0, None)
        s, c, both = self.noise_of_means
        # Cholesky factor of [[s + r, both + cut r], [both + cut r, c + q + cut^2 r]]. Its last
        # entry is a sum of positive terms, which stays accurate where the errors are nearly in
        # proportion; ``SharedError`` keeps c - both^2 / s above 0.
        slope = (both + cut * r) / (s + r)
        off = (cut * s - both) / (s + r)
        own = 1.0 / np.sqrt(s + r)
        rest = 1.0 / np.sqrt(q + (c - both**2 / s) + off**2 * r * (s + r) / s)
        zero = np.zeros_like(own)
        whitening = np.array([[own, zero], [-slope * rest, rest]]).transpose(2, 0, 1)
        design = np.array([[own, zero], [off * rest, rest]]).transpose(2, 0, 1)
        of_first = first.readings.mean - first.expected(points)
        of_second = second.readings.mean - second.expected(points)
        of_second -= cut * (first.expected(points) - P0)
        values = whitening @ np.array([of_first, of_second]).T[..., None]
        return WhitenedReadings(whitening, design, values[..., 0], (a, b))

    @cached_property
    def whitened_values(self) -> WhitenedValues:
        """The values at the inducing points, given all readings."""
        read = self.whitened_readings
        (a, b), design, k = read.explained, read.design, len(read.explained[1])
        precision = np.eye(len(a) + k)
        of_first = a * np.hypot(design[:, 0, 0], design[:, 1, 0])
        of_second = b * design[:, 1, 1]
        precision[:k, :k] += of_second @ of_second.T
        precision[k:, k:] += of_first @ of_first.T
        precision[:k, k:] = (of_second * design[:, 1, 0]) @ a.T
        precision[k:, :k] = precision[:k, k:].T
        lower = factorize(precision)
        to_first, to_second = np.einsum("uij,ui->ju", design, read.values)
        means = cho_solve((lower, True), np.concatenate([b @ to_second, a @ to_first]))
        root = factorize(np.eye(len(precision)) - inverse(lower)).T
        return WhitenedValues(lower, root, (means[k:], means[:k]))

    def _moments(self, A: Inputs) -> PairMoments:
        (P0, Q0), (a, b) = self._at(A)
        known, k, cut = self.whitened_values, len(b), self._cut(P0, Q0)
        P, Q = (
            p.expected(A) + weighted_sum(mean, explained)
            for p, mean, explained in zip(
                (self.first, self.second), known.means, (a, b), strict=True
            )
        )
        Q = Q + cut * (P - P0)
        mean = self._latent(self.centers[0] + P, self.centers[1] + Q)
        root = known.root
        return PairMoments(A, mean, cut, root[k:, k:] @ a, root[:k, k:] @ a, root[:k, :k] @ b)

    def _weighed(self, first: Floats, second: Floats) -> Floats:
        read, known = self.whitened_readings, self.whitened_values
        a, b = read.explained
        values = read.whitening @ np.array([first, second]).transpose(1, 0, 2)
        to_first, to_second = np.einsum("uij,uir->jur", read.design, values)
        return np.asarray(cho_solve((known.lower, True), np.vstack([b @ to_second, a @ to_first])))

    def _moved(self, moments: PairMoments, weighed: Any) -> tuple[Floats, Floats]:
        means, k = weighed, len(self.whitened_readings.explained[1])
        _, (at_first, at_second) = self._at(moments.inputs)
        P = means[k:].T @ at_first
        # The mean of P given its own readings, from which the cut counts, is taken as it is.
        return P, means[:k].T @ at_second + moments.cut * P

    def own_precision(self) -> OwnPrecision:
        """What the readings of each set-point say beyond all others, see ``Pair``.

        The remainders at a set-point are part of its true values, so that this is exact for the
        model of the module, given the hyperparameters, the inducing points and the cut.
        """
        read, known = self.whitened_readings, self.whitened_values
        (a, b), k = read.explained, len(read.explained[1])
        # Posterior covariance of a'v and b'w at each set-point, from the factor of the precision.
        V = solve_lower(known.lower[k:, k:], a)
        W = solve_lower(known.lower, np.vstack([b, np.zeros_like(a)]))
        both = np.sum(V * W[k:], axis=0)
        left = np.array([[np.sum(V * V, axis=0), both], [both, np.sum(W * W, axis=0)]])
        design, whitening = read.design, read.whitening
        known_part = design @ left.transpose(2, 0, 1) @ np.swapaxes(design, 1, 2)
        back = np.swapaxes(whitening, 1, 2)
        blocks = back @ (np.eye(2) - known_part) @ whitening
        means = np.array([known.means[0] @ a, known.means[1] @ b]).T
        weights = back @ (read.values[..., None] - design @ means[..., None])
        if self.apart:
            # Sharpness and balance are T (P, Q), and the inverse of T is T' / 2.
            to_latent = 0.5 * np.array([[1.0, -1.0], [1.0, 1.0]])
            blocks, weights = to_latent @ blocks @ to_latent.T, to_latent @ weights
        firsts, seconds = (
            center + p.readings.mean
            for center, p in zip(self.centers, (self.first, self.second), strict=True)
        )
        mean = np.array(self._latent(firsts, seconds)).T
        return OwnPrecision(mean, self._of_latent(self.noise_of_means), blocks, weights[..., 0])


def _from_points(posterior: Posterior, lower: Floats, A: Inputs) -> tuple[Floats, Floats]:
    """Posterior mean at A, (n,), and the whitened covariance of A with the values at the points,
    (m, n).

    Args:
        posterior: the process.
        lower: lower Cholesky factor of the prior covariance at its points, shape (m, m).
        A: inputs, shape (n, d).
    """
    cross = posterior.covariance(posterior.points, A)
    explained = solve_lower(lower, cross)
    known = cross if posterior.exact else explained
    return posterior.expected(A) + weighted_sum(posterior.weights, known), explained
