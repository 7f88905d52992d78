"""How a campaign went: runs by the calendar, and the best that was known to hold the grade.

In come a ``Situation``, its set-points and its plan; out comes one entry a stretch of time. "Best
so far" is what today's model expects of the best settings tried until then of which it is sure, not
the luckiest reading.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.evidence.record import Evidence
from optimizer.evidence.set_points import SetPoints
from optimizer.interval import PLACES
from optimizer.planning.plan import Plan
from optimizer.planning.situation import Situation

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

MOST_STRETCHES = 26
# Calendar units, tried from the finest; beyond years, several years are one stretch.
UNITS = ("D", "W", "M", "Y")


def progress_of(situation: Situation, points: SetPoints, plan: Plan) -> list[dict[str, Any]]:
    """One entry a stretch: runs, failed ones, new set-points, mean readings, best so far."""
    e = situation.evidence
    if not len(e.grade):
        return []
    stretch, starts = _stretches(e)
    measured = e.measured
    first = np.full(len(points.count), len(starts))
    np.minimum.at(first, points.owner, stretch[measured])
    expected, sure = _today(situation, plan, points)
    goal = plan.min_grade
    entries, best = [], None
    for k, start in enumerate(starts):
        here = stretch == k
        read = here & measured
        new = first == k
        hopes = expected[new & sure]
        if len(hopes):
            best = max(float(hopes.max()), -np.inf if best is None else best)
        met = None if goal is None or not read.any() else float(np.mean(e.grade[read] >= goal))
        entries.append(
            {
                "from": start,
                "runs": int(here.sum()),
                "failed": int((here & ~e.even).sum()),
                "new_set_points": int(new.sum()),
                "grade": _spread(e.grade[read]),
                "recovery": _spread(_recovery(e)[read]),
                "met": None if met is None else round(met, PLACES),
                "best_so_far": None if best is None else round(best, PLACES),
            }
        )
    return entries


def _stretches(e: Evidence) -> tuple[Indices, list[str | None]]:
    """The stretch of every run, and its first day; undated runs come last."""
    dated = ~np.isnat(e.started)
    stretch = np.zeros(len(e.started), dtype=np.int64)
    names: list[str | None] = []
    if dated.any():
        for unit in UNITS:
            count = e.started[dated].astype(f"datetime64[{unit}]")
            found, which = np.unique(count, return_inverse=True)
            if len(found) <= MOST_STRETCHES:
                break
        else:
            years = found.astype(int)
            several = -(-(years[-1] - years[0] + 1) // MOST_STRETCHES)
            block = (years - years[0]) // several
            found, which = found[np.unique(block, return_index=True)[1]], block[which]
            which = np.unique(which, return_inverse=True)[1]
        stretch[dated] = which.ravel()
        names = [str(day) for day in found.astype("datetime64[D]")]
    if not dated.all():
        stretch[~dated] = len(names)
        names.append(None)
    return stretch, names


def _recovery(e: Evidence) -> Floats:
    recovery: Floats = 1.0 / (1.0 + np.exp(-e.recovery_logit))
    return recovery


def _today(situation: Situation, plan: Plan, points: SetPoints) -> tuple[Floats, NDArray[np.bool_]]:
    """Recovery that each set-point promises with today's material, and whether it is sure."""
    if plan.run_now is None:
        return np.zeros(len(points.count)), np.zeros(len(points.count), dtype=bool)
    e = situation.evidence
    index = e.space.nearest_index(points.settings)
    chance, recovery = situation.surrogate.outlook(
        e.inputs_today(index), situation.min_grade, e.feed_odds_today
    )
    return recovery, chance * situation.chance_even(index) >= situation.brief.goal.confidence


def _spread(values: Floats) -> dict[str, float] | None:
    """Mean and the middle 80 % of readings; None without any."""
    if not len(values):
        return None
    low, high = np.quantile(values, [0.1, 0.9])
    figures = {"mean": values.mean(), "low": low, "high": high}
    return {k: round(float(v), PLACES) for k, v in figures.items()}
