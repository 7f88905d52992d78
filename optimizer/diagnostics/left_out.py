"""Predicts readings that are left out, without fitting the surrogate again.

With fixed hyperparameters, leaving data out of a Gaussian process has a closed form (Rasmussen &
Williams, Gaussian Processes for Machine Learning, 2006, section 5.4.2; blocks of readings use the
matrix form of the same equations). Two diagnostics need it: how well a whole set-point is predicted
from the others (calibration), and whether a run agrees with all other runs, including its
replicates (doubtful runs).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.evidence.line_model import LineModel
from optimizer.model.fitted_surrogate import WIDENING
from optimizer.model.joint import LEAST_VARIANCE
from optimizer.numerics.cholesky import factorize, inverse
from optimizer.numerics.distinct_rows import distinct_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.model.joint import JointPrior

    Floats = NDArray[np.float64]
    Groups = NDArray[np.int64]
    # Means (2, n) and covariances (n, 2, 2) of sharpness and balance.
    Moments = tuple[Floats, Floats]


@dataclass(frozen=True)
class LeftOut:
    """Predictions of the true sharpness and balance where the readings there are left out.

    The balance is split as balance = mean + cut * (deviation of the sharpness) + independent part.

    Attributes:
        mean, variance: shape (2, n), sharpness first, averaged over hyperparameters. The second
            variance is that of the balance's independent part.
        cut: regression coefficient of the balance on the sharpness, shape (n,).
        noise: process noise of one reading, as variances of sharpness and balance, shape (2,).
    """

    mean: Floats
    variance: Floats
    cut: Floats
    noise: Floats


def set_points_of(model: LineModel) -> tuple[Floats, Groups]:
    """Distinct inputs of the n measured runs, shape (u, d), and their index for each run, (n,)."""
    e = model.evidence
    points, group = distinct_rows(e.inputs[e.measured])
    return points, group


def without_set_point(model: LineModel) -> LeftOut:
    """Predicts each of the u set-points from all runs at other settings; n = u in the result.

    Runs at the same settings with other material are left out, too: they would make the prediction
    too easy.
    """
    points, _ = set_points_of(model)
    settings = points[:, : len(model.evidence.space.names)]
    _, block = distinct_rows(settings)
    order = np.argsort(block.ravel(), kind="stable")
    blocks = np.split(order, np.flatnonzero(np.diff(block.ravel()[order])) + 1)
    return _averaged(model, lambda readings: _blocks_out(readings, blocks))


def without_run(model: LineModel) -> LeftOut:
    """Predicts each of the n measured runs from all other runs.

    Removing one reading y of variance W from a posterior N(m, V) leaves the precision
    Q = V^-1 - W^-1 and the mean Q^-1 (V^-1 m - W^-1 y).
    """
    _, group = set_points_of(model)
    counts = model.surrogate.processes[0].readings_.counts
    read = np.array(model.latent_readings)
    return _averaged(model, lambda readings: _run_out(readings, group, counts, read))


def _averaged(model: LineModel, one: Callable[[JointPrior], Moments]) -> LeftOut:
    """Averages predictions over the hyperparameters of a surrogate.

    Args:
        model: the fitted model of the line.
        one: gives means and covariances for one pair of hyperparameters.
    """
    surrogate = model.surrogate
    found = [one(pair.joint_prior()) for pair in surrogate.pairs_]
    means = np.array([mean for mean, _ in found])
    mean = means.mean(axis=0)
    off = np.moveaxis(means - mean, 1, 2)
    within = WIDENING**2 * np.mean([covariance for _, covariance in found], axis=0)
    both = within + np.mean(off[..., :, None] * off[..., None, :], axis=0)
    s, with_s, c = np.clip(both[:, 0, 0], LEAST_VARIANCE, None), both[:, 0, 1], both[:, 1, 1]
    variance = np.array([s, np.clip(c - with_s**2 / s, 0.0, None)])
    noise = np.array([gp.noise_variance() for gp in surrogate.processes])
    return LeftOut(mean, variance, with_s / s, noise)


def _explained(readings: JointPrior) -> tuple[Floats, Floats]:
    """Precision matrix of all readings, shape (2 u, 2 u), and its product with readings - mean."""
    precision = inverse(factorize(readings.covariance + np.diag(readings.noise)))
    return precision, precision @ (readings.read - readings.mean)


def _blocks_out(readings: JointPrior, blocks: list[Groups]) -> Moments:
    """Predicts the set-points of each block from all other blocks."""
    (precision, weights), u = _explained(readings), len(readings.read) // 2
    mean, covariance = np.empty((2, u)), np.empty((u, 2, 2))
    for block in blocks:
        both = np.concatenate([block, u + block])
        left = np.linalg.inv(precision[np.ix_(both, both)])
        mean[:, block] = (readings.read[both] - left @ weights[both]).reshape(2, -1)
        left -= np.diag(readings.noise[both])
        covariance[block] = _own_blocks(left)
    return mean, covariance


def _run_out(readings: JointPrior, group: Groups, counts: Floats, read: Floats) -> Moments:
    """Predicts each run from all other runs.

    Args:
        readings: prior and mean readings of the u set-points.
        group: set-point of each run, shape (n,).
        counts: number of runs at each set-point, shape (u,).
        read: readings of each run, shape (2, n).
    """
    precision, weights = _explained(readings)
    mean = (readings.read - readings.noise * weights).reshape(2, -1)[:, group].T
    left = np.diag(readings.noise) - readings.noise[:, None] * precision * readings.noise
    all_of_it = np.linalg.inv(_own_blocks(left)[group])
    of_one = 1.0 / (readings.noise.reshape(2, -1) * counts)[:, group].T
    remains = np.asarray(np.linalg.inv(all_of_it - of_one[..., None] * np.eye(2)))
    sums = (all_of_it @ mean[..., None])[..., 0] - of_one * read.T
    return (remains @ sums[..., None])[..., 0].T, remains


def _own_blocks(matrix: Floats) -> Floats:
    """The 2 by 2 block of each of m points, shape (m, 2, 2).

    Args:
        matrix: covariance of the sharpness at all points, then of the balance, shape (2 m, 2 m).
    """
    m = len(matrix) // 2
    return np.diagonal(matrix.reshape(2, m, 2, m), axis1=1, axis2=3).transpose(2, 0, 1)
