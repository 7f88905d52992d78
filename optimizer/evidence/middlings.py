"""What the runs of a line say of middlings that are kept as a product: their share, their grade.

Runs without middlings teach nothing of them. Where fewer than ``FEWEST`` runs state a share,
nothing is expected of it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.gaussian_process.solvers import InducingPoints
from optimizer.measurement.share_readings import ShareReadings
from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.model.deck_prior import Frame
from optimizer.model.share_process import ShareProcess, fit_share

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.evidence.record import Evidence

    Floats = NDArray[np.float64]

# Fewest runs with a share, or with a grade, from which it can be expected elsewhere.
FEWEST = 3
# With more set-points than this, the process has this many inducing points, as the surrogate has.
MOST_POINTS = 400


@dataclass(frozen=True)
class Middlings:
    """The middlings of a line over settings and material.

    Attributes:
        share: mass of the middlings over that of the feed.
        grade: share of wanted material in them; None where too few runs state it.
    """

    share: ShareProcess
    grade: ShareProcess | None


def middlings_readings(evidence: Evidence) -> int:
    """Number of runs that state the share of their middlings, those of other lines included."""
    return sum(int(part.middlings_share.measured.sum()) for part in _parts(evidence))


def fit_middlings(evidence: Evidence, seed: int) -> Middlings | None:
    """The middlings of a line, learned from its runs and from those borrowed from other lines.

    Args:
        evidence: evidence of the line.
        seed: seed of all random numbers.

    Returns:
        None where fewer than ``FEWEST`` runs state a share.
    """
    share, grade = (
        _fit(evidence, [getattr(part, name) for part in _parts(evidence)], seed)
        for name in ("middlings_share", "middlings_grade")
    )
    return None if share is None else Middlings(share, grade)


def _fit(evidence: Evidence, each: list[ShareReadings], seed: int) -> ShareProcess | None:
    X = np.vstack([part.inputs for part in _parts(evidence)])
    readings = ShareReadings.joined(each)
    measured = readings.measured
    if measured.sum() < FEWEST:
        return None
    frame = Frame(
        evidence.space.names,
        X.shape[1] - evidence.by_line,
        deck_coordinates_of(evidence.space),
        evidence.by_line,
        InducingPoints(MOST_POINTS),
        seed,
    )
    return fit_share(X[measured], readings.take(measured), frame)


def _parts(evidence: Evidence) -> list[Evidence]:
    return [evidence] if evidence.borrowed is None else [evidence, evidence.borrowed]
