"""Divides readings over time into stretches at unchanged settings, and makes a run of each.

A stretch is a sequence of readings of one line without a long gap. It ends where a setting that
people type has another value, and at the change points of the settings that sensors read (see
``change_points``).

A reading may hold settings, results, or both. So a log of settings each minute and the results of
a laboratory, with the times of their samples, go together: a result belongs to the stretch in which
its sample was taken. A stretch without any result makes no run.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.intake.stretches.change_points import FEWEST, OUTSIDE, levels, scatter
from optimizer.intake.stretches.steady import averaged_run, floats, steady_part
from optimizer.plant.run_columns import EVEN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.history.stored_units import StoredUnits

    Mask = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Rows = NDArray[np.int64]

GAP_MINUTES = 10.0
"""Longest time in minutes between two readings of a stretch; a longer one begins a new stretch."""
SENSOR_GAP_MINUTES = 30.0
"""The same where a sensor reads the settings and they are equal on both sides: it dropped out."""
NONE = -1
"""Owner of a reading of which no run is made."""
_MICROSECONDS = 60_000_000
# A mean of sensor readings is one that can be set if it is this near, in its own standard errors
# and in steps.
_NEAR_ERRORS, _NEAR_STEPS = 3.0, 0.1


@dataclass(frozen=True)
class Stretches:
    """Runs made from n readings over time.

    Args:
        runs: one run for each stretch that has a result, in the schema of the run table.
        owner: index of the run of each reading, or ``NONE``, shape (n,).
        averaged: mask of the readings that are averaged, shape (n,).
        stretch: number of the stretch of each reading, or ``NONE``, shape (n,).
    """

    runs: pa.RecordBatch
    owner: Rows
    averaged: Mask
    stretch: Rows

    def readings(self, table: pa.Table, added: pa.RecordBatch) -> pa.Table:
        """The readings of the added runs, with the ids of their runs.

        Args:
            table: all n readings.
            added: those of the runs that were added, in their order.
        """
        place = pc.fill_null(pc.index_in(_places(self.runs), _places(added)), NONE)
        of_added = np.append(place.to_numpy(), NONE)[self.owner]  # NONE is the last entry
        kept = of_added != NONE
        ids = added.column("run_id").take(pa.array(of_added[kept]))
        table = table.filter(pa.array(kept)).drop_columns(["samples", "settled"])
        table = table.set_column(table.column_names.index("run_id"), "run_id", ids)
        return table.append_column("averaged", pa.array(self.averaged[kept]))


def _places(runs: pa.RecordBatch) -> pa.Array:
    """Log and row that each run came from, as one text."""
    row = runs.column("source_row").cast(pa.string())
    return pc.binary_join_element_wise(pc.fill_null(runs.column("source"), ""), row, "\n")


def runs_of_stretches(readings: pa.Table, units: StoredUnits) -> Stretches:
    """One run for each stretch of n readings over time, each of which has a time.

    The start of a run, and its place in the log, are those of the first averaged reading.

    Args:
        readings: the readings; those of a laboratory alone have no settings.
        units: the plant, with the steps of its settings, and the units of the readings.
    """
    order = pc.sort_indices(
        readings, [("line", "ascending"), ("started_at", "ascending")]
    ).to_numpy()
    table = readings.take(pa.array(order)).combine_chunks()
    stretch, aside, sensors = _stretches(table, units)
    owner, averaged = np.full(len(table), NONE), np.zeros(len(table), bool)
    rows: list[dict[str, Any]] = []
    by_stretch = np.argsort(stretch, kind="stable")
    ends = np.searchsorted(stretch[by_stretch], np.arange(stretch.max(initial=NONE) + 2))
    for a, b in pairwise(ends):
        members = by_stretch[a:b]
        inside = members[~aside[members]]
        part = table.take(pa.array(inside))
        if not _has_result(part):
            continue
        first, settled = steady_part(part)
        run = averaged_run(part.slice(first), settled)
        _as_set(run, part.slice(first), sensors[run["line"]], units)
        owner[members], averaged[inside[first:]] = len(rows), True
        rows.append(run)
    runs = pa.RecordBatch.from_pylist(rows, readings.schema)
    place = np.argsort(order)
    return Stretches(runs, owner[place], averaged[place], stretch[place])


def _has_result(part: pa.Table) -> bool:
    measured = any(part[name].null_count < len(part) for name in ("grade", "recovery"))
    return measured or bool(pc.any(pc.not_equal(part["deck_state"], EVEN)).as_py())


def _as_set(
    run: dict[str, Any], part: pa.Table, sensors: dict[str, float], units: StoredUnits
) -> None:
    """Replace the mean of what a sensor read by the step that it cannot be told from."""
    line = run["line"]
    for name, spread in sensors.items():
        setting, stored = units.site.space_of(line)[name], units.conversion(name, line)
        mean = float(stored.inverse(np.array(run[name])))
        index = np.clip(np.rint((mean - setting.low) / setting.step), 0, setting.top)
        step = float(setting.values(index)[()])
        error = spread / np.sqrt(len(part))
        if abs(mean - step) <= max(_NEAR_ERRORS * error, _NEAR_STEPS * setting.step):
            run[name] = float(stored(np.array(step)))
        else:  # a sensor may read a little outside the range that can be set
            run[name] = float(stored(np.clip(mean, setting.low, setting.high)))


# -- stretches -----------------------------------------------------------------------------------


def _stretches(
    table: pa.Table, units: StoredUnits
) -> tuple[Rows, Mask, dict[str, dict[str, float]]]:
    """The stretch of each reading, in the order of line and time.

    Returns:
        The number of the stretch of each reading, or ``NONE``, shape (n,); a mask of the readings
        that are not averaged, as a setting was on its way or a sensor dropped out, shape (n,); for
        each line, the scatter of the settings that sensors read.
    """
    stretch, aside = np.full(len(table), NONE), np.zeros(len(table), bool)
    names = [name for name in units.site.setting_names if name in table.column_names]
    with_settings = _any_filled(table, names)
    sensors: dict[str, dict[str, float]] = {}
    for line, rows in _by_line(table):
        own = rows[with_settings[rows]]
        part = table.take(pa.array(own))
        sensors[line] = _sensors(part, units, line)
        number, aside[own] = _divided(part, names, sensors[line], units, line)
        stretch[own] = number + stretch.max(initial=NONE) + 1
        lone = rows[~with_settings[rows]]
        if len(lone) and len(own):
            stretch[lone] = _stretch_at(_times(table)[lone], _times(part), stretch[own])
    return stretch, aside, sensors


def _by_line(table: pa.Table) -> Iterator[tuple[str, Rows]]:
    codes = table["line"].combine_chunks().dictionary_encode()
    numbers = codes.indices.to_numpy()
    for k, line in enumerate(codes.dictionary.to_pylist()):
        yield line, np.flatnonzero(numbers == k)


def _any_filled(table: pa.Table, names: Sequence[str]) -> Mask:
    filled = np.zeros(len(table), bool)
    for name in names:
        filled |= ~np.isnan(floats(table, name))
    return filled


def _declared(part: pa.Table, name: str, units: StoredUnits, line: str) -> Floats:
    """A setting of readings of one line in the unit that the site declares, shape (n,)."""
    return np.asarray(units.conversion(name, line).inverse(floats(part, name)))


def _sensors(part: pa.Table, units: StoredUnits, line: str) -> dict[str, float]:
    """The scatter of each setting of a line that a sensor reads, by name, in declared units."""
    found = {}
    for setting in units.site.space_of(line).settings:
        values = _declared(part, setting.name, units, line)
        if np.isnan(values).any():
            continue
        spread = scatter(values, setting.step, setting.low)
        if spread > 0.0:
            found[setting.name] = spread
    return found


def _divided(
    part: pa.Table, names: Sequence[str], sensors: dict[str, float], units: StoredUnits, line: str
) -> tuple[Rows, Mask]:
    """The stretch of each reading of one line that has settings, from 0, and those set aside."""
    typed = [name for name in names if name not in sensors]
    apart = changes(part, typed, SENSOR_GAP_MINUTES if sensors else GAP_MINUTES)
    starts = np.flatnonzero(np.concatenate([[True], apart]))[: len(part)]
    number, aside = np.zeros(len(part), np.int64), np.zeros(len(part), bool)
    number[starts[1:]] = 1
    number = np.cumsum(number)
    if not sensors:
        return number, aside
    space = units.site.space_of(line)
    values = np.column_stack([_declared(part, name, units, line) for name in sensors])
    steps = np.array([space[name].step for name in sensors])
    following = 0
    for a, b in zip(starts, [*starts[1:], len(part)], strict=True):
        level = levels(values[a:b], np.array(list(sensors.values())), steps)
        aside[a:b] = level == OUTSIDE
        number[a:b] = following + _of_next_level(level)
        following = int(number[a:b].max()) + 1
    return number, aside


def _of_next_level(level: Rows) -> Rows:
    """Levels of readings, those between two levels with the later one, the last with the last."""
    known = np.where(level == OUTSIDE, np.iinfo(np.int64).max, level)
    after = np.minimum.accumulate(known[::-1])[::-1]
    return np.minimum(after, level.max())


def _stretch_at(times: Rows, of_settings: Rows, stretch: Rows) -> Rows:
    """The stretch in which each sample was taken, or ``NONE`` where the settings are not known.

    Args:
        times: times of the samples, shape (m,).
        of_settings, stretch: times and stretches of readings of settings, in order, shape (n,).
    """
    after = np.searchsorted(of_settings, times, side="right")
    before = np.maximum(after - 1, 0)
    after = np.minimum(after, len(of_settings) - 1)
    gap = GAP_MINUTES * _MICROSECONDS
    near_before = np.abs(times - of_settings[before]) <= gap
    near_after = np.abs(of_settings[after] - times) <= gap
    same = (stretch[before] == stretch[after]) & (before < after)
    # A sample at the end of a stretch is of that stretch, though it was carried away after it.
    return np.where(same | near_before, stretch[before], np.where(near_after, stretch[after], NONE))


def looks_sampled(runs: pa.RecordBatch, units: StoredUnits) -> tuple[int, int]:
    """Number of runs that are in stretches of three or more, and number of all runs.

    Args:
        runs: the runs in the order of their log.
        units: the plant and the units of the runs.
    """
    n = len(runs)
    if n < FEWEST or runs.column("started_at").null_count == n:
        return 0, n
    times = runs.column("started_at").drop_null().cast(pa.int64()).to_numpy()
    close = np.abs(np.diff(times)) <= GAP_MINUTES * _MICROSECONDS
    if 2 * close.sum() < n - 1:
        return 0, n
    table = pa.Table.from_batches([runs])
    sensors = _sensors(table, units, table["line"][0].as_py())
    typed = [name for name in units.site.setting_names if name not in sensors]
    same = ~changes(table, typed, GAP_MINUTES)
    pair = same[:-1] & same[1:]
    inside = np.zeros(n, bool)
    for shift in range(3):
        inside[shift : n - 2 + shift] |= pair
    return int(inside.sum()), n


def _times(table: pa.Table) -> Rows:
    """Times in microseconds since 1970, -1 where there is none, shape (n,)."""
    return np.asarray(pc.fill_null(table["started_at"].cast(pa.int64()), -1).to_numpy())


def changes(table: pa.Table, settings: Sequence[str], gap_minutes: float) -> Mask:
    """Whether a stretch ends between a reading and the next one, shape (n - 1,)."""
    times = _times(table)
    step = np.diff(times)
    undated = times < 0
    changed = (step < 0) | (step > gap_minutes * _MICROSECONDS) | undated[1:] | undated[:-1]
    for name in settings:
        values = floats(table, name)
        both_empty = np.isnan(values[1:]) & np.isnan(values[:-1])
        changed |= (values[1:] != values[:-1]) & ~both_empty
    keys = ["line", "material", "deck_state"]
    ids = table["run_id"]
    if ids.null_count < len(ids) and pc.count_distinct(ids).as_py() < len(ids) - ids.null_count:
        keys.append("run_id")  # an id that several readings share is the id of their trial
    for name in keys:
        column = table[name].combine_chunks()
        if not changed.all() and column.null_count < len(column):
            codes = column.dictionary_encode(null_encoding="encode").indices.to_numpy()
            changed |= codes[1:] != codes[:-1]
    return np.asarray(changed)
