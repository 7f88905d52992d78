"""What to expect at settings that a person chooses, on the steps of the deck or not.

In come a ``Situation`` and some settings; out comes an ``Expected``. Its figures are those that a
plan gives for a trial at the same settings: where the material varies over the shift, those of the
product of the whole shift. They differ from those of the settings to run now in
one: there, the chance of the grade is lowered, because a search picked them as the best of
thousands (``model/selection.py``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.errors import InputError, LimitError, nearest
from optimizer.evidence.middlings import ExpectedMiddlings
from optimizer.interval import Interval, rounded
from optimizer.planning.hold import expected_at, expected_middlings_at
from optimizer.planning.situation import FEWEST_TO_LEARN, Situation
from optimizer.plant.gates import values_on
from optimizer.plant.region import Region
from optimizer.plant.settings import SLACK, STEP_TOLERANCE, Setting
from optimizer.text.sentences import listed, sentence
from optimizer.text.setting_names import setting_words

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Range:
    """The levels of one setting that the limits leave.

    Attributes:
        setting: the setting.
        low, high: lowest and highest level, in its unit.
    """

    setting: Setting
    low: float
    high: float

    def fault(self, value: float) -> str:
        """What is wrong with a value of the setting: a sentence, empty where nothing is."""
        slack = STEP_TOLERANCE * self.setting.step
        if self.low - slack <= value <= self.high + slack:
            return ""
        return (
            f"{setting_words(self.setting.name)} {value:g} {self.setting.unit} is outside the "
            f"limits, {self.low:g} to {self.high:g} {self.setting.unit}."
        )

    def off_step(self, value: float) -> str:
        """A sentence on a value between two levels, which cannot be set; empty on a level."""
        steps = (value - self.setting.low) / self.setting.step
        if abs(steps - np.rint(steps)) <= STEP_TOLERANCE:
            return ""
        below, above = self.setting.values(np.floor(steps) + np.array([0, 1]))
        return (
            f"{setting_words(self.setting.name)} {value:g} {self.setting.unit} is not a step of "
            f"the deck; the nearest are {below:g} and {above:g}."
        )


def ranges_of(region: Region) -> dict[str, Range]:
    """The range of each setting inside a region, by name of the setting."""
    ends = zip(region.space.settings, region.first, region.last, strict=True)
    return {
        setting.name: Range(setting, *map(float, setting.values(np.array([first, last]))))
        for setting, first, last in ends
    }


@dataclass(frozen=True)
class NearestRun:
    """The measured run of the line whose settings are nearest.

    Attributes:
        settings: its settings, by name.
        differs: by how much the settings asked for differ from them, by name; only those that
            differ by a step or more.
    """

    settings: Mapping[str, float]
    differs: Mapping[str, float]

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {"settings": dict(self.settings), "differs": dict(self.differs)}


@dataclass(frozen=True)
class Expected:
    """What to expect at settings that were chosen; the true values, not their measurements.

    Attributes:
        line: the line; None where the history has none and none was named.
        history_version: version of the history that the model learned from.
        runs_used: number of runs of the line that it learned from.
        settings: the settings, by name.
        units: the unit of each setting.
        material: today's material, as a plan reports it.
        min_grade: the grade to reach, a fraction.
        grade, recovery: expected true values, fractions, with their 90 % intervals.
        chance_of_grade: chance that the true grade is at least the grade to reach.
        chance_even: chance that the deck runs even.
        product_t_per_h: expected product, t/h; None where feed rate is no setting.
        middlings: middlings kept as a product; None where too few runs tell of them.
        nearest_run: the nearest run of the line; None where it has none.
        warnings: sentences about what the runs cannot show here.
        over: ``low`` and ``high`` of each property of the material that varies over the shift; the
            figures are then those of the product of the whole shift.
    """

    line: str | None
    history_version: int | None
    runs_used: int
    settings: Mapping[str, float]
    units: Mapping[str, str]
    material: Mapping[str, Any]
    min_grade: float
    grade: Interval
    recovery: Interval
    chance_of_grade: float
    chance_even: float
    product_t_per_h: float | None
    middlings: ExpectedMiddlings | None
    nearest_run: NearestRun | None
    warnings: tuple[str, ...]
    over: Mapping[str, Mapping[str, float]]

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.expected/1`` document."""
        return listed(
            {
                "schema": "highside.expected/1",
                "line": self.line,
                "history_version": self.history_version,
                "runs_used": self.runs_used,
                "settings": dict(self.settings),
                "units": dict(self.units),
                "material": dict(self.material),
                **(
                    {"over": {name: dict(ends) for name, ends in self.over.items()}}
                    if self.over
                    else {}
                ),
                "min_grade": self.min_grade,
                "grade": self.grade.as_dict(),
                "recovery": self.recovery.as_dict(),
                "chance_of_grade": rounded(self.chance_of_grade),
                "chance_even": rounded(self.chance_even),
                "product_t_per_h": rounded(self.product_t_per_h),
                **({} if self.middlings is None else {"middlings": self.middlings.as_dict()}),
                "nearest_run": None if self.nearest_run is None else self.nearest_run.as_dict(),
                "warnings": list(self.warnings),
            }
        )


