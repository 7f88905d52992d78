"""The scatter that a plan expects of one reading that states no error.

It is stored with an issued batch, so that a result without a stated error can be compared with
what was expected although the model of that day is gone.
"""

from __future__ import annotations

import numpy as np
from scipy.special import expit
from threadpoolctl import threadpool_limits

from optimizer.interval import rounded
from optimizer.model.coordinates import from_latent, logit_slopes
from optimizer.planning.plan import Plan
from optimizer.planning.situation import Situation


def reading_noise(situation: Situation, plan: Plan) -> dict[str, dict[str, float | None]]:
    """Standard deviation of one reading of grade and of recovery for each trial, as fractions.

    It joins the noise of the deck, carried to first order from sharpness and balance to logits
    (``logit_slopes``), and the usual error of a reading of this line.

    Args:
        situation: the situation from which the plan was made.
        plan: the plan.

    Returns:
        By order of the trial, as a text; nothing when the plan has no model.
    """
    if plan.run_now is None:
        return {}
    e, trials = situation.evidence, plan.recommendations
    index = e.space.index_of(*[trial.settings for trial in trials])
    with threadpool_limits(1):
        S, C = situation.surrogate.latent(situation.inputs(index)).mean.mean(axis=0)
        noise = situation.surrogate.noise_covariance()
    grade, recovery = from_latent(S, C, e.feed_odds_today)
    of_grade, of_recovery = map(np.array, logit_slopes(recovery, expit(0.5 * (C - S))))
    # A new line has no reading of its own yet: the noise of the deck is then all that is known.
    usual = [
        float(np.median(variance[e.measured])) if e.measured.any() else 0.0
        for variance in (e.readings.grade_variance, e.readings.recovery_variance)
    ]
    found = []
    for share, slopes, sampling in zip(
        (grade, recovery), (of_grade, of_recovery), usual, strict=True
    ):
        deck = np.einsum("in,ij,jn->n", slopes, noise, slopes)
        found.append(share * (1.0 - share) * np.sqrt(deck + sampling))
    return {
        str(trial.order): {"grade": rounded(g), "recovery": rounded(r)}
        for trial, g, r in zip(trials, *found, strict=True)
    }
