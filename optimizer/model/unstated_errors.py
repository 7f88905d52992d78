"""The errors of readings that state none, learned from all readings together.

The errors of a run's sharpness and balance are mostly those of its counted grade, which are known.
An unknown error of the recovery is small beside them, and neither quantity alone shows it; but both
together do, since the recovery depends on their sum. So it is chosen by the likelihood of all
readings of both, replicates included, and then counts as known.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimizer.model.coordinates import PairReadings, latent_of
from optimizer.model.joint import JointPair

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.replicates import Groups
    from optimizer.measurement.run_readings import RunReadings
    from optimizer.model.candidate import Candidate

    Floats = NDArray[np.float64]

# Variances of a logit that are compared, and the standard deviation of the prior on the logarithm
# of a variance, about that of half a point at a share of 90 %.
VARIANCES = np.exp(np.linspace(np.log(1e-4), np.log(1.0), 13))
USUAL_LOG_VARIANCE, LOG_VARIANCE_SD = float(np.log(3e-3)), 2.0
# Log likelihood that an unstated error must gain: some quantities are read without any.
LEAST_EVIDENCE = 2.0


def with_learned_errors(
    candidate: Candidate, groups: Groups, readings: RunReadings, feed_odds: Floats
) -> RunReadings:
    """Readings with an error for each grade and recovery that states none, where readings show one.

    Args:
        candidate: a candidate with one member, fitted to the readings.
        groups: inputs of the readings.
        readings: readings of n runs, with a variance of 0 where no error is stated.
        feed_odds: log odds of the feed grade of each run, shape (n,).
    """
    if not candidate.exact:
        return readings
    for name in ("recovery_variance", "grade_variance"):
        stated = getattr(readings, name)
        unknown = stated == 0.0
        if not unknown.any():
            continue
        trials = [replace(readings, **{name: np.where(unknown, v, stated)}) for v in VARIANCES]
        apart = candidate.description.apart
        each = (PairReadings.of(latent_of(trial, feed_odds), apart) for trial in trials)
        density = [_log_likelihood(candidate, groups, read) for read in each]
        prior = -0.5 * ((np.log(VARIANCES) - USUAL_LOG_VARIANCE) / LOG_VARIANCE_SD) ** 2
        posterior = np.round(np.array(density) + prior, 6)
        none = PairReadings.of(latent_of(readings, feed_odds), apart)
        if posterior.max() > _log_likelihood(candidate, groups, none) + LEAST_EVIDENCE:
            readings = trials[int(np.argmax(posterior))]
    return readings


def typical_difference(one: RunReadings, other: RunReadings, feed_odds: Floats) -> Floats:
    """Median difference of the covariances of the errors of sharpness and balance, shape (2, 2).

    Args:
        one, other: readings of n runs that differ in their errors.
        feed_odds: log odds of the feed grade of each run, shape (n,).
    """
    more, less = latent_of(one, feed_odds), latent_of(other, feed_odds)
    s = float(np.median(more.sharpness_variance - less.sharpness_variance))
    c = float(np.median(more.balance_variance - less.balance_variance))
    both = float(np.median(more.covariance - less.covariance))
    return np.array([[s, both], [both, c]])


def _log_likelihood(candidate: Candidate, groups: Groups, read: PairReadings) -> float:
    """Log likelihood of readings with other known errors, at the candidate's hyperparameters."""
    (pair,) = candidate.members
    known = (read.first_variance, read.second_variance, read.covariance)
    changed = pair.with_known_errors(*(groups.mean(each) for each in known))
    assert isinstance(changed, JointPair)
    return changed.log_likelihood
