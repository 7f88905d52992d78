"""A smooth deck whose runs are counted and weighed, for tests of whole fits."""

from __future__ import annotations

import numpy as np
from scipy.special import logit

from optimizer.measurement import RunReadings
from optimizer.model.coordinates import from_latent
from optimizer.model.surrogate import Surrogate
from optimizer.plant.settings import GRAVITY_TABLE
from tests.model.fitted_pairs import COUPLED

FEED_ODDS = float(logit(0.9))
COUNT, RECOVERY_SE = 600, 0.004


def deck(X):
    """Sharpness and balance at settings in unit coordinates, shape (n, 5)."""
    S = 5.0 - 6.0 * np.sum((X[:, :2] - 0.4) ** 2, axis=1) - 2.0 * (X[:, 2] - 0.5) ** 2
    return S, 2.0 + 3.0 * (X[:, 3] - 0.5) - 3.0 * (X[:, 4] - 0.5)


def measured(X, rng, noise=0.1, count=COUNT, recovery_se=RECOVERY_SE):
    """Grades counted among ``count`` particles and recoveries weighed, of runs at settings X."""
    S, C = (y + noise * rng.standard_normal(len(X)) for y in deck(X))
    grade, recovery = from_latent(S, C, FEED_ODDS)
    weighed = np.clip(recovery + recovery_se * rng.standard_normal(len(X)), 0.0, 1.0)
    return rng.binomial(count, grade) / count, weighed


def fit(X, grade, recovery, **options):
    """The surrogate of a deck with all five settings, fitted to counted and weighed readings."""
    read = RunReadings.from_shares(
        grade, recovery, recovery_se=RECOVERY_SE, grade_count=float(COUNT)
    )
    model = Surrogate(GRAVITY_TABLE.names, coordinates=COUPLED, **options)
    return model.fit(X, read, FEED_ODDS)
