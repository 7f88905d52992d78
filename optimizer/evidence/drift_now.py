"""How grade and recovery change at present beyond settings and material: the drift of a plan.

The slow component of the effects of time (see ``time_effects``) has a change a week up to the
moment of the plan. To first order it moves grade and recovery at given settings by their slopes
on sharpness and balance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import expit

from optimizer.evidence.occasions import occasions_of
from optimizer.interval import Interval
from optimizer.model.coordinates import from_latent, logit_slopes
from optimizer.text.sentences import Sentence, sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.evidence.record import Evidence
    from optimizer.model.fitted_surrogate import FittedSurrogate

    Floats = NDArray[np.float64]

NOTHING = Interval(0.0, 0.0, 0.0)
# Standard deviations between the mean and the ends of a 90 % interval of a normal.
HALF_WIDTH = 1.6449
# A change a week, as a fraction, that rounds to less than a tenth of a point is not worth saying.
LEAST_PER_WEEK = 0.0005


@dataclass(frozen=True)
class DriftNow:
    """Change of true grade and recovery a week, as fractions, at some settings.

    Attributes:
        grade, recovery: the change at present.
        season: what changed over the whole season, in a sentence; empty where nothing did.
    """

    grade: Interval
    recovery: Interval
    season: str = ""

    @property
    def worth_saying(self) -> bool:
        """Whether a change, at present or over the season, is certain and large enough to
        matter."""
        return bool(self.sentence)

    @property
    def sentence(self) -> str:
        """What drifts, in a sentence or two; empty where nothing is worth saying.

        >>> print(DriftNow(Interval(-0.004, -0.006, -0.002), NOTHING).sentence)
        The deck drifts: grade at the settings to run now falls by 0.4 points a week (0.2 to 0.6).
        """
        quantities = (("grade", self.grade), ("recovery", self.recovery))
        told = [_told(name, each) for name, each in quantities if _worth_saying(each)]
        now = sentence("drifts", changes=told) if told else ""
        if now and self.season:
            return sentence("drift_twice", now=now, season=self.season)
        return now or self.season

    def as_dict(self) -> dict[str, Any]:
        """The member ``drift`` of a ``highside.plan/1`` document."""
        return {
            "grade_per_week": self.grade.as_dict(),
            "recovery_per_week": self.recovery.as_dict(),
            "worth_saying": self.worth_saying,
            "says": self.sentence,
        }


def drift_at(
    surrogate: FittedSurrogate, evidence: Evidence, values: Floats, feed_odds: float
) -> DriftNow | None:
    """The drift at settings with today's material.

    Args:
        surrogate: fitted to the evidence.
        evidence: evidence of the line.
        values: values of the settings, shape (1, d).
        feed_odds: log odds of today's feed grade.

    Returns:
        The drift, zero where the readings show none; None where no run has a time.
    """
    if occasions_of(evidence) is None:
        return None
    effects = surrogate.time_effects_
    if effects is None:
        return DriftNow(NOTHING, NOTHING)
    S, C = surrogate.latent(evidence.inputs_at(values)).mean[:, :, 0].mean(axis=0)
    grade, recovery = from_latent(S, C, feed_odds)
    slopes = logit_slopes(expit(0.5 * (C + S)), expit(0.5 * (C - S)))
    found = []
    for share, slope in zip((grade, recovery), np.array(slopes), strict=True):
        by_latent = share * (1.0 - share) * slope
        mean = float(by_latent @ effects.weekly.mean)
        off = HALF_WIDTH * float(np.sqrt(by_latent @ effects.weekly.covariance @ by_latent))
        found.append(Interval(mean, mean - off, mean + off))
    return DriftNow(found[0], found[1])


def _worth_saying(change: Interval) -> bool:
    mean = 0.0 if change.mean is None else change.mean
    return abs(mean) >= LEAST_PER_WEEK and change.low * change.high > 0.0


def _told(name: str, change: Interval) -> Sentence:
    size, *ends = sorted(100.0 * abs(end) for end in (change.low, change.high))
    mean = 100.0 * abs(change.mean or 0.0)
    key = "rises_by" if (change.mean or 0.0) > 0.0 else "falls_by"
    return sentence(key, quantity=sentence(f"the_{name}"), mean=mean, low=size, high=ends[0])
