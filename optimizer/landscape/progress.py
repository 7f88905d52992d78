"""The progress of a campaign: runs by the calendar, and the best recovery known so far.

In come a ``Situation``, its set-points and its plan; out comes one ``Stretch`` for each stretch of
time. The best recovery so far is not the highest reading. It is the recovery that today's model
expects of the best settings tried until then, among those that it is sure will meet the grade.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit

from optimizer.evidence.record import Evidence
from optimizer.evidence.set_points import SetPoints
from optimizer.history.summary import set_points_of_runs
from optimizer.interval import Interval
from optimizer.landscape.record import Stretch
from optimizer.planning.plan import Plan
from optimizer.planning.situation import Situation

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

MOST_STRETCHES = 26
# Calendar units (days, weeks, months, years), from which the finest that fits is used; if years do
# not fit, a stretch has several years.
UNITS = ("D", "W", "M", "Y")
# Quantiles of the readings that are reported beside their mean.
MIDDLE = (0.1, 0.9)


def progress_of(situation: Situation, points: SetPoints, plan: Plan) -> tuple[Stretch, ...]:
    """The campaign by stretches of time, the earliest first and undated runs last.

    Args:
        situation: the situation from which the plan was made.
        points: the runs as set-points.
        plan: the plan.
    """
    e = situation.evidence
    if not len(e.grade):
        return ()
    stretch, starts = _stretches(e)
    first = np.full(len(points.count), len(starts))
    np.minimum.at(first, points.owner, stretch[e.measured])
    tried, which = set_points_of_runs(e.settings)
    begun = np.full(len(tried), len(starts))
    np.minimum.at(begun, which, stretch)
    expected, sure = _expected_today(situation, plan, points)
    goal = plan.min_grade
    found: list[Stretch] = []
    best = -np.inf
    for k, start in enumerate(starts):
        here = stretch == k
        read = here & e.measured
        new = first == k
        best = max(best, float(np.max(expected[new & sure], initial=-np.inf)))
        found.append(
            Stretch(
                start=start,
                runs=int(here.sum()),
                failed=int((here & ~e.even).sum()),
                new_set_points=int((begun == k).sum()),
                grade=_middle(e.grade[read]),
                recovery=_middle(expit(e.readings.recovery_logit[read])),
                met=None
                if goal is None or not read.any()
                else float((e.grade[read] >= goal).mean()),
                best_so_far=None if best == -np.inf else best,
            )
        )
    return tuple(found)


def _stretches(e: Evidence) -> tuple[Indices, list[str | None]]:
    """The number of every run's stretch, shape (n,), and the first day of every stretch.

    Undated runs have a stretch of their own, the last, whose first day is None.
    """
    started = e.started_by_clock
    dated = ~np.isnat(started)
    stretch = np.zeros(len(started), dtype=np.int64)
    names: list[str | None] = []
    if dated.any():
        for unit in UNITS:
            count = started[dated].astype(f"datetime64[{unit}]")
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


def _expected_today(
    situation: Situation, plan: Plan, points: SetPoints
) -> tuple[Floats, NDArray[np.bool_]]:
    """Recovery expected at each set-point with today's material, and whether it is sure enough.

    Both have the shape (number of set-points,). A set-point is sure enough if the chance that it
    meets the grade reaches the required confidence.
    """
    if plan.run_now is None:
        return np.zeros(len(points.count)), np.zeros(len(points.count), dtype=bool)
    e = situation.evidence
    index = e.space.nearest_index(points.settings)
    chance, recovery = situation.surrogate.outlook(
        e.inputs_today(index), situation.min_grade, e.feed_odds_today
    )
    return recovery, chance >= situation.brief.goal.confidence


def _middle(readings: Floats) -> Interval | None:
    """Mean and middle 80 % of readings; None without readings."""
    if not len(readings):
        return None
    low, high = np.quantile(readings, MIDDLE)
    return Interval(float(readings.mean()), float(low), float(high))
