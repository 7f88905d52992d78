"""What varies by day or by lot beyond settings and material: something that no log holds.

Runs of one day, or of one lot, that lie above or below the others together share something that
matters and is not logged. Each of the two is tested beside the other, except on a plant that runs
one lot a day, where they cannot be told apart.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit

from optimizer.model.coordinates import from_latent, logit_slopes
from optimizer.text.sentences import sentence
from optimizer.time_effects.occasions import DAY, LOT
from optimizer.time_effects.variance_test import variance_test

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.evidence.record import Evidence
    from optimizer.model.fitted_surrogate import FittedSurrogate

    Floats = NDArray[np.float64]

# An effect with a p-value below this counts as found.
LEVEL = 0.05
# The smallest p-value that is told.
LEAST_P = 0.001
MEASURE = {
    DAY: (
        sentence("measure_weather"),
        sentence("measure_screens"),
        sentence("measure_people"),
        sentence("measure_sampling"),
    ),
    LOT: (
        sentence("measure_lot"),
        sentence("measure_defects"),
        sentence("measure_origin"),
    ),
}
"""What to measure and log, by what varies (common practice, no source)."""


@dataclass(frozen=True)
class Unlogged:
    """What varies by day or by lot on one line.

    Attributes:
        line: name of the line.
        by: ``day`` or ``lot``.
        grade_sd, recovery_sd: its standard deviation in grade and in recovery at some settings, as
            fractions.
        p_value: probability that runs seem to vary as much where nothing does.
    """

    line: str | None
    by: str
    grade_sd: float
    recovery_sd: float
    p_value: float

    @property
    def found(self) -> bool:
        """Whether it is more than chance."""
        return self.p_value < LEVEL

    @property
    def sentences(self) -> str:
        """What was found, and what to measure; empty where nothing was.

        >>> print(Unlogged("deck-1", "lot", 0.001, 0.008, 0.003).sentences[:79])
        Something that is not logged differs from lot to lot: it moves grade by 0.1 and
        """
        if not self.found:
            return ""
        seen = self.p_value >= LEAST_P
        return sentence(
            f"unlogged_by_{self.by}",
            grade=100.0 * self.grade_sd,
            recovery=100.0 * self.recovery_sd,
            p=sentence("p_value", p=self.p_value) if seen else sentence("p_below", p=LEAST_P),
            measure=list(MEASURE[self.by]),
        )

    def as_dict(self) -> dict[str, object]:
        """JSON form."""
        measure = MEASURE[self.by] if self.found else ()
        return {
            "line": self.line,
            "by": self.by,
            "grade_sd": self.grade_sd,
            "recovery_sd": self.recovery_sd,
            "p_value": self.p_value,
            "says": self.sentences,
            "measure": [{"measure": what, "basis": "common practice"} for what in measure],
        }


def unlogged(surrogate: FittedSurrogate, evidence: Evidence, A: Floats) -> tuple[Unlogged, ...]:
    """What varies by day and by lot on a line; empty when too few runs are dated. Days are left out
    where they cannot be told from their settings.

    Args:
        surrogate: fitted to the evidence.
        evidence: evidence of the line.
        A: settings and material at which sizes are told, as inputs of shape (1, d + m).
    """
    if surrogate.time_information_ is None:
        return ()
    information, cells = surrogate.time_information_
    slopes = _slopes(surrogate, A, evidence.feed_odds_today)
    found = []
    for by in (DAY, LOT):
        if by in cells.kinds:
            test = variance_test(information, cells, by)
            grade, recovery = np.sqrt(slopes**2 @ test.sd**2)
            found.append(Unlogged(evidence.line, by, float(grade), float(recovery), test.p_value))
    return tuple(found)


def _slopes(surrogate: FittedSurrogate, A: Floats, feed_odds: float) -> Floats:
    """Derivatives of grade, then of recovery, by sharpness and by balance, shape (2, 2)."""
    S, C = surrogate.latent(A).mean[:, :, 0].mean(axis=0)
    shares = np.array(from_latent(S, C, feed_odds))
    slopes = np.array(logit_slopes(expit(0.5 * (C + S)), expit(0.5 * (C - S))))
    return np.asarray((shares * (1.0 - shares))[:, None] * slopes)
