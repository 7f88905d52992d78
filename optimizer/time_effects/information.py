"""What readings say of the effects of occasions, given the processes of the deck.

Given the hyperparameters of the processes, readings say of the effects h of all occasions exactly

    log p(readings | h) = b' h - h' A h / 2 + constant,

so the likelihood of any covariance of h follows without fitting the processes again (random-effects
model: Laird & Ware, Biometrics 38, 1982, 963).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import lapack

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.replicates import Groups

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]


@dataclass(frozen=True)
class ReadMeans:
    """The mean readings of sharpness, then of balance, at u set-points, and what they say.

    Attributes:
        mean: mean readings, shape (2, u).
        noise: covariance of their errors, shape (u, 2, 2).
        precision: inverse of the covariance of all mean readings, shape (2 u, 2 u).
        weights: its product with the mean readings less their prior means, shape (2 u,).
    """

    mean: Floats
    noise: Floats
    precision: Floats
    weights: Floats


@dataclass(frozen=True)
class Known:
    """The effects of the occasions of runs under a prior covariance H of two blocks.

    Attributes:
        gain: by how much the prior raises the log likelihood over no effects.
        pulled: (I + A H)^-1 b, shape (2, c): H times it is the posterior mean.
        precision: (I + A H)^-1 A, shape (2, c, 2, c): H - H (it) H is the posterior covariance.
    """

    gain: float
    pulled: Floats
    precision: Floats

    def slope(self, change: Floats, quantity: int) -> float:
        """Derivative of ``gain`` along a change of one block of H, shape (c, c)."""
        u, P = self.pulled[quantity], self.precision[quantity, :, quantity]
        return 0.5 * float(u @ change @ u - np.sum(P * change))


@dataclass(frozen=True)
class Information:
    """What readings say of the effects of c occasions on sharpness, then on balance.

    Attributes:
        precision: A, shape (2 c, 2 c).
        pull: b, shape (2 c,).
        alone: what A would be if the deck were known, shape (c, 2, 2).
    """

    precision: Floats
    pull: Floats
    alone: Floats

    @classmethod
    def of(cls, means: ReadMeans, groups: Groups, read: Floats, which: Indices) -> Information:
        """The information in readings.

        The mean of a set-point tells of the mean effect on its runs; the runs about that mean tell
        of the rest, with the noise alone between them.

        Args:
            means: mean readings without any effect taken off.
            groups: inputs of the readings, with the weights of runs.
            read: readings of sharpness and balance, shape (2, n).
            which: occasion of each run, shape (n,).
        """
        c, u = int(which.max()) + 1, len(groups.points)
        member = mean_effects(groups, which, c)
        of_one = np.linalg.inv(means.noise * groups.count[:, None, None])
        off = groups.weight * (read - means.mean[:, groups.which])
        A, b, alone = np.zeros((2, c, 2, c)), np.zeros((2, c)), np.zeros((c, 2, 2))
        for p in range(2):
            rows = slice(p * u, (p + 1) * u)
            for q in range(2):
                within = of_one[:, p, q]
                each = groups.weight * within[groups.which]
                A[p, :, q] = member.T @ means.precision[rows, q * u : (q + 1) * u] @ member
                alone[:, p, q] = np.bincount(which, each, minlength=c)
                A[p, :, q] += np.diag(alone[:, p, q])
                A[p, :, q] -= (member * (groups.count * within)[:, None]).T @ member
                b[p] += np.bincount(which, within[groups.which] * off[q], minlength=c)
            b[p] += member.T @ means.weights[rows]
        whole = A.reshape(2 * c, 2 * c)
        return cls(0.5 * (whole + whole.T), b.ravel(), alone)

    def known(self, H: Floats) -> Known:
        """What is known of the effects under a prior covariance, shape (2, c, c)."""
        c = H.shape[1]
        inner = np.hstack([self.precision[:, q * c : (q + 1) * c] @ H[q] for q in range(2)])
        inner[np.diag_indices(2 * c)] += 1.0
        lu, pivots, _ = lapack.dgetrf(inner)
        right = np.column_stack([self.pull, self.precision])
        solved, _ = lapack.dgetrs(lu, pivots, right)
        pulled = solved[:, 0].reshape(2, c)
        moved = np.einsum("qij,qj->qi", H, self.pull.reshape(2, c))
        # The determinant is positive, so the signs of the pivots cancel.
        volume = float(np.sum(np.log(np.abs(np.diagonal(lu)))))
        gain = 0.5 * (float(np.sum(moved * pulled)) - volume)
        precision = solved[:, 1:]
        precision = 0.5 * (precision + precision.T)
        return Known(gain, pulled, precision.reshape(2, c, 2, c))


def mean_effects(groups: Groups, which: Indices, occasions: int) -> Floats:
    """Share of each occasion in the mean reading of each set-point, shape (u, c).

    Args:
        groups: inputs of the readings, with the weights of runs.
        which: occasion of each run, shape (n,).
        occasions: number of occasions c.
    """
    member = np.zeros((len(groups.points), occasions))
    np.add.at(member, (groups.which, which), groups.weight / groups.count[groups.which])
    return member
