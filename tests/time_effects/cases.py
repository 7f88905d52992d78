"""Readings of one set-point, or of several, with effects of days in them."""

from __future__ import annotations

import numpy as np

from optimizer.gaussian_process.replicates import Groups
from optimizer.time_effects.information import Information, ReadMeans
from optimizer.time_effects.occasions import NONE, Occasions

VAGUE = 1e9
ERROR = np.array([0.02, 0.03])


def readings(effect, seed=1):
    """Readings of sharpness and balance with an effect, shape (2, n), and errors."""
    errors = np.random.default_rng(seed).standard_normal(np.shape(effect))
    return effect + np.sqrt(ERROR)[:, None] * errors


def by_day(day, time=None, **more):
    """The occasions of runs on numbered days, asked about at the last run."""
    day = np.asarray(day, np.int64)
    time = day.astype(float) if time is None else np.asarray(time, float)
    return Occasions(time, day, np.full(len(day), NONE), float(time[-1]), int(day[-1]), **more)


def constant_deck(read, noise, which):
    """What readings of one set-point, whose true value nobody knows, say of occasions.

    Args:
        read: readings of sharpness and balance, shape (2, n).
        noise: variance of one reading of each, shape (2,).
        which: occasion of each reading, shape (n,).
    """
    n = read.shape[1]
    groups = Groups.of(np.zeros((n, 1)))
    mean = read.mean(axis=1)[:, None]
    error = np.diag(noise) / n
    precision = np.linalg.inv(error + VAGUE * np.eye(2))
    means = ReadMeans(mean, error[None], precision, precision @ mean[:, 0])
    return Information.of(means, groups, read, which)
