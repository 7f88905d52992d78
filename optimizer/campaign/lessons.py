"""What batches taught: the best reading so far, the surprise, the feed and time spent."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from optimizer.history.issued import DONE, IssuedBatch, IssuedTrial
from optimizer.history.summary import iso
from optimizer.interval import rounded
from optimizer.plant.brief import Brief
from optimizer.plant.mass import TONNE, MassUnit
from optimizer.plant.site import Site

Surprises = Sequence[Mapping[str, float | None] | None]


@dataclass(frozen=True)
class BestReading:
    """The trial with the highest reading of the recovery among those that met the grade."""

    trial: str
    grade: float
    recovery: float

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return {
            "trial": self.trial,
            "grade": rounded(self.grade),
            "recovery": rounded(self.recovery),
        }


@dataclass(frozen=True)
class Lesson:
    """What a batch taught, so far if it is open.

    Attributes:
        batch, line: id of the batch, and its line.
        closed_at: when it was closed; None while it is open.
        done, failed, skipped, left: numbers of trials with a result on an even deck, with a failed
            one, skipped, and not run.
        met: number of results whose grade met the grade to reach; None where none was asked.
        best_so_far: the best reading of this batch and of the earlier batches of the line that
            meets this batch's grade; None while there is none. It is a reading: as the highest of
            several it is likely to be above its true value.
        surprise: root mean square of z over the results, by quantity; about 1 where the plan's
            intervals are right. None without a result that was expected.
        material_t: feed that the trials took, t; None where the feed rate is not a setting.
        minutes: time that the trials took.
        mass: unit in which the plant tells the feed.
    """

    batch: str
    line: str
    closed_at: datetime | None
    done: int
    failed: int
    skipped: int
    left: int
    met: int | None
    best_so_far: BestReading | None
    surprise: Mapping[str, float | None]
    material_t: float | None
    minutes: float
    mass: MassUnit = TONNE

    @property
    def material_mass(self) -> float | None:
        """Feed that the trials took, in the plant's unit of mass."""
        return rounded(self.mass.of_tonnes(self.material_t))

    def as_dict(self) -> dict[str, Any]:
        """JSON form, part of ``highside.batches/1``."""
        return {
            "batch": self.batch,
            "line": self.line,
            "closed_at": None if self.closed_at is None else iso(self.closed_at),
            "done": self.done,
            "failed": self.failed,
            "skipped": self.skipped,
            "left": self.left,
            "met": self.met,
            "best_so_far": None if self.best_so_far is None else self.best_so_far.as_dict(),
            "surprise": {name: rounded(z) for name, z in self.surprise.items()},
            "material_t": rounded(self.material_t),
            "material_mass": self.material_mass,
            "mass_unit": self.mass.name,
            "minutes": rounded(self.minutes),
        }


class BestReadings:
    """The readings of a season of which one is the best at some grade, by line.

    Readings that an other one of the line makes needless are left out, so that the best one so far
    is found without going through all batches again for each of them.

    Args:
        before: by line, readings on an even deck in the order in which their trials were planned;
            rows with ``run_id``, ``grade`` and ``recovery``.
    """

    def __init__(self, before: Mapping[str, Sequence[Mapping[str, Any]]]) -> None:
        self._kept: dict[str, list[Mapping[str, Any]]] = {}
        for line, runs in before.items():
            for run in runs:
                self.add(line, run)

    def add(self, line: str, run: Mapping[str, Any]) -> None:
        """Add a reading of a line; one that lacks grade or recovery does not count."""
        kept = self._kept.setdefault(line, [])
        grade, recovery = run.get("grade"), run.get("recovery")
        if grade is None or recovery is None:
            return
        if any(each["grade"] >= grade and each["recovery"] >= recovery for each in kept):
            return
        kept[:] = [each for each in kept if each["grade"] > grade or each["recovery"] >= recovery]
        kept.append(run)

    def best(self, line: str, goal: float | None) -> BestReading | None:
        """The highest recovery at a grade, of equal ones the first; None without a reading."""
        met = [run for run in self._kept.get(line, ()) if _meets(run, goal)]
        if not met:
            return None
        best = max(met, key=lambda run: run["recovery"])
        return BestReading(best["run_id"], best["grade"], best["recovery"])


def lesson_of(
    batch: IssuedBatch, surprises: Surprises, readings: BestReadings, site: Site
) -> Lesson:
    """What a batch taught, so far if it is open.

    Args:
        batch: the batch, settings in the units of the site.
        surprises: the surprise of each trial.
        readings: those of the batches before it, to which its own are added.
        site: the plant.
    """
    count = {state: sum(t.state == state for t in batch.trials) for state in
             ("done", "failed", "skipped", "to run", "running")}  # fmt: skip
    run = [trial for trial in batch.trials if trial.run is not None]
    goal = batch.plan["goal"]["min_grade"]
    minutes = Brief.from_dict(batch.brief, "the batch's brief").trials.minutes
    done = [t.run or {} for t in batch.trials if t.state == DONE]
    for each in done:
        readings.add(batch.line, each)
    return Lesson(
        batch=batch.batch,
        line=batch.line,
        closed_at=batch.closed_at,
        done=count["done"],
        failed=count["failed"],
        skipped=count["skipped"],
        left=count["to run"] + count["running"],
        met=None if goal is None else sum(_meets(each, goal) for each in done),
        best_so_far=readings.best(batch.line, goal),
        surprise={name: _root_mean_square(surprises, name) for name in ("grade", "recovery")},
        material_t=_feed(run, minutes, site.tonnes_per_hour(batch.line)),
        minutes=minutes * len(run),
        mass=site.mass,
    )


def _meets(run: Mapping[str, Any], goal: float | None) -> bool:
    """Whether both readings are there and the grade meets a goal."""
    grade, recovery = run.get("grade"), run.get("recovery")
    return grade is not None and recovery is not None and (goal is None or grade >= goal)


def _root_mean_square(surprises: Surprises, name: str) -> float | None:
    found = [z for each in surprises if each is not None and (z := each[name]) is not None]
    return math.sqrt(sum(z * z for z in found) / len(found)) if found else None


def _feed(trials: Sequence[IssuedTrial], minutes: float, tonnes_per_hour: float) -> float | None:
    """Feed that trials took as they were run, t; None where a run states no feed rate."""
    rates = [(trial.as_run or {}).get("feed_rate") for trial in trials]
    known = [rate for rate in rates if rate is not None]
    if len(known) < len(rates) or not rates:
        return None if rates else 0.0
    return sum(known) * tonnes_per_hour * minutes / 60.0
