"""Whether more trials are worth their cost, and the figure that decides it.

``stopping_of`` gathers the figures of a situation; ``advise`` turns them into advice. To change how
stopping is decided, change these two and the constants below.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimizer.interval import Interval
from optimizer.planning.objective import ValuePerHour
from optimizer.planning.plan import RunNow, Stopping
from optimizer.planning.regret import regret
from optimizer.text.figures import exact_percent, points, whole_percent

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.planning.situation import Situation

    Indices = NDArray[np.int64]

# Stop at this chance that no settings would give a point of recovery more than those to run now.
# A campaign ends at the first of many plans that says stop, and the first is a lucky one more often
# than a later one would be. So the chance must have been as high before the last run, as long as
# there are so few runs that one of them matters (reports/benchmark.md).
SURE, POINT = 0.9, 0.01
FEW_RUNS = 100
# The smallest gain of one trial that is worth it: a dozen such trials would add half a point of
# recovery, or a quarter of the standard deviation of one reading. It decides where no settings are
# the best, as along a trade-off curve.
DOZEN = 12
SMALLEST_GAIN = 0.005 / DOZEN
SHARE_OF_SCATTER = 0.25 / DOZEN


def stopping_of(
    situation: Situation, gains: Sequence[float], now: RunNow, point: Indices
) -> Stopping:
    """The advice of a plan: continue or stop.

    Args:
        situation: what the plan is made from.
        gains: expected gains of the next trials, in the unit of the objective.
        now, point: the settings to run now, and the same as a lattice point, shape (d,).
    """
    goal, tried = situation.brief.goal, len(situation.tried)
    sure = (now.chance_of_grade or 0.0) >= goal.confidence
    few = 2 * len(situation.evidence.space.names) + 3
    figures = max(gains), least_gain(situation, now), situation.objective.unit, sure, tried, few
    if not sure or tried < few or goal.maximise == "trade-off":
        return advise(*figures)
    least = POINT * _per_recovery(situation, now)
    chances = [float(np.mean(regret(situation, point) < least))]
    if chances[0] >= SURE and len(situation.evidence.settings) <= FEW_RUNS:
        chances.append(float(np.mean(regret(before_the_last_run(situation), point) < least)))
    return advise(*figures, chances, least)


def before_the_last_run(situation: Situation) -> Situation:
    """The same situation without its last run, at the grade that holds now."""
    e = situation.evidence
    goal = situation.brief.goal.model_copy(update={"min_grade": situation.min_grade})
    return replace(
        situation,
        evidence=e.take(np.arange(len(e.settings)) < len(e.settings) - 1),
        brief=situation.brief.model_copy(update={"goal": goal}),
    )


def least_gain(situation: Situation, now: RunNow) -> float:
    """The smallest gain of a trial that is worth it, in the unit of the objective."""
    return bar_of(situation.surrogate.reading_sd(), now.recovery) * _per_recovery(situation, now)


def _per_recovery(situation: Situation, now: RunNow) -> float:
    """The worth of one unit of recovery, in the unit of the objective."""
    if not isinstance(situation.objective, ValuePerHour):
        return 1.0
    space = situation.evidence.space
    index = space.nearest_index(np.array([[now.settings[n] for n in space.names]]))
    return situation.objective.per_recovery(situation.evidence.inputs_today(index))


def bar_of(reading_sd: tuple[float, float], recovery: Interval) -> float:
    """The smallest gain in recovery of a trial that is worth it, a fraction.

    Args:
        reading_sd: standard deviations of the process noise of sharpness and balance.
        recovery: of the settings to run now.
    """
    r = recovery.mean or 0.5
    # d recovery = r (1 - r) da, a = (S + C) / 2.
    scatter = r * (1.0 - r) * 0.5 * float(np.hypot(*reading_sd))
    return max(SMALLEST_GAIN, SHARE_OF_SCATTER * scatter)


def advise(
    gain: float,
    bar: float,
    unit: str,
    sure: bool,
    tried: int,
    few: int,
    chances: Sequence[float] = (),
    point: float = POINT,
) -> Stopping:
    """Continue or stop, by the chances where there are any, else by the gain.

    Args:
        gain: expected gain of the best next trial, in ``unit``.
        bar: the smallest gain that is worth a trial, in ``unit``.
        unit: of the gain; a fraction of recovery is shown in points.
        sure: whether the settings to run now are sure enough of the grade.
        tried: number of distinct settings tried.
        few: with fewer settings tried than this, the advice is to continue.
        chances: that no settings are better than those to run now by ``point``: by all runs and,
            where given, by all runs but the last.
        point: a gain too small to continue for, in ``unit``.
    """
    shown = _shown(gain, unit, 3 if gain < 2 * bar else 2)
    said = f"the best next trial is expected to add {shown}"
    if not sure:
        return Stopping("continue", gain, "no settings are sure enough of the grade yet.")
    if tried < few:
        return Stopping(
            "continue", gain, f"{said}; fewer than {few} settings tried is too few to stop on."
        )
    if chances:
        # Whole per cents, rounded down: 89.7 % must not read as 90 % where 90 % is the limit.
        share, *without = (f"{whole_percent(chance)} %" for chance in chances)
        better = f"no settings would give {_shown(point, unit, 0)} more"
        if min(chances) >= SURE:
            return Stopping("stop", gain, f"it is {share} sure that {better}; {said}.")
        asked = f"{exact_percent(SURE)} % is asked for before stopping"
        if without:
            asked = f"but only {without[0]} without the last run; {asked}"
        only = "" if without else "only "
        why = f"it is {only}{share} sure that {better} ({asked}); {said}."
        return Stopping("continue", gain, why)
    least = _shown(bar, unit, 3 if gain < 2 * bar else 2)
    if gain < bar:
        return Stopping("stop", gain, f"{said}, less than the {least} that would show or pay.")
    return Stopping("continue", gain, f"{said}, above the bar of {least}.")


def _shown(gain: float, unit: str, digits: int) -> str:
    """A gain with its unit."""
    if not unit.startswith("fraction"):
        return f"{gain:.4g} {unit}"
    shown = points(gain, digits)
    return f"{shown} {'point' if shown == '1' else 'points'} of recovery"
