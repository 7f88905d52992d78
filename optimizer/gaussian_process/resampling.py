"""Draws from a posterior around its mode, by importance resampling."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Number of proposals for each draw.
PROPOSALS = 24
# Degrees of freedom of the proposals: heavy tails, since the posterior is not normal.
FREEDOM = 5.0
STEP = 1e-4
# Smallest curvature at the mode: where the posterior is flat, proposals are as wide as a wide
# prior.
LEAST_CURVATURE = 0.1


def resample(
    mode: Floats,
    gradient: Callable[[Floats], Floats],
    log_target: Callable[[Floats], Floats],
    bounds: Floats,
    count: int,
    seed: int,
) -> Floats:
    """Draws from a posterior, shape (count, p).

    Proposals come from a wide Student-t with the curvature at the mode; systematic resampling
    spreads the draws evenly over the proposals, and the seed determines the result.

    Args:
        mode: mode of the posterior, shape (p,).
        gradient: gradient of the negative logarithm of the posterior, a function from (p,) to (p,).
        log_target: logarithm of the posterior up to a constant, a function from (k, p) to (k,).
        bounds: lowest and highest value of each entry, shape (p, 2).
        count: number of draws.
        seed: seed of the proposals.
    """
    rng = np.random.default_rng(seed)
    at_mode, p = gradient(mode), len(mode)
    curvature = np.array([(gradient(mode + shift) - at_mode) / STEP for shift in STEP * np.eye(p)])
    values, vectors = np.linalg.eigh(0.5 * (curvature + curvature.T))
    sd = 1.0 / np.sqrt(np.clip(values, LEAST_CURVATURE, None))
    n = PROPOSALS * count
    normal = rng.standard_normal((n, p))
    heavy = np.sqrt(FREEDOM / rng.chisquare(FREEDOM, n))[:, None]
    draws = np.clip(mode + (normal * heavy * sd) @ vectors.T, *bounds.T)
    z2 = np.sum((((draws - mode) @ vectors) / sd) ** 2, axis=1)
    log_proposal = -0.5 * (FREEDOM + p) * np.log1p(z2 / FREEDOM)
    log_weight = log_target(draws) - log_proposal
    weight = np.exp(log_weight - log_weight.max())
    edges = np.cumsum(weight / weight.sum())
    picks = np.searchsorted(edges, (np.arange(count) + 0.5) / count)
    return draws[np.minimum(picks, n - 1)]
