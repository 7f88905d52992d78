"""The evidence of one line as one frozen record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.evidence.shift import Shift
from optimizer.gaussian_process.kernel import LABELS, LINES, Grouping
from optimizer.history.summary import count_of_set_points
from optimizer.measurement.run_readings import RunReadings
from optimizer.measurement.share_readings import ShareReadings
from optimizer.plant.profiles import profiles_of
from optimizer.plant.settings import SettingSpace
from optimizer.plant.time_zone import UTC_ZONE, TimeZone

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Evidence:
    """The runs of one line as arrays that a model is fitted to.

    Attributes:
        space: the settings of the line.
        line: name of the line; None when the history is empty and no line was named.
        settings: values of the settings of every run, failed runs included, shape (n, d).
        context: material inputs of every run, in unit coordinates, shape (n, m).
        today: material inputs of today's material, shape (m,).
        readings: grade and recovery of every run with their errors, NaN where a failed trial has no
            reading.
        middlings_share, middlings_grade: readings of middlings that are kept as a product, of every
            run.
        feed_odds: log odds of the feed grade of every run, shape (n,).
        feed_odds_today: log odds of today's feed grade.
        feed_grade_known: whether the feed grade was measured or stated rather than guessed.
        even: whether the deck ran even, shape (n,).
        started: start of each run in UTC, NaT where it is unknown, shape (n,).
        material: today's material as the plan reports it.
        warnings: sentences about what the runs cannot show.
        number: number of each run's line, shape (n,): 0 for the line itself, 1 and up for the lines
            that runs are borrowed from.
        by_line: whether runs are borrowed from other lines; the number of the line is then an
            input.
        label: number of the label of each run's material, shape (n,): 0 for today's label, 1 and up
            for the others where labels are groups of runs (see ``labels``).
        other_labels: these others, in the order of their numbers. Where there are some, the number
            of the label is an input.
        borrowed: evidence of measured runs of other lines, where this line has few runs; else None.
        zone: time zone of the plant.
        lot: number of the lot of each run, shape (n,); -1 where it names none.
        now: the moment that the plan is for, in UTC; None where neither the brief nor a run of the
            line says one.
        events: moments of known events of the line, in UTC.
        shift: the materials of the shift where the material varies; else None.
    """

    space: SettingSpace
    line: str | None
    settings: Floats
    context: Floats
    today: Floats
    readings: RunReadings
    middlings_share: ShareReadings
    middlings_grade: ShareReadings
    feed_odds: Floats
    feed_odds_today: float
    feed_grade_known: bool
    even: NDArray[np.bool_]
    started: NDArray[np.datetime64]
    material: Mapping[str, Any]
    warnings: tuple[str, ...]
    number: Floats
    by_line: bool
    label: Floats
    other_labels: tuple[str, ...]
    lot: NDArray[np.int64]
    now: np.datetime64 | None
    events: tuple[np.datetime64, ...]
    borrowed: Evidence | None = None
    zone: TimeZone = UTC_ZONE
    shift: Shift | None = None

    @property
    def started_by_clock(self) -> NDArray[np.datetime64]:
        """Start of each run as the clocks of the plant showed it, NaT where unknown, shape (n,)."""
        return self.by_clock(self.started)

    def by_clock(self, moments: NDArray[np.datetime64]) -> NDArray[np.datetime64]:
        """Moments in UTC as the clocks of the plant show them, shape (n,)."""
        known = ~np.isnat(moments)
        found = moments.copy()
        clock = self.zone.to_clock(moments[known].astype(np.int64))
        found[known] = clock.astype("datetime64[us]")
        return found

    @property
    def grade(self) -> Floats:
        """Reading of the grade of each run, a fraction, NaN where it is missing, shape (n,)."""
        return self.readings.grade

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Which runs have readings of both grade and recovery, shape (n,)."""
        return self.readings.measured

    @property
    def set_points(self) -> int:
        """Number of distinct settings among the runs."""
        return count_of_set_points(self.settings)

    @property
    def inputs(self) -> Floats:
        """Settings and material in unit coordinates, shape (n, d + m); with the number of the label
        where labels are groups, and that of the line where runs are borrowed, as g more columns,
        shape (n, d + m + g). Gates are described by their profile (see
        ``plant.profiles``)."""
        inputs = [np.round(profiles_of(self.space).inputs(self.settings), 9), self.context]
        numbers = (self.label, self.by_label), (self.number, self.by_line)
        return np.hstack([*inputs, *(each[:, None] for each, used in numbers if used)])

    @property
    def quantities(self) -> Floats:
        """Settings and material in unit coordinates, with each label as one input that is 0 or 1
        where labels are groups: ``inputs`` for a model without groups."""
        unit = np.round(profiles_of(self.space).inputs(self.settings), 9)
        labels = np.unique(self.label)
        each = self.label[:, None] == labels
        return np.hstack([unit, self.context, *([each.astype(float)] if self.by_label else [])])

    @property
    def by_label(self) -> bool:
        """Whether labels of the material are groups of runs."""
        return bool(self.other_labels)

    @property
    def groupings(self) -> tuple[Grouping, ...]:
        """How the groups of runs correlate whose numbers are the last inputs."""
        each = (LABELS, self.by_label), (LINES, self.by_line)
        return tuple(grouping for grouping, used in each if used)

    def inputs_today(self, index: NDArray[np.int64]) -> Floats:
        """Lattice points, shape (k, d), with today's material, in the columns of ``inputs``."""
        return self.inputs_with(index, self.today)

    def inputs_with(self, index: NDArray[np.int64], material: Floats) -> Floats:
        """Lattice points, shape (k, d), with a material, shape (m,), in the columns of
        ``inputs``."""
        return self.inputs_at(self.space.values(index), material)

    def inputs_at(self, values: Floats, material: Floats | None = None) -> Floats:
        """Values of the settings, shape (k, d), on the lattice or not, with a material, shape (m,),
        today's when None, in the columns of ``inputs``."""
        return self.inputs_at_unit(np.round(profiles_of(self.space).inputs(values), 9), material)

    def inputs_at_unit(self, unit: Floats, material: Floats | None = None) -> Floats:
        """Settings in unit coordinates, shape (k, d), with a material, shape (m,), today's when
        None, and with today's label, in the columns of ``inputs``."""
        inputs = np.tile(self.today if material is None else material, (len(unit), 1))
        return np.hstack([unit, inputs, np.zeros((len(unit), len(self.groupings)))])

    def alone(self) -> Evidence:
        """This evidence without the runs borrowed from other lines."""
        return replace(self, by_line=False, borrowed=None)

    def take(self, rows: NDArray[np.bool_]) -> Evidence:
        """The evidence with only the runs of a mask or index."""
        each = {
            f.name: getattr(self, f.name)[rows]
            for f in fields(self)
            if isinstance(getattr(self, f.name), np.ndarray) and f.name != "today"
        }
        of_runs = ("readings", "middlings_share", "middlings_grade")
        each |= {name: getattr(self, name).take(rows) for name in of_runs}
        return replace(self, **each)
