"""What surrounds a plan, for those who look before they decide.

In comes a ``Situation``, with the surrogate that its plan was made by, and the plan; out comes one
document of plain numbers: today's limits, the runs collapsed to set-points, the trade-off of grade
and recovery, each setting's effect around the settings to run now, the map of two settings that
act against each other, and the progress of the campaign. Nothing is drawn at random: what is too
much to show is collapsed exactly, to means with their counts.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.evidence.set_points import SetPoints, collapse_runs
from optimizer.interval import PLACES
from optimizer.measurement import purity_se
from optimizer.model.coordinates import from_latent, to_latent
from optimizer.planning.plan import Plan
from optimizer.planning.progress import progress_of
from optimizer.planning.situation import Situation
from optimizer.planning.trade_off import trade_off

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.model.surrogate import Estimate

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# The interaction that most needs a picture: speed and tilt are adjusted as a pair.
PAIR = ("eccentric_speed", "side_tilt")
LEVELS, MAP_LEVELS = 41, 31
"""Levels of a setting drawn at most; between them the surface is smooth."""
# An average grade is worth knowing to half a point (a standard error), counts in steps of 50.
COUNT_SE, COUNT_STEP = 0.005, 50


def landscape(situation: Situation, plan: Plan) -> dict[str, Any]:
    """The ``highside.landscape/1`` document of a plan.

    Args:
        situation: what made the plan.
        plan: what it made.
    """
    with threadpool_limits(1):
        points = collapse_runs(situation.evidence)
        document = {
            "schema": "highside.landscape/1",
            "line": plan.line,
            "history_version": plan.history_version,
            "seed": plan.seed,
            "today": today_of(situation),
            "points": points.as_dict(situation.evidence.space.names),
            "progress": progress_of(situation, points, plan),
        }
        if plan.run_now is None:
            return document
        here = _index(situation, [dict(plan.run_now.settings)])
        return document | {
            "trade_off": list(plan.trade_off)
            if plan.trade_off is not None
            else trade_off(situation, plan.run_now, here, plan.min_grade, plan.maximise),
            "effects": _effects(situation, points, here[0]),
            # Where any grade will do there is no chance of it to show.
            "map": None if plan.min_grade is None else _map(situation, here[0]),
        }


def today_of(situation: Situation) -> dict[str, Any]:
    """What today's brief leaves: ranges on the deck's steps, capacity, times, where it stands."""
    region, trials = situation.limits.region, situation.brief.trials
    edges = zip(situation.evidence.space.settings, region.first, region.last, strict=True)
    goal = situation.brief.goal.min_grade
    return {
        "site": situation.site.name,
        "settings": [
            {
                "name": s.name,
                "unit": s.unit,
                "low": float(s.values(np.array(first))),
                "high": float(s.values(np.array(last))),
                "max_change": s.max_change,
            }
            for s, first, last in edges
        ],
        "capacity": situation.brief.capacity.model_dump(exclude_none=True),
        "trials": {
            "settle_minutes": trials.settle_minutes,
            "sample_minutes": trials.sample_minutes,
            "material_available": trials.material_available,
            "minutes_available": trials.minutes_available,
        },
        "start": {k: float(v) for k, v in situation.start().items()},
        "sample_count": None if goal is None else _count(goal),
        "sample_se": COUNT_SE,
    }


def _count(purity: float) -> int:
    """Particles whose share has a standard error of COUNT_SE, rounded up.

    >>> _count(0.985)
    600
    """
    one = float(purity_se(purity, 1))
    return COUNT_STEP * math.ceil((one / COUNT_SE) ** 2 / COUNT_STEP)


def _index(situation: Situation, settings: list[dict[str, float]]) -> Indices:
    space = situation.evidence.space
    return space.nearest_index(np.array([[s[n] for n in space.names] for s in settings]))


# ------------------------------------------------------------------ effects and map


def _effects(situation: Situation, points: SetPoints, here: Indices) -> list[dict[str, Any]]:
    """Grade and recovery along each setting, the others as to run now, with the runs' readings.

    A reading was taken at other settings and another material. It is moved here as the model says:
    reading less what is expected there plus what is expected here, in the model's coordinates
    (component-plus-residual; W. A. Larsen & S. J. McCleary, Technometrics 14, 1972, 781).
    """
    evidence = situation.evidence
    space, odds = evidence.space, evidence.feed_odds_today
    own = situation.surrogate.latent(points.inputs).mean.mean(axis=0)
    read = np.array(
        to_latent(points.grade_logit, points.recovery_logit, 0.0, 0.0, points.feed_odds)[:2]
    )
    effects = []
    for j, setting in enumerate(space.settings):
        levels = _levels(int(here[j]), setting.top, LEVELS)
        index = np.tile(here, (len(levels), 1))
        index[:, j] = levels
        moved = np.tile(evidence.inputs_today(here[None, :]), (len(points.inputs), 1))
        moved[:, j] = points.inputs[:, j]
        there = situation.surrogate.latent(moved).mean.mean(axis=0)
        S, C = read - own + there
        grade, recovery = from_latent(S, C, odds)
        effects.append(
            {
                "setting": setting.name,
                "unit": setting.unit,
                "now": float(setting.values(here[j])),
                "levels": setting.values(levels).tolist(),
                **_expected(situation, index),
                "readings": {
                    "level": np.round(setting.low + points.inputs[:, j] * space.span[j], PLACES)
                    .astype(float)
                    .tolist(),
                    "grade": _rounded(grade),
                    "recovery": _rounded(recovery),
                },
            }
        )
    return effects


def _map(situation: Situation, here: Indices) -> dict[str, Any]:
    """Chance of the grade and mean recovery over two settings, the others as to run now."""
    space = situation.evidence.space
    names = PAIR if set(PAIR) <= set(space.names) else space.names[:2]
    if len(names) < 2:
        return {}
    i, j = (space.names.index(name) for name in names)
    across, up = (_levels(int(here[k]), space.settings[k].top, MAP_LEVELS) for k in (i, j))
    index = np.tile(here, (len(across) * len(up), 1))
    index[:, i], index[:, j] = np.tile(across, len(up)), np.repeat(up, len(across))
    expected, shape = _expected(situation, index), (len(up), len(across))
    return {
        "x": names[0],
        "y": names[1],
        "x_levels": space.settings[i].values(across).tolist(),
        "y_levels": space.settings[j].values(up).tolist(),
        "chance_of_grade": np.reshape(expected["chance_of_grade"], shape).tolist(),
        "chance_even": np.reshape(expected["chance_even"], shape).tolist(),
        "recovery": np.reshape(expected["recovery"]["mean"], shape).tolist(),
    }


def _levels(here: int, top: int, most: int) -> Indices:
    """Levels of a setting evenly spaced through the present one, both ends included."""
    step = max(1, math.ceil(top / (most - 1)))
    inside = np.arange(here % step, top + 1, step)
    return np.unique(np.concatenate([[0], inside, [top]]))


def _expected(situation: Situation, index: Indices) -> dict[str, Any]:
    """Intervals, chance of the grade as for the settings to run now, and chance of an even deck."""
    inputs = situation.evidence.inputs_today(index)
    odds = situation.evidence.feed_odds_today
    found = situation.surrogate.predict(inputs, odds)
    chance, _ = situation.surrogate.outlook(inputs, situation.min_grade, odds)
    return {
        "grade": _each(found.grade),
        "recovery": _each(found.recovery),
        "chance_of_grade": _rounded(chance),
        "chance_even": _rounded(situation.chance_even(index)),
    }


def _each(estimate: Estimate) -> dict[str, list[float]]:
    return {k: _rounded(getattr(estimate, k)) for k in ("mean", "low", "high")}


def _rounded(values: Floats) -> list[float]:
    return [float(v) for v in np.round(values, PLACES)]
