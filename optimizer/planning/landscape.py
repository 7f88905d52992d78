"""The surroundings of a plan, for those who look before they decide.

In comes a ``Situation``, with the surrogate that its plan was made by, and the plan; out comes one
``Landscape``: today's limits, the runs collapsed to set-points, the trade-off of grade and
recovery, each setting's effect around the settings to run now, the map of two settings that act
against each other, and the progress of the campaign. Nothing is drawn at random: what is too much
to show is collapsed exactly, to means with their counts.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.evidence.set_points import SetPoints, collapse_runs
from optimizer.interval import rounded_all
from optimizer.measurement import purity_se
from optimizer.model.coordinates import from_latent, to_latent
from optimizer.planning.plan import Plan, TradeOffPoint, as_dicts
from optimizer.planning.progress import Stretch, progress_of
from optimizer.planning.situation import Expectation, Situation
from optimizer.planning.trade_off import trade_off
from optimizer.plant.brief import Brief
from optimizer.plant.settings import Setting

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# The interaction that most needs a picture: speed and tilt are adjusted as a pair.
PAIR = ("eccentric_speed", "side_tilt")
LEVELS, MAP_LEVELS = 41, 31
"""Levels of a setting drawn at most; between them the surface is smooth."""
# An average grade is worth knowing to half a point (a standard error), counts in steps of 50.
COUNT_SE, COUNT_STEP = 0.005, 50


@dataclass(frozen=True)
class Today:
    """What today's brief leaves.

    Attributes:
        site: name of the plant.
        brief: of today.
        ranges: each setting with its lowest and highest level inside the limits.
        start: where the deck stands, by setting.
        sample_count: particles to count for a grade known to ``COUNT_SE``; None without a grade.
    """

    site: str
    brief: Brief
    ranges: tuple[tuple[Setting, float, float], ...]
    start: Mapping[str, float]
    sample_count: int | None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        trials = self.brief.trials
        return {
            "site": self.site,
            "settings": [
                {
                    "name": setting.name,
                    "unit": setting.unit,
                    "low": low,
                    "high": high,
                    "max_change": setting.max_change,
                }
                for setting, low, high in self.ranges
            ],
            "capacity": self.brief.capacity.model_dump(exclude_none=True),
            "trials": {
                "settle_minutes": trials.settle_minutes,
                "sample_minutes": trials.sample_minutes,
                "material_available": trials.material_available,
                "minutes_available": trials.minutes_available,
            },
            "start": dict(self.start),
            "sample_count": self.sample_count,
            "sample_se": COUNT_SE,
        }


@dataclass(frozen=True)
class Effect:
    """Grade and recovery along one setting, the others as to run now.

    Attributes:
        setting: which.
        now: its value in the settings to run now.
        levels: where it was evaluated, shape (k,).
        expected: there.
        reading_levels: where runs stood, shape (u,).
        reading_grade, reading_recovery: their readings, moved to the other settings and the
            material of now, shape (u,).
    """

    setting: Setting
    now: float
    levels: Floats
    expected: Expectation
    reading_levels: Floats
    reading_grade: Floats
    reading_recovery: Floats

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "setting": self.setting.name,
            "unit": self.setting.unit,
            "now": self.now,
            "levels": self.levels.tolist(),
            "grade": self.expected.grade.as_dict(),
            "recovery": self.expected.recovery.as_dict(),
            "chance_of_grade": rounded_all(self.expected.chance_of_grade),
            "chance_even": rounded_all(self.expected.chance_even),
            "readings": {
                "level": rounded_all(self.reading_levels),
                "grade": rounded_all(self.reading_grade),
                "recovery": rounded_all(self.reading_recovery),
            },
        }


@dataclass(frozen=True)
class Map:
    """Chance of the grade and mean recovery over two settings, the others as to run now.

    Attributes:
        x, y: names of the two settings.
        x_levels, y_levels: where they were evaluated, shapes (k,) and (l,).
        chance_of_grade, chance_even, recovery: there, shape (l, k).
    """

    x: str
    y: str
    x_levels: Floats
    y_levels: Floats
    chance_of_grade: Floats
    chance_even: Floats
    recovery: Floats

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "x": self.x,
            "y": self.y,
            "x_levels": self.x_levels.tolist(),
            "y_levels": self.y_levels.tolist(),
            "chance_of_grade": [rounded_all(row) for row in self.chance_of_grade],
            "chance_even": [rounded_all(row) for row in self.chance_even],
            "recovery": [rounded_all(row) for row in self.recovery],
        }


@dataclass(frozen=True)
class Surroundings:
    """What surrounds the settings to run now.

    Attributes:
        trade_off: the curve.
        effects: one for each setting.
        map: None where any grade will do: there is no chance of it to show.
    """

    trade_off: tuple[TradeOffPoint, ...]
    effects: tuple[Effect, ...]
    map: Map | None


@dataclass(frozen=True)
class Landscape:
    """The surroundings of a plan.

    Attributes:
        plan: which.
        today: what the brief leaves.
        points: the runs as set-points.
        names: of the settings.
        progress: the campaign by stretches of time.
        run_now: around the settings to run now; None where the plan has none.
    """

    plan: Plan
    today: Today
    points: SetPoints
    names: tuple[str, ...]
    progress: tuple[Stretch, ...]
    run_now: Surroundings | None

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.landscape/1`` document."""
        document = {
            "schema": "highside.landscape/1",
            "line": self.plan.line,
            "history_version": self.plan.history_version,
            "seed": self.plan.seed,
            "today": self.today.as_dict(),
            "points": self.points.as_dict(self.names),
            "progress": [stretch.as_dict() for stretch in self.progress],
        }
        around = self.run_now
        if around is None:
            return document
        # A site with one setting has no map of two: the document then says ``{}``.
        drawn = {} if around.map is None else around.map.as_dict()
        return document | {
            "trade_off": as_dicts(around.trade_off),
            "effects": [effect.as_dict() for effect in around.effects],
            "map": None if self.plan.min_grade is None else drawn,
        }


