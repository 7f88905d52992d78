"""How much each description counts, and which members of an average belong to which description."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import softmax

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Descriptions that count for less than this are not fitted to all runs.
LEAST_WEIGHT = 0.02
# Power of the marginal likelihood, number of bootstrap draws, and least probability to be ahead.
TEMPER, BOOTSTRAPS, LEAST_AHEAD = 0.2, 500, 1e-3
# Positions of four consecutive members among the quantiles of the weights, so that every second
# and every fourth member represent the descriptions too.
SPREAD = (1, 0, 3, 2)


def weights_of(log_evidence: Sequence[float], left_out: Floats, seed: int) -> Floats:
    """Weights of k descriptions, shape (k,), each at least `LEAST_WEIGHT` or 0.

    Two accounts of how well a description explains the runs are multiplied: the probability that it
    predicts readings that are left out better than the others do, averaged over what other runs
    might have shown (pseudo-Bayesian model averaging with the Bayesian bootstrap: Yao, Vehtari,
    Simpson & Gelman, Bayesian Anal. 13, 2018, 917), and its marginal likelihood to the power
    `TEMPER`. Where no description is quite right, the marginal likelihood alone becomes certain of
    one too early (Grunwald & van Ommen, Bayesian Anal. 12, 2017, 1069).

    Args:
        log_evidence: log marginal likelihood of each description.
        left_out: log density of the reading at each of n set-points given all others, (n, k).
        seed: seed of the bootstrap.
    """
    n = len(left_out)
    often = n * np.random.default_rng(seed).dirichlet(np.ones(n), BOOTSTRAPS)
    ahead = softmax(often @ left_out, axis=1).mean(axis=0)
    weights = softmax(TEMPER * np.asarray(log_evidence) + np.log(np.maximum(ahead, LEAST_AHEAD)))
    weights = np.where(weights < LEAST_WEIGHT, 0.0, weights)
    return np.asarray(weights / weights.sum())


def shares_of(weights: Floats, members: int) -> NDArray[np.int64]:
    """The description to which each member of an average belongs, shape (members,).

    Systematic sampling: a description of weight w has about w times the number of members, and the
    most probable one has at least one.

    >>> shares_of(np.array([0.7, 0.3]), 8).tolist()
    [0, 0, 0, 0, 0, 0, 1, 1]
    """
    order = np.argsort(-weights, kind="stable")
    k = np.arange(members)
    position = k - k % 4 + np.array(SPREAD)[k % 4]
    position = np.minimum(position, members - 1) if members % 4 else position
    ends = np.cumsum(weights[order])
    picks = np.searchsorted(ends, (position + 0.5) / members)
    # The middle of one or two members may lie beyond the most probable of many descriptions.
    picks[position == 0] = 0
    return order[np.minimum(picks, len(order) - 1)]
