"""Runs that disagree with all others, perhaps by a slip of the sample, the count or the note.

Each run is predicted from every other run, its replicates included, and its residual is judged
on a robust scale, so that a few bad runs cannot hide behind the scatter that they make. Nothing
is removed: a doubtful run is for a person to look at.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, log_expit

from optimizer.diagnostics.left_out import LeftOut, without_run
from optimizer.evidence.line_model import LineModel

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Robust standard deviations beyond which a run is named. Of honest readings, normal on the logit
# scale, 1 in 2,000 goes so far in one quantity.
DOUBTFUL_FROM = 3.5
# Median absolute deviation of a standard normal.
NORMAL_MAD = 0.6745


@dataclass(frozen=True)
class Residuals:
    """Leave-one-run-out residuals of a line.

    Attributes:
        z: by quantity, robustly standardised, shape (n,).
        expected: by quantity, what the other runs say, fraction, shape (n,).
    """

    z: dict[str, Floats]
    expected: dict[str, Floats]


@dataclass(frozen=True)
class Doubt:
    """One doubtful run: its position among all runs of the line, its id, and why."""

    run: int
    run_id: str
    quantity: str
    z: float
    read: float
    expected: float

    @property
    def reason(self) -> str:
        """In words, with units."""
        return (
            f"{self.quantity} read {100 * self.read:.1f} %, the other runs say "
            f"{100 * self.expected:.1f} % ({abs(self.z):.1f} standard deviations "
            f"{'above' if self.z > 0 else 'below'})"
        )


def residuals(model: LineModel) -> Residuals:
    """Residual of every measured run against all others, on the logit scale, standardised."""
    e, left = model.evidence, without_run(model)
    m = e.measured
    S, C = left.mean
    log_w, log_u = log_expit(0.5 * (C + S)), log_expit(0.5 * (C - S))
    grade = e.feed_odds[m] + log_w - log_u
    recovery = 0.5 * (C + S)
    variance = _logit_variance(left, log_w, log_u)
    z = {
        "grade": (e.readings.grade_logit[m] - grade)
        / np.sqrt(variance["grade"] + e.readings.grade_variance[m]),
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
    """Variance of logit grade and logit recovery of a new reading, before its sampling error."""
    s_noise, c_noise = left.noise
    s2, c2 = left.variance[0], left.variance[1] + c_noise
    up, down = -np.expm1(log_w), -np.expm1(log_u)
    both, apart = up + down, up - down
    grade = (both + left.cut * apart) ** 2 * s2 + both**2 * s_noise + apart**2 * c2
    return {
        "grade": 0.25 * grade,
        "recovery": 0.25 * ((1.0 + left.cut) ** 2 * s2 + s_noise + c2),
    }


def doubtful(model: LineModel, found: Residuals, run_ids: pa.ChunkedArray) -> tuple[Doubt, ...]:
    """Runs beyond ``DOUBTFUL_FROM``, the farthest first; each in its worse quantity.

    Args:
        model: the line.
        found: residuals of its measured runs.
        run_ids: of all its runs, shape (n,).
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
