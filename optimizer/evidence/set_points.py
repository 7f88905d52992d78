"""Collapses the measured runs of a line to set-points, which are runs of equal settings and
material.

In comes an ``Evidence``; out come mean readings, few enough to plot. Where there are too many
set-points, those in one cell of a grid are averaged; no run is left out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import expit

from optimizer.evidence.record import Evidence
from optimizer.interval import PLACES
from optimizer.numerics.distinct_rows import distinct_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

MOST_POINTS = 800
"""Largest number of set-points to plot."""
FIRST_CELL = 0.02
"""Width of a grid cell as a share of each range; it is doubled until few enough set-points are
left."""


@dataclass(frozen=True)
class SetPoints:
    """The n measured runs of a line, collapsed to u set-points.

    Attributes:
        inputs: mean settings and material in unit coordinates, shape (u, d + m).
        settings: mean settings, shape (u, d).
        grade, recovery: fractions at the mean logits, shape (u,).
        grade_logit, recovery_logit: mean readings on the logit scale, shape (u,).
        feed_odds: mean log odds of the feed grade, shape (u,).
        count: number of runs of each set-point, shape (u,).
        owner: index of the set-point that each measured run belongs to, shape (n,).
        cell: width of the grid cells in unit coordinates; 0 when only equal runs were averaged.
    """

    inputs: Floats
    settings: Floats
    grade_logit: Floats
    recovery_logit: Floats
    feed_odds: Floats
    count: Floats
    owner: Indices
    cell: float

    @property
    def grade(self) -> Floats:
        """Grade of the mean reading, shape (u,)."""
        return expit(self.grade_logit)

    @property
    def recovery(self) -> Floats:
        """Recovery of the mean reading, shape (u,)."""
        return expit(self.recovery_logit)

    def as_dict(self, names: tuple[str, ...]) -> dict[str, Any]:
        """The columns by name, each with one entry for each set-point."""
        columns = {n: self.settings[:, j] for j, n in enumerate(names)}
        columns |= {"grade": self.grade, "recovery": self.recovery}
        return {
            "cell": self.cell,
            **{k: np.round(v, PLACES).astype(float).tolist() for k, v in columns.items()},
            "count": self.count.astype(int).tolist(),
        }


def collapse_runs(evidence: Evidence, most: int = MOST_POINTS) -> SetPoints:
    """Collapse the measured runs of a line to at most ``most`` set-points, where possible."""
    m = evidence.measured
    inputs, cell = evidence.inputs[m], 0.0
    points, owner = distinct_rows(inputs)
    width = FIRST_CELL
    while len(points) > most and width < 1.0:
        cell = width
        points, joined = np.unique(
            np.floor(points / width + 0.5) * width, axis=0, return_inverse=True
        )
        owner, width = joined.ravel()[owner], 2.0 * width
    count = np.bincount(owner, minlength=len(points)).astype(float)

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(owner, weights=values, minlength=len(points)) / count)

    settings = evidence.settings[m]
    return SetPoints(
        inputs=_columns(inputs, mean),
        settings=_columns(settings, mean),
        grade_logit=mean(evidence.readings.grade_logit[m]),
        recovery_logit=mean(evidence.readings.recovery_logit[m]),
        feed_odds=mean(evidence.feed_odds[m]),
        count=count,
        owner=owner,
        cell=cell,
    )


def _columns(values: Floats, mean: Any) -> Floats:
    """Mean of each column, without the rounding errors of the sums."""
    return np.round(np.column_stack([mean(column) for column in values.T]), 9)