@dataclass(frozen=True)
class WhatIf:
    """A situation of which many settings are asked one after another; the model is fitted once.

    Args:
        situation: the situation.
    """

    situation: Situation

    @cached_property
    def ranges(self) -> dict[str, Range]:
        """The range of each setting inside today's limits, by name."""
        return ranges_of(self.situation.limits.region)

    def expected(self, settings: Mapping[str, float], min_grade: float | None = None) -> Expected:
        """What to expect at some settings.

        Args:
            settings: values by name, in the site's units. Those left out are as at the latest run
                of the line, moved inside the limits; without runs, in the middle of the limits.
            min_grade: grade to reach, a fraction; None for that of the situation.

        Raises:
            InputError: when a setting is unknown or outside the limits.
            LimitError: when there are too few runs to expect anything, or no settings are left.
        """
        situation, evidence = self.situation, self.situation.evidence
        if situation.known_runs < FEWEST_TO_LEARN:
            raise LimitError(
                f"{FEWEST_TO_LEARN} measured runs are needed before anything can be expected; "
                f"there are {situation.known_runs}.",
                code="too-few-runs",
                hint="Plan first trials, and record their results.",
            )
        whole = self._checked(settings)
        values = np.array([[whole[name] for name in evidence.space.names]])
        least = situation.min_grade if min_grade is None else min_grade
        # With several threads, sums in another order would round differently than in a plan.
        with threadpool_limits(1):
            found = expected_at(situation, values, least)
            product = situation.product_tonnes_at(values)
            (middlings,) = expected_middlings_at(situation, values)
        off_steps = filter(None, (self.ranges[name].off_step(v) for name, v in whole.items()))
        return Expected(
            line=evidence.line,
            history_version=situation.snapshot.version,
            runs_used=len(evidence.grade),
            settings=whole,
            units={s.name: s.unit for s in evidence.space.settings},
            material=evidence.material,
            min_grade=least,
            grade=found.grade[0],
            recovery=found.recovery[0],
            chance_of_grade=float(found.chance_of_grade[0]),
            chance_even=float(found.chance_even[0]),
            product_t_per_h=product,
            middlings=middlings,
            nearest_run=self._nearest(values[0]),
            warnings=(*off_steps, *self._outside(whole), *evidence.warnings),
            over={
                name: dict(zip(("low", "high"), each.ends, strict=True))
                for name, each in ({} if evidence.shift is None else evidence.shift.over).items()
            },
        )

    @cached_property
    def start(self) -> dict[str, float]:
        """The settings to start from: levels inside the limits, nearest to the latest run of the
        line; without runs, in the middle of the limits."""
        latest, found = self.situation.start(), {}
        for name, each in self.ranges.items():
            wanted = latest.get(name, (each.low + each.high) / 2.0)
            steps = np.rint((np.clip(wanted, each.low, each.high) - each.low) / each.setting.step)
            level = np.round(each.low + steps * each.setting.step, each.setting.decimals)
            found[name] = float(level)
        return found

    def _checked(self, settings: Mapping[str, float]) -> dict[str, float]:
        """All settings, in the order of the line, those left out as at the start.

        Raises:
            InputError: when a setting is unknown or outside the limits.
        """
        space = self.situation.evidence.space
        if set(settings) & set(space.gates):
            settings = values_on(space, settings, "settings")
        for name, value in settings.items():
            if name not in self.ranges:
                raise InputError(
                    f"there is no setting '{name[:60]}'.", hint=nearest(name, self.ranges)
                )
            if fault := self.ranges[name].fault(value):
                raise InputError(
                    fault, code="outside-limits", hint="Choose a value inside the limits."
                )
        whole = {name: float(settings.get(name, self.start[name])) for name in self.ranges}
        for coupling in self.situation.limits.region.couplings:
            total = sum(factor * whole[name] for name, factor in coupling.terms.items())
            slack = SLACK * (1.0 + abs(total))
            if not coupling.at_least - slack <= total <= coupling.at_most + slack:
                raise InputError(
                    f"these settings are outside the limit {coupling.describe()}: it is {total:g}.",
                    code="outside-limits",
                    hint="Change one of the settings that it names.",
                )
        return whole

    @cached_property
    def _tried(self) -> Floats:
        """Settings of the measured runs of the line, shape (n, d)."""
        evidence = self.situation.evidence
        return evidence.settings[evidence.measured]

    def _nearest(self, values: Floats) -> NearestRun | None:
        """The run nearest to settings, shape (d,), by shares of the range of each setting."""
        if not len(self._tried):
            return None
        space = self.situation.evidence.space
        away = np.sum((space.to_unit(self._tried) - space.to_unit(values)) ** 2, axis=1)
        # Of runs equally near, the latest.
        run = self._tried[len(away) - 1 - int(np.argmin(away[::-1]))]
        differs = {
            s.name: round(float(here - there), s.decimals + 3)
            for s, here, there in zip(space.settings, values, run, strict=True)
            if s.differ(here, there)
        }
        return NearestRun(dict(zip(space.names, map(float, run), strict=True)), differs)

    def _outside(self, settings: Mapping[str, float]) -> list[str]:
        """Warnings about settings that no run of the line came near."""
        said: list[str] = []
        for j, (name, value) in enumerate(settings.items()):
            if not len(self._tried):
                continue
            low, high = self._tried[:, j].min(), self._tried[:, j].max()
            setting = self.ranges[name].setting
            if value < low - 0.5 * setting.step or value > high + 0.5 * setting.step:
                said.append(
                    sentence(
                        "setting_outside",
                        name=name,
                        value=value,
                        unit=setting.unit,
                        low=float(low),
                        high=float(high),
                    )
                )
        return said
