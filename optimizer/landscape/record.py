"""The landscape of a plan as frozen records, and their JSON.

A ``Landscape`` is what surrounds a plan: today's limits, the runs, the campaign and, around the
settings to run now, the trade-off, the effects and the map.
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

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# An average grade is worth knowing to half a point (a standard error).
COUNT_SE = 0.005


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
class Stretch:
    """The runs of one stretch of time.

    Attributes:
        start: its first day, ISO 8601; None for runs without a time.
        runs, failed: all runs, and those of them that failed.
        new_set_points: set-points first tried in it.
        grade, recovery: mean reading and the middle 80 % of readings; None without readings.
        met: share of readings that met the grade asked for; None without a grade or readings.
        best_so_far: recovery expected today of the best sure settings tried until its end; None
            before there were any.
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
