"""What a plan says of drift over a whole season, by the test of the diagnosis.

The slow component of the model says how fast a deck changes at the moment of a plan, and may be
unsure of that where the season's change is plain. A plan warns of both.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.diagnostics.drift import Drift, drifts
from optimizer.evidence.line_model import LineModel

if TYPE_CHECKING:
    from optimizer.evidence.record import Evidence

# The test fits a process to all set-points, which takes half a second at this number and grows
# with its cube; older runs are left out.
MOST_SET_POINTS = 400


def season_drifts(evidence: Evidence, seed: int) -> tuple[Drift, ...]:
    """The quantities whose drift the diagnosis would report, from the latest runs of a line.

    Args:
        evidence: evidence of a line, runs in any order.
        seed: seed of all random numbers.

    Returns:
        Drifts of grade and recovery, those found alone; empty where too few runs are dated.
    """
    return tuple(d for d in drifts(LineModel(latest(evidence), seed)) if d.pattern != "none")


def latest(evidence: Evidence) -> Evidence:
    """The latest dated runs with at most ``MOST_SET_POINTS`` set-points; all runs if so few."""
    if evidence.set_points <= MOST_SET_POINTS:
        return evidence
    dated = np.flatnonzero(evidence.measured & ~np.isnat(evidence.started))
    newest = dated[np.argsort(evidence.started[dated], kind="stable")[::-1]]
    _, first = np.unique(evidence.quantities[newest], axis=0, return_index=True)
    first = np.sort(first)
    rows = np.zeros(len(evidence.grade), dtype=bool)
    rows[newest[: first[MOST_SET_POINTS] if len(first) > MOST_SET_POINTS else None]] = True
    return evidence.take(rows)


def season_sentence(found: tuple[Drift, ...]) -> str:
    """The drifts in one sentence; empty where there is none.

    >>> fall = Drift("deck-1", "recovery", "trend", -0.002, 0.0004, 1e-6, (), 0.9, 0.003, ())
    >>> print(season_sentence((fall,)))
    Over the season recovery fell by 1.4 points a week beyond settings and material.
    """
    if not found:
        return ""
    told = [f"{d.quantity} {_change(d)}" for d in found]
    return f"Over the season {' and '.join(told)} beyond settings and material."


def _change(drift: Drift) -> str:
    size = drift.steps[0].size if drift.steps else 7.0 * drift.per_day
    way = "rose" if size > 0.0 else "fell"
    when = f"at once about {drift.steps[0].date}" if drift.steps else "a week"
    return f"{way} by {100.0 * abs(size):.1f} points {when}"
