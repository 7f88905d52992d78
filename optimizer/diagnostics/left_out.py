"""Predictions of readings that are left out, averaged over the members of a surrogate.

Two diagnostics need them: how well a whole set-point is predicted from the others (calibration),
and whether a run agrees with all other runs, including its replicates (doubtful runs).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.evidence.line_model import LineModel
from optimizer.model.joint import LEAST_VARIANCE
from optimizer.model.left_out import blocks_out, runs_out
from optimizer.numerics.distinct_rows import distinct_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.model.joint import Pair
    from optimizer.model.left_out import Moments

    Floats = NDArray[np.float64]
    Groups = NDArray[np.int64]


@dataclass(frozen=True)
class LeftOut:
    """Predictions of the true sharpness and balance where the readings there are left out.

    The balance is split as balance = mean + cut * (deviation of the sharpness) + independent part.

    Attributes:
        mean, variance: shape (2, n), sharpness first, averaged over hyperparameters. The second
            variance is that of the balance's independent part.
        cut: regression coefficient of the balance on the sharpness, shape (n,).
        noise: covariance of the process noise of one reading of sharpness and of balance, shape
            (2, 2).
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
    return _averaged(model, lambda pair: blocks_out(pair.joint_prior(), blocks))


def without_run(model: LineModel) -> LeftOut:
    """Predicts each of the n measured runs from all other runs."""
    _, group = set_points_of(model)
    share, read = model.surrogate.share_of_runs_, np.array(model.latent_readings)
    return _averaged(model, lambda pair: runs_out(pair.own_precision(), group, share, read))


def _averaged(model: LineModel, one: Callable[[Pair], Moments]) -> LeftOut:
    """Averages predictions over the hyperparameters of a surrogate.

    Args:
        model: the fitted model of the line.
        one: gives means and covariances for one pair of hyperparameters.
    """
    surrogate = model.surrogate
    found = [one(pair) for pair in surrogate.pairs_]
    means = np.array([mean for mean, _ in found])
    mean = means.mean(axis=0)
    off = np.moveaxis(means - mean, 1, 2)
    within = np.mean([covariance for _, covariance in found], axis=0)
    both = within + np.mean(off[..., :, None] * off[..., None, :], axis=0)
    s, with_s, c = np.clip(both[:, 0, 0], LEAST_VARIANCE, None), both[:, 0, 1], both[:, 1, 1]
    variance = np.array([s, np.clip(c - with_s**2 / s, 0.0, None)])
    return LeftOut(mean, variance, with_s / s, surrogate.noise_covariance())
