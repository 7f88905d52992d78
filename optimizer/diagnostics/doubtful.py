"""Doubtful runs: runs that disagree with all others, perhaps by a slip in sampling or writing.

Each run is predicted from every other run, including its replicates. Its residual is judged on a
robust scale, so that a few bad runs cannot hide behind the scatter that they cause. No run is
removed: a person should look at a doubtful run.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, log_expit

from optimizer.diagnostics.left_out import LeftOut, without_run
from optimizer.evidence.line_model import LineModel
from optimizer.model.coordinates import logit_slopes
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# A residual beyond this many robust standard deviations makes a run doubtful. About 1 in 2,000
# correct readings, normal on the logit scale, lies that far out in one quantity.
DOUBTFUL_FROM = 3.5
# Median absolute deviation of a standard normal variable.
NORMAL_MAD = 0.6745


@dataclass(frozen=True)
class Residuals:
    """Residuals of the measured runs of a line, each predicted from all other runs.

    Attributes:
        z: for each quantity, the robustly standardized residuals, shape (n,).
        expected: for each quantity, the prediction from the other runs, fraction, shape (n,).
    """

    z: dict[str, Floats]
    expected: dict[str, Floats]


@dataclass(frozen=True)
class Doubt:
    """One doubtful run.

    Attributes:
        run: position of the run among all runs of the line.
        run_id: id of the run.
        quantity: ``grade`` or ``recovery``, whichever disagrees more.
        z: robustly standardized residual of that quantity.
        read, expected: its reading and its prediction from the other runs, fractions.
    """

    run: int
    run_id: str
    quantity: str
    z: float
    read: float
    expected: float

    @property
    def reason(self) -> str:
        """Why the run is doubtful, in words and with units."""
        return sentence(
            "reading_above" if self.z > 0 else "reading_below",
            quantity=sentence(f"the_{self.quantity}"),
            read=100.0 * self.read,
            expected=100.0 * self.expected,
            z=abs(self.z),
        )


def residuals(model: LineModel) -> Residuals:
    """Standardized residuals of the measured runs, on the logit scale.

    Each run is predicted from all other runs.
    """
    e, left = model.evidence, without_run(model)
    m = e.measured
    S, C = left.mean
    log_w, log_u = log_expit(0.5 * (C + S)), log_expit(0.5 * (C - S))
    grade = e.feed_odds[m] + log_w - log_u
    recovery = 0.5 * (C + S)
    variance = _logit_variance(left, log_w, log_u)
    z = {
        "grade": (e.readings.grade_logit[m] - grade)
        / np.sqrt(variance["grade"] + e.readings.outcome_errors[0][m]),
        "recovery": (e.readings.recovery_logit[m] - recovery)
        / np.sqrt(variance["recovery"] + e.readings.recovery_variance[m]),
    }
    scale = {
        n: max(1.0, float(np.median(np.abs(v - np.median(v)))) / NORMAL_MAD) for n, v in z.items()
    }
    return Residuals(
        {n: (v - np.median(v)) / scale[n] for n, v in z.items()},
        {"grade": expit(grade), "recovery": expit(recovery)},
    )


def _logit_variance(left: LeftOut, log_w: Floats, log_u: Floats) -> dict[str, Floats]:
    """Variances of logit grade and logit recovery of a new reading without sampling error.

    Args:
        left: predictions of sharpness and balance at n runs.
        log_w, log_u: logarithms of the shares of wanted and of unwanted particles in the product,
            shape (n,).
    """
    s, with_s = left.variance[0], left.cut * left.variance[0]
    c = left.variance[1] + left.cut * with_s
    s, c, both = s + left.noise[0, 0], c + left.noise[1, 1], with_s + left.noise[0, 1]
    of_grade, of_recovery = logit_slopes(np.exp(log_w), np.exp(log_u))
    return {
        name: by_s**2 * s + by_c**2 * c + 2.0 * by_s * by_c * both
        for name, (by_s, by_c) in (("grade", of_grade), ("recovery", of_recovery))
    }


def doubtful(model: LineModel, found: Residuals, run_ids: pa.ChunkedArray) -> tuple[Doubt, ...]:
    """Runs with a residual beyond ``DOUBTFUL_FROM``, the largest residual first.

    Each run is reported with the quantity that disagrees more.

    Args:
        model: the fitted model of the line.
        found: residuals of the line's measured runs.
        run_ids: ids of all runs of the line, shape (n,).
    """
    e = model.evidence
    where = np.flatnonzero(e.measured)
    read = {
        "grade": expit(e.readings.grade_logit[where]),
        "recovery": expit(e.readings.recovery_logit[where]),
    }
    names = tuple(found.z)
    size = np.abs(np.array([found.z[n] for n in names]))
    worst = np.argmax(size, axis=0)
    doubts = [
        Doubt(
            int(where[i]),
            run_ids[int(where[i])].as_py(),
            names[worst[i]],
            float(found.z[names[worst[i]]][i]),
            float(read[names[worst[i]]][i]),
            float(found.expected[names[worst[i]]][i]),
        )
        for i in np.flatnonzero(size.max(axis=0) > DOUBTFUL_FROM)
    ]
    return tuple(sorted(doubts, key=lambda d: (-abs(d.z), d.run)))
