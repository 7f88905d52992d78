"""Descriptions fitted to replicated readings, and the same models written as one dense normal."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.replicates import Groups
from optimizer.gaussian_process.solvers import EXACT
from optimizer.model.candidate import candidate_of
from optimizer.model.coordinates import LatentReadings
from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.model.deck_prior import Frame, descriptions_of
from optimizer.plant.settings import GRAVITY_TABLE

COUPLED = deck_coordinates_of(GRAVITY_TABLE)
NAMES = ("coupled", "loose", "single", "joint", "shares")
POINTS = 14
# Sharpness and balance from the logits of the wanted and of the unwanted share.
FROM_SHARES = np.array([[1.0, -1.0], [1.0, 1.0]])


@dataclass(frozen=True)
class Case:
    """A fitted description with the readings behind it.

    Attributes:
        candidate: the fitted description.
        X: inputs of each run, shape (n, d).
        latent: readings of each run; their known errors are equal at equal inputs.
        weight: weight of each run, shape (n,).
    """

    candidate: object
    X: np.ndarray
    latent: LatentReadings
    weight: np.ndarray

    @property
    def groups(self):
        return Groups.of(self.X, self.weight)


def frame_of(groupings=(), solver=EXACT, coordinates=COUPLED):
    return Frame(GRAVITY_TABLE.names, 5, coordinates, groupings, solver, seed=0)


def description(name, frame=None):
    return next(d for d in descriptions_of(frame or frame_of()) if d.name == name)


def runs(groupings=(), single=False, seed=0):
    """Runs at 14 settings with 1 to 4 readings each (one each where ``single``), and correlated
    errors, about half of them known: inputs and latent readings."""
    rng = np.random.default_rng(seed)
    points = rng.random((POINTS, 5))
    for _ in groupings:
        points = np.column_stack([points, rng.integers(0, 2, POINTS)])
    repeats = np.ones(POINTS, int) if single else 1 + np.arange(POINTS) % 4
    which = np.repeat(np.arange(POINTS), repeats)
    X = points[which]
    sd = 0.1 + 0.2 * rng.random((2, POINTS))
    known = np.array([sd[0] ** 2, sd[1] ** 2, -0.7 * sd[0] * sd[1]])[:, which]
    S = 3.5 - 6.0 * np.sum((X[:, :2] - 0.4) ** 2, axis=1) - 2.0 * (X[:, 2] - 0.5) ** 2
    C = 2.0 + 3.0 * (X[:, 3] - 0.5) - 3.0 * (X[:, 4] - 0.5) + 0.3 * X[:, 0]
    both = np.array([[1.0, 0.5], [0.5, 1.0]]) * 0.04
    own = rng.standard_normal((2, len(X)))
    root = np.sqrt(known[0]), known[2] / np.sqrt(known[0])
    errors = root[0] * own[0], root[1] * own[0] + np.sqrt(known[1] - root[1] ** 2) * own[1]
    noise = np.linalg.cholesky(both) @ rng.standard_normal((2, len(X)))
    return X, LatentReadings(S + errors[0] + noise[0], C + errors[1] + noise[1], *known)


def case(name, correlation=0.4, members=1, *, groupings=(), weighted=False, single=False):
    """A description of this name, fitted to ``runs``."""
    frame = frame_of(groupings)
    X, latent = runs(groupings, single)
    weight = np.ones(len(X))
    if weighted:
        weight = np.random.default_rng(5).uniform(0.05, 1.0, len(X))
    groups = Groups.of(X, weight)
    chosen = description(name, frame)
    found = candidate_of(chosen, frame, groups, latent, members, correlation=correlation)
    return Case(found, X, latent, weight)


@dataclass(frozen=True)
class Dense:
    """Sharpness and balance at the set-points and then at other inputs, m in all, as one normal.

    Attributes:
        mean, covariance: prior moments of the m sharpnesses, then of the m balances.
        cut: slope of the balance on the sharpness, shape (m,).
        rows: matrix that takes the 2 m values to those of the runs, shape (2 n, 2 m).
        noise: covariance of the errors of all readings, shape (2 n, 2 n).
        read: readings of sharpness, then of balance, shape (2 n,).
    """

    mean: np.ndarray
    covariance: np.ndarray
    cut: np.ndarray
    rows: np.ndarray
    noise: np.ndarray
    read: np.ndarray

    def conditioned(self):
        """Posterior mean and covariance given all readings (Rasmussen & Williams, Gaussian
        Processes for Machine Learning, 2006, A.6)."""
        cross = self.covariance @ self.rows.T
        gain = cross @ np.linalg.inv(self.rows @ cross + self.noise)
        mean = self.mean + gain @ (self.read - self.rows @ self.mean)
        return mean, self.covariance - gain @ cross.T


def dense(made: Case, pair, ask, times=1.0) -> Dense:
    """One normal of a description, built from the prior covariances of its two processes alone.

    Args:
        made: the description and its runs.
        pair: the member whose hyperparameters are used.
        ask: other inputs, shape (k, d).
        times: number by which the known errors are divided.
    """
    groups, latent, rho = made.groups, made.latent, made.candidate.error.correlation
    first, second = pair.first, pair.second
    every = Inputs(np.vstack([groups.points, ask]))
    m, n = len(every), len(made.X)
    K = [p.covariance(every, every) for p in (first, second)]
    expected = [p.readings.center + p.expected(every) for p in (first, second)]
    at = np.eye(m)[groups.which]

    known = np.array([latent.sharpness_variance, latent.balance_variance, latent.covariance])
    a, c, b = known / times
    blocks = np.array([[a, b], [b, c]]).transpose(2, 0, 1)
    of_process = np.exp(first.hyperparameters.log_noise), np.exp(second.hyperparameters.log_noise)
    shared = rho * np.sqrt(of_process[0] * of_process[1])
    process = np.array([[of_process[0], shared], [shared, of_process[1]]])
    turn = FROM_SHARES if pair.apart else np.eye(2)
    blocks = (blocks + turn @ process @ turn.T) / made.weight[:, None, None]
    noise = np.block([[np.diag(blocks[:, i, j]) for j in (0, 1)] for i in (0, 1)])

    cut = np.zeros(m)
    take = np.kron(turn, np.eye(m))
    mean = take @ np.concatenate(expected)
    if made.candidate.description.cut:
        # Each process given its own readings alone; C = Q + cut (P - P0), and a balance is a cut
        # times a sharpness.
        own = []
        for k, (prior, y) in enumerate(
            zip(expected, (latent.sharpness, latent.balance), strict=True)
        ):
            gain = K[k] @ at.T @ np.linalg.inv(at @ K[k] @ at.T + np.diag(blocks[:, k, k]))
            own.append(prior + gain @ (y - at @ prior))
        cut = np.clip(own[1] / (np.maximum(own[0], 0.0) + 0.5), -1.5, 1.5)
        take[m:, :m] = np.diag(cut)
        mean[m:] += cut * (expected[0] - own[0])
    prior = np.zeros((2 * m, 2 * m))
    prior[:m, :m], prior[m:, m:] = K
    rows = np.kron(np.eye(2), at)
    read = np.concatenate([latent.sharpness, latent.balance])
    assert rows.shape == (2 * n, 2 * m)
    return Dense(mean, take @ prior @ take.T, cut, rows, noise, read)
