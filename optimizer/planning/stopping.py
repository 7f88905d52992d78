"""Whether more trials are worth their cost, and the figures that decide it.

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
from optimizer.plant.profiles import profiles_of
from optimizer.text.figures import points
from optimizer.text.sentences import Sentence, sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.planning.situation import Situation

    Indices = NDArray[np.int64]

# Stop when the chance is at least this that no settings would give one more point of recovery than
# the settings to run now. A campaign ends at the first of many plans that advises to stop, and a
# first time is more often due to noise than a later one. While there are so few runs that one of
# them matters, the chance must therefore have been as high before the last run
# (reports/benchmark.md).
SURE, POINT = 0.9, 0.01
FEW_RUNS = 100
# The smallest gain that makes one trial worth its cost: a dozen such trials would add half a point
# of recovery, or a quarter of the standard deviation of one reading. This gain decides where no
# single settings are the best, such as along a trade-off curve.
DOZEN = 12
SMALLEST_GAIN = 0.005 / DOZEN
SHARE_OF_SCATTER = 0.25 / DOZEN


def stopping_of(
    situation: Situation, gains: Sequence[float], now: RunNow, point: Indices
) -> Stopping:
    """The advice of a plan: continue or stop.

    Args:
        situation: the situation that the plan is made from.
        gains: expected gains of the next trials, in the unit of the objective.
        now, point: the settings to run now, and these settings as a lattice point, shape (d,).
    """
    goal, tried = situation.brief.goal, len(situation.tried)
    sure = (now.chance_of_grade or 0.0) >= goal.confidence
    few = 2 * profiles_of(situation.evidence.space).whole + 3
    figures = max(gains), least_gain(situation, now), situation.objective.unit, sure, tried, few
    if not sure or tried < few or goal.maximise == "trade-off":
        return advise(*figures)
    least = POINT * _per_recovery(situation, now)
    chances = [float(np.mean(regret(situation, point) < least))]
    if chances[0] >= SURE and len(situation.evidence.settings) <= FEW_RUNS:
        chances.append(float(np.mean(regret(before_the_last_run(situation), point) < least)))
    return advise(*figures, chances, least)


def before_the_last_run(situation: Situation) -> Situation:
    """The situation without its last run, with the grade to reach unchanged."""
    e = situation.evidence
    goal = situation.brief.goal.model_copy(update={"min_grade": situation.min_grade})
    return replace(
        situation,
        evidence=e.take(np.arange(len(e.settings)) < len(e.settings) - 1),
        brief=situation.brief.model_copy(update={"goal": goal}),
    )


def least_gain(situation: Situation, now: RunNow) -> float:
    """The smallest gain that makes a trial worth its cost, in the unit of the objective."""
    return bar_of(situation.surrogate.reading_sd(), now.recovery) * _per_recovery(situation, now)


def _per_recovery(situation: Situation, now: RunNow) -> float:
    """The worth of one unit of recovery, in the unit of the objective."""
    if not isinstance(situation.objective, ValuePerHour):
        return 1.0
    space = situation.evidence.space
    index = space.nearest_index(np.array([[now.settings[n] for n in space.names]]))
    return situation.objective.per_recovery(situation.evidence.inputs_today(index))


def bar_of(reading_sd: tuple[float, float], recovery: Interval) -> float:
    """The smallest gain in recovery, a fraction, that makes a trial worth its cost.

    Args:
        reading_sd: standard deviations of the process noise of one reading, of sharpness and of
            balance.
        recovery: recovery of the settings to run now, a fraction.
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
    """Advise to continue or stop: by the chances where they are given, else by the gain.

    Args:
        gain: expected gain of the best next trial, in ``unit``.
        bar: the smallest gain that makes a trial worth its cost, in ``unit``.
        unit: unit of the gain; a fraction of recovery is shown in points.
        sure: whether the settings to run now are sure enough of the grade.
        tried: number of distinct settings tried.
        few: with fewer settings tried than this, the advice is to continue.
        chances: chances that no settings are better than the settings to run now by ``point``:
            given all runs and, where present, given all runs except the last.
        point: a gain that is too small to continue for, in ``unit``.
    """
    digits = 3 if gain < 2 * bar else 2
    added = _shown(gain, unit, digits)
    if not sure:
        return Stopping("continue", gain, sentence("not_sure_yet"))
    if tried < few:
        return Stopping("continue", gain, sentence("too_few_tried", gain=added, few=few))
    if chances:
        share, *without = chances
        told = {"chance": share, "point": _shown(point, unit, 0), "gain": added}
        if min(chances) >= SURE:
            return Stopping("stop", gain, sentence("stop_sure", **told))
        told["asked"] = SURE
        why = (
            sentence("go_on_unsure_before", without=without[0], **told)
            if without
            else sentence("go_on_unsure", **told)
        )
        return Stopping("continue", gain, why)
    least = _shown(bar, unit, digits)
    if gain < bar:
        return Stopping("stop", gain, sentence("stop_gain", gain=added, least=least))
    return Stopping("continue", gain, sentence("go_on_gain", gain=added, least=least))


def _shown(gain: float, unit: str, digits: int) -> Sentence:
    """A gain with its unit, a fraction of recovery in points with so many decimals."""
    if not unit.startswith("fraction"):
        return sentence("amount", value=gain, unit=unit)
    alone = points(gain, digits) == "1"
    told = {"value": 100.0 * gain, "digits": digits}
    return sentence("amount_points", count=1 if alone else 2, **told)
