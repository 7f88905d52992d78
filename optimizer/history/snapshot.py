"""A snapshot: a history at one version, from which plans, diagnoses and comparisons are made.

Other loads may commit at any moment, but a snapshot does not see their runs. It reads the runs of
each line at most once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeAlias, runtime_checkable

import pyarrow as pa
import pyarrow.compute as pc
from deltalake import DeltaTable

from optimizer.errors import InputError, nearest
from optimizer.history.description import Description, description_of
from optimizer.history.exporting import without_empty_settings, write_table
from optimizer.history.schema import PROVENANCE
from optimizer.history.sources import GivenRuns, NoRuns, RunSource, StoredRuns
from optimizer.history.start_times import (
    misdated,
    unmarked,
)
from optimizer.history.storage.event_log import Event
from optimizer.history.storage.place import Place
from optimizer.history.storage.version_log import VersionEntry
from optimizer.history.summary import HistorySummary, LineSummary, moment, summary_of_line
from optimizer.plant.site import Site
from optimizer.plant.time_zone import UTC_ZONE

if TYPE_CHECKING:
    Source: TypeAlias = "Snapshot | Versioned | pa.Table | Frame"


@dataclass(frozen=True)
class Snapshot:
    """The runs of a history at one version.

    ``History.at`` makes a snapshot of a version; ``Snapshot.of_table`` makes one from runs that are
    in no history. A process that receives a pickled snapshot opens the same version of the same
    history.

    Attributes:
        version: number of the version; None for an empty history and for runs given as a table.

    Raises:
        HistoryError: from every method, when the files of the version cannot be read.
    """

    version: int | None
    _source: RunSource = field(repr=False, compare=False)

    @classmethod
    def of_table(cls, runs: pa.Table) -> Snapshot:
        """A snapshot of runs given as a table.

        Args:
            runs: sorted by line, start (undated last) and run id; in the site's units.
        """
        return cls(None, GivenRuns(runs))

    @classmethod
    def of_version(cls, place: Place, table: DeltaTable | None) -> Snapshot:
        """A snapshot of the version at which a table was opened.

        Args:
            place: location of the history.
            table: the opened table; None for an empty history.
        """
        if table is None:
            return cls(None, NoRuns())
        return cls(table.version(), StoredRuns(place, table))

    @property
    def lines(self) -> tuple[str, ...]:
        """Names of the lines that have runs, in alphabetical order; no run is read for it."""
        return self._source.lines

    @property
    def written(self) -> datetime | None:
        """When the newest data file of the version was written; None when there is no version."""
        return self._source.written

    @property
    def events(self) -> tuple[Event, ...]:
        """What happened to the history up to this version besides loads, oldest first."""
        return self._source.events

    def loads(self, line: str) -> tuple[VersionEntry, ...]:
        """The newest versions up to this one that added runs of a line, oldest first.

        Args:
            line: name of the line.
        """
        return self._source.loads(line)

    @property
    def description(self) -> Description:
        """What the history says of itself at this version: units, meanings, headings."""
        return description_of(self.events)

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the stored columns."""
        return self._source.columns

    def chosen_lines(self, asked: Sequence[str] | None = None) -> tuple[str, ...]:
        """The names of the lines to use, each once: those asked for, or all that have runs.

        Raises:
            InputError: when a line has no runs.
        """
        for line in asked or ():
            if line not in self.lines:
                raise InputError(f"line '{line}' has no runs.", hint=nearest(line, self.lines))
        return tuple(dict.fromkeys(asked)) if asked else self.lines

    def runs(
        self,
        site: Site | None = None,
        lines: Sequence[str] | None = None,
        since: str | date | datetime | None = None,
    ) -> pa.Table:
        """The runs, sorted by line, start (undated last) and run id.

        A run whose stored time is impossible (see ``start_times``) is returned without a time.
        It comes first among the runs of its line, so that it is never taken for the latest one. The
        additional column ``MISDATED`` then contains the stored time as text.

        Args:
            site: the plant, in whose units settings and feed grade are returned, with every column
                that it declares; when None, stored units and stored columns are returned.
            lines: names of the lines to read, all when None; a line without runs adds nothing.
            since: only runs that started at or after this moment (in the plant's time zone when it
                has no zone) are returned, and no undated ones; all runs when None.

        Raises:
            InputError: when ``since`` is a text but not an ISO 8601 date or time, or the history
                has a column in a unit that cannot be converted to the site's.
        """
        zone = UTC_ZONE if site is None else site.time_zone
        begin = None if since is None else moment(since, zone)
        return _since(self._source.runs(site, lines), begin)

    def batches(
        self, columns: Sequence[str] | None = None, lines: Sequence[str] | None = None
    ) -> Iterator[pa.RecordBatch]:
        """Stored runs batch by batch, in no fixed order; the batches are not kept in memory.

        Args:
            columns: names of the columns to read, all when None; one that is not stored is skipped.
            lines: names of the lines to read; all when None.
        """
        return self._source.batches(columns, lines)

    def keys(self, lines: Sequence[str] | None = None) -> Iterator[pa.RecordBatch]:
        """Batches of the columns that distinguish a known run from a new one: all except notes
        and provenance.

        Args:
            lines: names of the lines to read; all when None.
        """
        names = [n for n in self._source.columns if n not in ("note", *PROVENANCE)]
        return self.batches(names, lines)

    def known_runs(self, lines: Sequence[str] | None = None) -> Iterator[pa.RecordBatch]:
        """Batches of the columns of ``keys``, and of the name of the log of each run.

        Args:
            lines: names of the lines to read; all when None.
        """
        names = [n for n in self._source.columns if n not in ("note", *PROVENANCE[1:])]
        return self.batches(names, lines)

    def summary(
        self,
        site: Site | None = None,
        line: str | None = None,
        since: str | date | datetime | None = None,
    ) -> HistorySummary:
        """Summarizes the runs of each line; only one line at a time is in memory.

        Args:
            site: the plant; the defaults when None.
            line: name of the only line to summarize; all lines when None.
            since: only runs that started at or after this moment are counted; all when None.

        Raises:
            InputError: when ``since`` is a text but not an ISO 8601 date or time.
        """
        site = site or Site()
        begin = None if since is None else moment(since, site.time_zone)
        found: list[LineSummary] = []
        warnings: list[str] = []
        for name in self.lines if line is None else (line,):
            runs = self._source.runs(site, [name], keep=False)
            warnings += misdated(runs)
            runs = _since(runs, begin)
            if runs.num_rows:
                found.append(summary_of_line(name, runs, site))
        return HistorySummary(self.version, tuple(found), tuple(warnings), site.time_zone)

    def export(
        self,
        path: str | Path,
        site: Site | None = None,
        line: str | None = None,
        since: str | date | datetime | None = None,
    ) -> int:
        """Writes runs to CSV or Parquet in the site's units.

        Loading the file with the same site gives the same runs. Impossible times are left out.

        Args:
            path: path of the file; its suffix says the format.
            site: the plant; the defaults when None.
            line: name of the only line to write; all lines when None.
            since: only runs that started at or after this moment are written; all when None.

        Returns:
            The number of runs.

        Raises:
            InputError: when the suffix is neither ``.csv`` nor ``.parquet``, or the file cannot be
                written.
        """
        lines = None if line is None else [line]
        plant = site or Site()
        return write_table(
            Path(path),
            lambda: without_empty_settings(
                unmarked(self.runs(plant, lines=lines, since=since)), plant
            ),
        )


