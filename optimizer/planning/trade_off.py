"""The trade-off curve: the highest recovery at each grade that can be met with confidence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.interval import PLACES
from optimizer.planning.objective import Recovery
from optimizer.planning.plan import RunNow, TradeOffPoint

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.planning.situation import Situation

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

FRONT_CANDIDATES, FRONT_SEEDS, FRONT_ROUNDS, FRONT_POINTS = 600, 10, 2, 14
# Number of candidates predicted at once, which limits memory: draws times points are held.
CHUNK = 128
# Settings on the curve must run even with this chance.
EVEN_ENOUGH = 0.95


def trade_off(
    situation: Situation, now: RunNow, here: Indices, goal: float | None, maximise: str
) -> tuple[TradeOffPoint, ...]:
    """The highest recovery at each grade that can be met with confidence, highest grade first.

    The sure grade of a candidate is a low quantile of its grade. The curve holds the candidates
    that no other candidate exceeds in both sure grade and recovery. The settings to run now are its
    point at the grade to reach, and no point near them is better. Where the goal is value, they
    need not lie on the curve and are shown at their own sure grade.

    Args:
        situation: the situation that the plan is made from.
        now: the settings to run now.
        here: the settings to run now as a lattice point, shape (1, d).
        goal: the grade to reach, or None where only prices count.
        maximise: ``"recovery"``, ``"value"`` or ``"trade-off"``.
    """
    limits, confidence = situation.limits, situation.brief.goal.confidence
    tried = situation.tried[limits.region.contains(situation.tried)]
    index = np.unique(np.vstack([limits.pool[:FRONT_CANDIDATES], tried, here]), axis=0)
    index = index[_possible(situation, index)]
    sure, recovery = _sure_grade(situation, index)
    for _ in range(FRONT_ROUNDS):
        seeds = _spread(_front(sure, recovery), FRONT_SEEDS)
        around = [limits.region.neighbors(index[k], reach=(1, 3)) for k in seeds]
        more = np.unique(np.vstack(around), axis=0) if around else index[:0]
        more = more[_possible(situation, more)]
        both = _sure_grade(situation, more)
        index = np.vstack([index, more])
        sure, recovery = np.append(sure, both[0]), np.append(recovery, both[1])
    mean, by_recovery = now.recovery.mean or 0.0, maximise != "value"
    if goal is None or not by_recovery or (now.chance_of_grade or 0.0) < confidence:
        # Without a grade to reach, the settings to run now are shown at their own sure grade.
        goal = _rounded(_sure_grade(situation, here)[0][0])
    wanted = situation.objective
    floor = (wanted.reference or 0.0) if isinstance(wanted, Recovery) else 0.0
    beside = (sure > goal) & (recovery < mean) | (sure < goal) & (recovery > mean)
    # The settings to run now appear on the curve once, with the figures of the plan.
    others = np.any(index != here, axis=1)
    others &= sure >= floor
    fits = np.flatnonzero(others & beside if by_recovery else others)
    front = _spread(fits[_front(sure[fits], recovery[fits])], FRONT_POINTS)
    curve = _curve(situation, index[front], sure[front]) if len(front) else []
    if goal >= floor:
        curve.append(TradeOffPoint(goal, now.grade, now.recovery, now.settings, run_now=True))
    return tuple(sorted(curve, key=lambda point: -point.sure_grade))


def _curve(situation: Situation, index: Indices, sure: Floats) -> list[TradeOffPoint]:
    """Points of the curve with their expectations."""
    evidence = situation.evidence
    found = situation.surrogate.predict(evidence.inputs_today(index), evidence.feed_odds_today)
    return [
        TradeOffPoint(
            sure_grade=_rounded(grade),
            grade=found.grade[k],
            recovery=found.recovery[k],
            settings=evidence.space.named(index[k]),
        )
        for k, grade in enumerate(sure)
    ]


def _possible(situation: Situation, index: Indices) -> NDArray[np.bool_]:
    """Which candidates run even and keep product and reject inside the capacity, shape (n,)."""
    if not len(index):
        return np.zeros(0, dtype=bool)
    return situation.within_capacity(index) & (situation.chance_even(index) >= EVEN_ENOUGH)


def _sure_grade(situation: Situation, index: Indices) -> tuple[Floats, Floats]:
    """Sure grade and mean recovery, each (n,), of lattice points, shape (n, d).

    The sure grade is the value that the true grade exceeds with the confidence of the brief.
    """
    level = 2.0 * situation.brief.goal.confidence - 1.0
    sure, recovery = [np.zeros(0)], [np.zeros(0)]
    for part in range(0, len(index), CHUNK):
        inputs = situation.evidence.inputs_today(index[part : part + CHUNK])
        odds = situation.evidence.feed_odds_today
        careful = situation.surrogate.predict(inputs, odds, level)
        sure.append(careful.grade.low)
        recovery.append(careful.recovery.mean)
    return np.concatenate(sure), np.concatenate(recovery)


def _front(sure: Floats, recovery: Floats) -> Indices:
    """Positions whose two values no other position exceeds in both, highest sure grade first."""
    order = np.lexsort((-recovery, -sure))
    best = np.maximum.accumulate(np.append(-np.inf, recovery[order]))[:-1]
    return order[recovery[order] > best]


def _spread(front: Indices, most: int) -> Indices:
    """At most ``most`` positions of a front, evenly spaced along the front."""
    if len(front) <= most:
        return front
    return front[np.unique(np.linspace(0, len(front) - 1, most).round().astype(int))]


def _rounded(value: float) -> float:
    return round(float(value), PLACES)
