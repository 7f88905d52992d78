"""What the surrogate says about readings that it has not seen, without fitting it again.

Leaving data out of a Gaussian process with fixed hyperparameters is a closed form (Rasmussen &
Williams, Gaussian Processes for Machine Learning, 2006, section 5.4.2; for blocks the same with
matrices). Two questions need it: how well a whole set-point is predicted from the others
(calibration), and whether one run agrees with all other runs, its replicates included (doubtful
runs).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_solve

from optimizer.line_model import LineModel
from optimizer.rows import distinct_rows
from optimizer.structure import cut_of
from optimizer.surrogate import WIDENING

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process import GaussianProcess, Member

    Floats = NDArray[np.float64]
    Groups = NDArray[np.int64]
    OneMember = Callable[[GaussianProcess, Member], tuple[Floats, Floats]]


@dataclass(frozen=True)
class LeftOut:
    """Predictions of the true sharpness and balance by everything else.

    Attributes:
        mean, variance: shape (2, n), sharpness first; averaged over hyperparameters. The balance's
            variance is of what it has of its own.
        cut: how far it goes with the sharpness (``cut_of``), shape (n,).
        noise: process noise of one reading, as variances of sharpness and balance, shape (2,).
    """

    mean: Floats
    variance: Floats
    cut: Floats
    noise: Floats


def set_points_of(model: LineModel) -> tuple[Floats, Groups]:
    """Distinct inputs of the measured runs, shape (u, d), and which of them each run is at."""
    e = model.evidence
    points, group = distinct_rows(e.inputs[e.measured])
    return points, group


def without_set_point(model: LineModel) -> LeftOut:
    """Each set-point by all runs at other settings; shapes (2, u).

    Runs at the same settings on other material are left out too: they would give it away.
    """
    points, _ = set_points_of(model)
    settings = points[:, : len(model.evidence.space.names)]
    _, block = distinct_rows(settings)
    order = np.argsort(block.ravel(), kind="stable")
    blocks = np.split(order, np.flatnonzero(np.diff(block.ravel()[order])) + 1)
    return _averaged(model, lambda gp, member: _blocks_out(gp, member, blocks))


def without_run(model: LineModel) -> LeftOut:
    """Each measured run by all other runs; shapes (2, n).

    Taking one reading y of variance w out of a posterior N(m, v) leaves precision 1/v - 1/w and
    mean (m/v - y/w) over it.
    """
    _, group = set_points_of(model)
    return _averaged(model, lambda gp, member: _run_out(gp, member, group, _readings(model, gp)))


def _readings(model: LineModel, gp: GaussianProcess) -> Floats:
    """The runs' own readings of a process, shape (n,), scaled as the process keeps them."""
    j = 0 if gp is model.surrogate.sharpness_ else 1
    return (model.latent_readings[j] - gp.center_) / gp.spread_


def _averaged(model: LineModel, one: OneMember) -> LeftOut:
    surrogate = model.surrogate
    means, variances, noise = [], [], []
    for gp in surrogate.processes:
        found = [one(gp, member) for member in gp.members_]
        mean = gp.center_ + gp.spread_ * np.array([m for m, _ in found])
        within = np.array([v for _, v in found]) * (WIDENING * gp.spread_) ** 2
        means.append(mean.mean(axis=0))
        variances.append(within.mean(axis=0) + mean.var(axis=0))
        noise.append(gp.noise_variance())
    cut = cut_of(surrogate.balance_, *means)
    return LeftOut(np.array(means), np.array(variances), cut, np.array(noise))


def _precision(member: Member) -> Floats:
    return np.asarray(cho_solve((member.lower, True), np.eye(len(member.lower))))


def _mean_noise(gp: GaussianProcess, member: Member) -> Floats:
    """Variance of the mean reading at each set-point, shape (u,), scaled."""
    data = gp.readings_
    return (data.known_variance + np.exp(member.theta[-1])) / data.counts


def _blocks_out(
    gp: GaussianProcess, member: Member, blocks: Sequence[Groups]
) -> tuple[Floats, Floats]:
    P, noise, y = _precision(member), _mean_noise(gp, member), gp.readings_.mean
    mean, variance = np.empty_like(y), np.empty_like(y)
    for block in blocks:
        covariance = np.linalg.inv(P[np.ix_(block, block)])
        mean[block] = y[block] - covariance @ member.weights[block]
        variance[block] = np.diag(covariance) - noise[block]
    return mean, np.clip(variance, 0.0, None)


def _run_out(
    gp: GaussianProcess, member: Member, group: Groups, reading: Floats
) -> tuple[Floats, Floats]:
    noise = _mean_noise(gp, member)
    w = noise * gp.readings_.counts
    posterior = gp.readings_.mean - noise * member.weights
    v = noise - noise**2 * np.diag(_precision(member))
    precision = 1.0 / v[group] - 1.0 / w[group]
    mean = (posterior[group] / v[group] - reading / w[group]) / precision
    return mean, 1.0 / precision