class Versioned(Protocol):
    """Anything that gives snapshots of its versions, as ``History`` does."""

    def at(self, version: int | None = None) -> Snapshot:
        """The snapshot of a version, or of the latest version when None."""
        ...


def snapshot_of(source: Source, site: Site | None = None) -> Snapshot:
    """Turns any source of runs into a snapshot.

    Args:
        source: a snapshot, which is returned as it is; or a history, whose latest version is used;
            or runs as a table or a data frame in the site's units.
        site: the plant, by whose names a data frame is read; the defaults when None.

    Raises:
        InputError: when a data frame has columns or values that no run can have.
    """
    if isinstance(source, Snapshot):
        return source
    if isinstance(source, pa.Table):
        return Snapshot.of_table(source)
    if isinstance(source, Frame):
        # By name, since the doors to other libraries stand above all rooms.
        frames = import_module("optimizer.interop.frames")
        return Snapshot.of_table(frames.runs_of_frame(source, site))
    return source.at()


@runtime_checkable
class Frame(Protocol):
    """Any data frame that offers its columns as Arrow streams, as those of pandas do."""

    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object:
        """The columns, by the Arrow PyCapsule interface."""
        ...


def _since(runs: pa.Table, begin: datetime | None) -> pa.Table:
    """The runs that started at or after a moment; all runs when the moment is None."""
    return runs if begin is None else runs.filter(pc.greater_equal(runs["started_at"], begin))
