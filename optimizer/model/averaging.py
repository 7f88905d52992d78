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
# Positions of four consecutive members among the quantiles of the weights, so that every second
# and every fourth member represent the descriptions too.
SPREAD = (1, 0, 3, 2)


def weights_of(log_evidence: Sequence[float], odds: Sequence[float]) -> Floats:
    """Posterior probabilities of descriptions, shape (k,), each at least `LEAST_WEIGHT` or 0.

    Args:
        log_evidence: log marginal likelihood of each description.
        odds: prior odds of each description.
    """
    weights: Floats = softmax(np.asarray(log_evidence) + np.log(odds))
    weights = np.where(weights < LEAST_WEIGHT, 0.0, weights)
    return weights / weights.sum()


def shares_of(weights: Floats, members: int) -> NDArray[np.int64]:
    """The description to which each member of an average belongs, shape (members,).

    Systematic sampling: a description of weight w has about w times the number of members.

    >>> shares_of(np.array([0.7, 0.3]), 8).tolist()
    [0, 0, 0, 0, 0, 0, 1, 1]
    """
    order = np.argsort(-weights, kind="stable")
    k = np.arange(members)
    position = k - k % 4 + np.array(SPREAD)[k % 4]
    position = np.minimum(position, members - 1) if members % 4 else position
    ends = np.cumsum(weights[order])
    picks = np.searchsorted(ends, (position + 0.5) / members)
    return order[np.minimum(picks, len(order) - 1)]
