"""Weights of runs, so that a reading that is wrong hardly moves the model.

A reading is either as precise as its errors say or, rarely, wrong by any amount (Box & Tiao, A
Bayesian approach to some outlier problems, Biometrika 55, 1968, 119). Each run is predicted from
all others; the weight of a run is the probability that it is not wrong, given how far its readings
are from that prediction. A wrong reading also spoils the fit that judges it, so fit and weights
alternate. With five settings this finds gross errors from about two dozen runs on; with fewer, a
run that contradicts the others may keep most of its weight. A slip as small as the spread of a few
runs is never found.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit

from optimizer.model.left_out import log_density, runs_out

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.replicates import Groups
    from optimizer.model.coordinates import LatentReadings
    from optimizer.model.joint import Pair

    Floats = NDArray[np.float64]

# Prior probability that a run holds a wrong reading, and the standard deviation of its error in
# logits: a decimal point in the wrong place is 2 to 7 logits.
WRONG, WRONG_SD = 0.01, 4.0
# Median of the squared distance, in standard deviations, of a pair of readings from its prediction.
USUAL_DISTANCE = 2.0 * float(np.log(2.0))
# A fit that predicts with less than this share of the usual squared distance counts as spoiled.
SPOILED = 0.5
# Below this weight a run counts little, and its readings are taken to be wrong.
WRONG_BELOW = 0.5
# Smallest weight of a run, which keeps its place in the arrays.
LEAST_WEIGHT = 1e-3
# With fewer runs than this there is no telling which reading is wrong.
FEWEST_RUNS = 8


def weights_of_runs(pair: Pair, groups: Groups, latent: LatentReadings) -> Floats:
    """Weight of each run, in (0, 1], shape (n,).

    Args:
        pair: a single member, fitted to the readings.
        groups: inputs of the readings, with the weights of the fit.
        latent: readings of sharpness and balance.
    """
    n = len(groups.which)
    if n < FEWEST_RUNS:
        return np.ones(n)
    known = pair.own_precision()
    read = np.array([latent.sharpness, latent.balance])
    share = groups.weight / groups.count[groups.which]
    mean, remains = runs_out(known, groups.which, share, read)
    of_one = known.noise[groups.which] * groups.count[groups.which][:, None, None]
    off, spread = (read - mean).T, remains + of_one
    spread = spread * _shrinkage(off, spread, groups.weight)
    excess = log_density(off, spread + WRONG_SD**2 * np.eye(2)) - log_density(off, spread)
    weight: Floats = expit(np.log1p(-WRONG) - np.log(WRONG) - excess)
    return np.maximum(weight, LEAST_WEIGHT)


def _shrinkage(off: Floats, spread: Floats, weight: Floats) -> float:
    """Factor, at most 1, on the covariances of predictions that a wrong reading has made too large.

    One wrong reading makes the estimated noise large, and hides behind it. But then most other
    readings lie closer to their predictions than they should, which their median shows.
    """
    solved = np.linalg.solve(spread, off[..., None])[..., 0]
    distance = np.sum(off * solved, axis=1)
    median = float(np.median(distance[weight >= WRONG_BELOW]))
    return min(1.0, max(median, 1e-3) / (SPOILED * USUAL_DISTANCE))