def landscape(situation: Situation, plan: Plan) -> Landscape:
    """The surroundings of a plan.

    Args:
        situation: what made the plan.
        plan: what it made.
    """
    with threadpool_limits(1):
        points = collapse_runs(situation.evidence)
        return Landscape(
            plan=plan,
            today=_today(situation),
            points=points,
            names=situation.evidence.space.names,
            progress=progress_of(situation, points, plan),
            run_now=_surroundings(situation, plan, points),
        )


def _today(situation: Situation) -> Today:
    region, space = situation.limits.region, situation.evidence.space
    edges = zip(space.settings, region.first, region.last, strict=True)
    goal = situation.brief.goal.min_grade
    return Today(
        site=situation.site.name,
        brief=situation.brief,
        ranges=tuple(
            (s, float(s.values(np.array(first))), float(s.values(np.array(last))))
            for s, first, last in edges
        ),
        start={name: float(value) for name, value in situation.start().items()},
        sample_count=None if goal is None else _count(goal),
    )


def _count(purity: float) -> int:
    """Particles whose share has a standard error of COUNT_SE, rounded up.

    >>> _count(0.985)
    600
    """
    one = float(purity_se(purity, 1))
    return COUNT_STEP * math.ceil((one / COUNT_SE) ** 2 / COUNT_STEP)


def _surroundings(situation: Situation, plan: Plan, points: SetPoints) -> Surroundings | None:
    run_now = plan.run_now
    if run_now is None:
        return None
    here = situation.evidence.space.index_of(run_now.settings)
    curve = plan.trade_off
    if curve is None:
        curve = trade_off(situation, run_now, here, plan.min_grade, plan.maximise)
    return Surroundings(
        trade_off=curve,
        effects=_effects(situation, points, here[0]),
        map=None if plan.min_grade is None else _map(situation, here[0]),
    )


def _effects(situation: Situation, points: SetPoints, here: Indices) -> tuple[Effect, ...]:
    """Grade and recovery along each setting, the others as to run now, with the runs' readings.

    A reading was taken at other settings and another material. It is moved here as the model says:
    reading less what is expected there plus what is expected here, in the model's coordinates
    (component-plus-residual; W. A. Larsen & S. J. McCleary, Technometrics 14, 1972, 781).
    """
    evidence = situation.evidence
    space = evidence.space
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
        sharpness, balance = read - own + there
        grade, recovery = from_latent(sharpness, balance, evidence.feed_odds_today)
        effects.append(
            Effect(
                setting=setting,
                now=float(setting.values(here[j])),
                levels=setting.values(levels),
                expected=situation.expected(index),
                reading_levels=setting.low + points.inputs[:, j] * space.span[j],
                reading_grade=grade,
                reading_recovery=recovery,
            )
        )
    return tuple(effects)


def _map(situation: Situation, here: Indices) -> Map | None:
    """The map of two settings; None where the site has only one."""
    space = situation.evidence.space
    names = PAIR if set(PAIR) <= set(space.names) else space.names[:2]
    if len(names) < 2:
        return None
    i, j = (space.names.index(name) for name in names)
    across, up = (_levels(int(here[k]), space.settings[k].top, MAP_LEVELS) for k in (i, j))
    index = np.tile(here, (len(across) * len(up), 1))
    index[:, i], index[:, j] = np.tile(across, len(up)), np.repeat(up, len(across))
    expected, shape = situation.expected(index), (len(up), len(across))
    return Map(
        x=names[0],
        y=names[1],
        x_levels=space.settings[i].values(across),
        y_levels=space.settings[j].values(up),
        chance_of_grade=expected.chance_of_grade.reshape(shape),
        chance_even=expected.chance_even.reshape(shape),
        recovery=expected.recovery.mean.reshape(shape),
    )


def _levels(here: int, top: int, most: int) -> Indices:
    """Levels of a setting evenly spaced through the present one, both ends included."""
    step = max(1, math.ceil(top / (most - 1)))
    inside = np.arange(here % step, top + 1, step)
    return np.unique(np.concatenate([[0], inside, [top]]))
