"""Summarizes a history line by line: runs, set-points, dates, materials and gaps."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from optimizer.errors import InputError
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.plant.run_columns import EVEN
from optimizer.plant.site import Site
from optimizer.plant.time_zone import UTC_ZONE, TimeZone

GAP_DAYS = 7.0
"""A pause longer than this many days is reported, since the deck may have changed during it."""
GAPS_NAMED = 3
MICROSECONDS_A_DAY = 86_400_000_000
# Settings that agree to this many decimals are one set-point; converting units keeps far more.
SET_POINT_DIGITS = 9


@dataclass(frozen=True)
class TriedRange:
    """Lowest and highest level tried of one setting, in ``unit``; None when no run has a level."""

    setting: str
    unit: str
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Gap:
    """A long pause, in days, between the start of a run and the start of the next."""

    days: float
    begin: datetime
    end: datetime


@dataclass(frozen=True)
class LineSummary:
    """Summary of the runs of one line.

    Attributes:
        line: name of the line.
        runs, set_points, failed: number of runs, of distinct set-points, and of runs on a deck that
            was not even.
        first, last: start of the earliest and of the latest dated run; None without dates.
        materials: labels of the materials, in alphabetical order.
        settings: range tried of each setting.
        gaps: pauses longer than ``GAP_DAYS``, the longest first, at most ``GAPS_NAMED``.
    """

    line: str
    runs: int
    set_points: int
    first: datetime | None
    last: datetime | None
    failed: int
    materials: tuple[str, ...]
    settings: tuple[TriedRange, ...]
    gaps: tuple[Gap, ...]

    def as_dict(self) -> dict[str, Any]:
        """JSON form, an entry of ``lines`` in ``highside.history/1``."""
        return {
            "line": self.line,
            "runs": self.runs,
            "set_points": self.set_points,
            "first": None if self.first is None else iso(self.first),
            "last": None if self.last is None else iso(self.last),
            "failed": self.failed,
            "materials": list(self.materials),
            "settings": {
                s.setting: {"unit": s.unit, "low": s.low, "high": s.high} for s in self.settings
            },
            "gaps": [
                {"days": gap.days, "from": iso(gap.begin), "to": iso(gap.end)} for gap in self.gaps
            ],
        }


@dataclass(frozen=True)
class HistorySummary:
    """Summary of a history at one version.

    Attributes:
        version: number of the version; None for an empty history.
        lines: summaries of the lines that have runs, in alphabetical order.
        warnings: one for each line with runs whose stored times are impossible.
        time_zone: the time zone of the plant.
    """

    version: int | None
    lines: tuple[LineSummary, ...]
    warnings: tuple[str, ...] = ()
    time_zone: TimeZone = UTC_ZONE

    @property
    def runs(self) -> int:
        """Number of runs of all lines."""
        return sum(line.runs for line in self.lines)

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.history/1`` document."""
        return {
            "schema": "highside.history/1",
            "version": self.version,
            "runs": self.runs,
            "lines": [line.as_dict() for line in self.lines],
            **({} if self.time_zone.is_utc else {"time_zone": self.time_zone.name}),
            **({"warnings": list(self.warnings)} if self.warnings else {}),
        }


def summary_of_line(line: str, runs: pa.Table, site: Site) -> LineSummary:
    """Summarizes the runs of one line.

    Args:
        line: name of the line.
        runs: the line's runs, at least one, in the site's units and in order of time.
        site: the plant.
    """
    started = runs["started_at"].drop_null()
    return LineSummary(
        line=line,
        runs=runs.num_rows,
        set_points=set_points(runs, site.space_of(line).names),
        first=started[0].as_py() if len(started) else None,
        last=started[-1].as_py() if len(started) else None,
        failed=pc.sum(pc.not_equal(runs["deck_state"], EVEN)).as_py() or 0,
        materials=tuple(sorted(pc.unique(runs["material"].drop_null()).to_pylist())),
        settings=_ranges(line, runs, site),
        gaps=_gaps(started),
    )


def set_points(runs: pa.Table, settings: tuple[str, ...]) -> int:
    """Number of distinct combinations of the named settings among the runs."""
    if runs.num_rows == 0:
        return 0
    values = [runs[name].cast("float64").to_numpy() for name in settings]
    return count_of_set_points(np.column_stack(values))


def count_of_set_points(settings: NDArray[np.float64]) -> int:
    """Number of set-points among n runs, which is that of distinct settings; failed runs count.

    Every answer that states a number of set-points takes it from here.

    Args:
        settings: values of the settings of every run, shape (n, d); NaN where they are not known.
    """
    return len(set_points_of_runs(settings)[0])


def set_points_of_runs(
    settings: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """The u set-points among n runs, shape (u, d), and the set-point of each run, shape (n,)."""
    rounded = np.round(settings, SET_POINT_DIGITS)
    return distinct_rows(np.where(np.isnan(rounded), np.inf, rounded))


def _ranges(line: str, runs: pa.Table, site: Site) -> tuple[TriedRange, ...]:
    """Lowest and highest level tried of each setting."""
    ranges = []
    for setting in site.space_of(line).settings:
        ends = pc.min_max(runs[setting.name]).as_py()
        ranges.append(TriedRange(setting.name, setting.unit, ends["min"], ends["max"]))
    return tuple(ranges)


def _gaps(started: pa.ChunkedArray) -> tuple[Gap, ...]:
    """Long pauses between consecutive runs, the longest first."""
    pauses = np.diff(started.cast(pa.int64()).to_numpy()) / MICROSECONDS_A_DAY
    longest = [int(k) for k in np.argsort(-pauses, kind="stable")[:GAPS_NAMED]]
    return tuple(
        Gap(round(float(pauses[k]), 2), started[k].as_py(), started[k + 1].as_py())
        for k in longest
        if pauses[k] > GAP_DAYS
    )


def iso(moment: datetime) -> str:
    """A point in time as ISO 8601 with Z for UTC."""
    return moment.isoformat().replace("+00:00", "Z")


def moment(since: str | date | datetime, zone: TimeZone = UTC_ZONE) -> datetime:
    """Converts a date, time or ISO 8601 text to a time in UTC.

    Args:
        since: the date or time.
        zone: the time zone of a time without one.

    Raises:
        InputError: when a text is not an ISO 8601 date or time, or the time cannot be converted.
    """
    if isinstance(since, str):
        try:
            since = datetime.fromisoformat(since)
        except ValueError:
            raise InputError(
                f"'{since}' is not a date.", hint="Write year-month-day, such as 2025-03-04."
            ) from None
    try:
        return zone.instant(since)
    except OverflowError:
        raise InputError(
            f"'{since}' is not a date that can be compared.", hint="Write a date of this century."
        ) from None
