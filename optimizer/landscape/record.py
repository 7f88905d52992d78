"""The landscape of a plan as frozen records, and their JSON.

A ``Landscape`` contains the surroundings of a plan: today's limits, the runs and the campaign. If
there are settings to run now, it also contains the trade-off curve, the effect of each setting and
the map of two settings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from optimizer.evidence.set_points import SetPoints
from optimizer.interval import Interval, rounded, rounded_all
from optimizer.planning.plan import Plan, TradeOffPoint, as_dicts
from optimizer.planning.situation import Expectation
from optimizer.plant.brief import Brief
from optimizer.plant.settings import Setting
from optimizer.plant.time_zone import DEFAULT

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Today:
    """The conditions of today.

    Attributes:
        site: name of the plant.
        brief: today's brief.
        ranges: each setting with its lowest and highest value inside the limits.
        start: present settings of the deck, by name.
    """

    site: str
    brief: Brief
    ranges: tuple[tuple[Setting, float, float], ...]
    start: Mapping[str, float]

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
                    **({} if setting.gate_of is None else {"max_taper": setting.max_taper}),
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
        }


@dataclass(frozen=True)
class Stretch:
    """The runs of one stretch of time.

    Attributes:
        start: first day of the stretch, ISO 8601; None for undated runs.
        runs, failed: number of runs, and of runs on a deck that was not even.
        new_set_points: number of set-points that were first tried in the stretch.
        grade, recovery: mean reading and the middle 80 % of readings; None without readings.
        met: share of readings that met the required grade; None without a grade or readings.
        best_so_far: recovery that today's model expects of the best sure settings tried until the
            end of the stretch; None when there were none yet.
    """

    start: str | None
    runs: int
    failed: int
    new_set_points: int
    grade: Interval | None
    recovery: Interval | None
    met: float | None
    best_so_far: float | None

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "from": self.start,
            "runs": self.runs,
            "failed": self.failed,
            "new_set_points": self.new_set_points,
            "grade": None if self.grade is None else self.grade.as_dict(),
            "recovery": None if self.recovery is None else self.recovery.as_dict(),
            "met": rounded(self.met),
            "best_so_far": rounded(self.best_so_far),
        }


@dataclass(frozen=True)
class Effect:
    """Grade and recovery as functions of one setting; the other settings are those to run now.

    Attributes:
        setting: the setting; for gates their level, or their taper as people are told of it (see
            ``Profiles.told_by``).
        now: value of the setting in the settings to run now.
        low, high: lowest and highest value that today's limits allow while the others stay.
        levels: values of the setting at which the model was evaluated, shape (k,).
        expected: predictions at these k values.
        reading_levels: value of the setting at each of the u set-points, shape (u,).
        reading_grade, reading_recovery: readings of the set-points, adjusted by the model to the
            other settings to run now and to today's material, shape (u,).
    """

    setting: Setting
    now: float
    low: float
    high: float
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
            "low": self.low,
            "high": self.high,
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
    """Chance of the grade and expected recovery over two settings; the others are those to run now.

    Attributes:
        x, y: names of the two settings.
        x_levels, y_levels: values of the two settings, shapes (k,) and (l,).
        chance_of_grade, chance_even, recovery: chance of meeting the grade, chance of an even deck
            and expected recovery at these values, shape (l, k).
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
    """Predictions around the settings to run now.

    Attributes:
        trade_off: points of the trade-off curve between grade and recovery.
        effects: one effect for each setting.
        map: the map of two settings; None when no grade is required or there is only one setting.
    """

    trade_off: tuple[TradeOffPoint, ...]
    effects: tuple[Effect, ...]
    map: Map | None


@dataclass(frozen=True)
class Landscape:
    """The surroundings of a plan.

    Attributes:
        plan: the plan.
        today: the conditions of today.
        points: the runs as set-points.
        names: names of the settings.
        progress: the campaign by stretches of time.
        run_now: predictions around the settings to run now; None when the plan has none.
        time_zone: name of the time zone of the plant, whose calendar the progress follows.
    """

    plan: Plan
    today: Today
    points: SetPoints
    names: tuple[str, ...]
    progress: tuple[Stretch, ...]
    run_now: Surroundings | None
    time_zone: str = DEFAULT

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
            **({} if self.time_zone == DEFAULT else {"time_zone": self.time_zone}),
        }
        around = self.run_now
        if around is None:
            return document
        # With one setting there is no map of two settings; the document then contains ``{}``.
        drawn = {} if around.map is None else around.map.as_dict()
        return document | {
            "trade_off": as_dicts(around.trade_off),
            "effects": [effect.as_dict() for effect in around.effects],
            "map": None if self.plan.min_grade is None else drawn,
        }
