"""Predicts readings that are left out, without fitting again.

With fixed hyperparameters, leaving data out of a Gaussian process has a closed form (Rasmussen &
Williams, Gaussian Processes for Machine Learning, 2006, section 5.4.2; blocks of readings use the
matrix form of the same equations).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimizer.numerics.cholesky import factorize, inverse

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]
    # Means (2, n) and covariances (n, 2, 2) of sharpness and balance.
    Moments = tuple[Floats, Floats]


LOG_2PI = float(np.log(2.0 * np.pi))


@dataclass(frozen=True)
class JointPrior:
    """Prior moments of sharpness, then balance, at the u distinct set-points, and the readings.

    Args:
        mean: prior means, shape (2 u,).
        covariance: prior covariance, shape (2 u, 2 u).
        read: mean readings, shape (2 u,).
        noise: covariance of the errors of the mean readings of each set-point, shape (u, 2, 2).
    """

    mean: Floats
    covariance: Floats
    read: Floats
    noise: Floats

    @cached_property
    def explained(self) -> tuple[Floats, Floats]:
        """Precision matrix of all mean readings, shape (2 u, 2 u), and its product with the
        readings less their means, shape (2 u,)."""
        u, whole = len(self.noise), np.array(self.covariance)
        for i in range(2):
            for j in range(2):
                rows, columns = i * u + np.arange(u), j * u + np.arange(u)
                whole[rows, columns] += self.noise[:, i, j]
        precision = inverse(factorize(whole))
        return precision, precision @ (self.read - self.mean)


@dataclass(frozen=True)
class OwnPrecision:
    """What the mean readings of sharpness and balance of each of u set-points say beyond all other
    readings.

    Args:
        read: mean readings, shape (u, 2).
        noise: covariance of their errors, shape (u, 2, 2).
        blocks: block of each set-point in the precision matrix of all mean readings, shape (u, 2,
            2).
        weights: product of that matrix with the readings less their means, shape (u, 2).
    """

    read: Floats
    noise: Floats
    blocks: Floats
    weights: Floats


def blocks_out(readings: JointPrior, blocks: list[Indices]) -> Moments:
    """Predicts the true values of the set-points of each block from all other blocks."""
    (precision, weights), u = readings.explained, len(readings.noise)
    mean, covariance = np.empty((2, u)), np.empty((u, 2, 2))
    for block in blocks:
        both = np.concatenate([block, u + block])
        left = np.linalg.inv(precision[np.ix_(both, both)])
        mean[:, block] = (readings.read[both] - left @ weights[both]).reshape(2, -1)
        covariance[block] = _own_blocks(left) - readings.noise[block]
    return mean, covariance


def runs_out(readings: OwnPrecision, group: Indices, share: Floats, read: Floats) -> Moments:
    """Predicts the true values of each run from all other runs.

    Removing one reading y of covariance W from a posterior N(m, V) leaves the precision
    Q = V^-1 - W^-1 and the mean Q^-1 (V^-1 m - W^-1 y).

    Args:
        readings: mean readings of the u set-points, and what they say beyond all others.
        group: set-point of each run, shape (n,).
        share: share of each run in the mean reading of its set-point, shape (n,).
        read: readings of each run, shape (2, n).
    """
    noise = readings.noise
    mean = (readings.read - (noise @ readings.weights[..., None])[..., 0])[group]
    left = noise - noise @ readings.blocks @ noise
    all_of_it = np.linalg.inv(left)[group]
    of_one = np.linalg.inv(noise)[group] * share[:, None, None]
    remains = np.asarray(np.linalg.inv(all_of_it - of_one))
    sums = (all_of_it @ mean[..., None]) - of_one @ read.T[..., None]
    return (remains @ sums)[..., 0].T, remains


def log_density(off: Floats, covariance: Floats) -> Floats:
    """Log density of a normal of mean 0 and of covariances, (n, 2, 2), at points, (n, 2); (n,)."""
    solved = np.linalg.solve(covariance, off[..., None])[..., 0]
    log_determinant = np.log(np.linalg.det(covariance))
    density: Floats = -0.5 * (np.sum(off * solved, axis=1) + log_determinant) - LOG_2PI
    return density


def _own_blocks(matrix: Floats) -> Floats:
    """The 2 by 2 block of each of m points, shape (m, 2, 2).

    Args:
        matrix: covariance of the sharpness at all points, then of the balance, shape (2 m, 2 m).
    """
    m = len(matrix) // 2
    return np.diagonal(matrix.reshape(2, m, 2, m), axis1=1, axis2=3).transpose(2, 0, 1)
