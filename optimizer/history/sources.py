"""Where a snapshot reads its runs: files of a stored version, a table, or an empty history."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import cached_property
from typing import Protocol

import pyarrow as pa
import pyarrow.compute as pc
from deltalake import DeltaTable
from deltalake.exceptions import DeltaError

from optimizer.history.description import description_of
from optimizer.history.schema import in_schema, run_schema, schema_of
from optimizer.history.start_times import MISDATED, latest_start, without_impossible_times
from optimizer.history.storage.commits import MARK
from optimizer.history.storage.event_log import Event, events_until
from optimizer.history.storage.kept_events import kept_events
from optimizer.history.storage.place import Place
from optimizer.history.storage.run_files import DataFile, read_runs, stated_files
from optimizer.history.storage.table import RunTable, files_of, written_at
from optimizer.history.storage.version_log import VersionEntry, version_entries
from optimizer.history.stored_units import StoredUnits
from optimizer.numerics.sorting import sorted_by
from optimizer.plant.site import Site

_FEATURES = {"timestampNtz"}
"""Features of the Delta protocol, needed to read a table, that this module knows. Others change
which runs or columns a file stands for."""
MOST_VERSIONS = 100
"""Number of newest versions among which loads are looked for, since each is a file of its own."""
_ORDER = ("line", "started_at", "run_id")


class RunSource(Protocol):
    """The source of a snapshot's runs."""

    @property
    def lines(self) -> tuple[str, ...]:
        """Names of the lines that have runs, in alphabetical order."""

    @property
    def written(self) -> datetime | None:
        """When the newest data file was written; None when there is none."""

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the stored columns."""

    @property
    def events(self) -> tuple[Event, ...]:
        """What happened to the history besides loads, oldest first."""

    def loads(self, line: str) -> tuple[VersionEntry, ...]:
        """The newest versions that added runs of a line, oldest first."""

    def runs(self, site: Site | None, lines: Sequence[str] | None, keep: bool = True) -> pa.Table:
        """Sorted runs of some lines, or of all when None, in the units of a site, or in stored
        units when None; ``keep`` says whether they stay in memory."""

    def batches(
        self, columns: Sequence[str] | None, lines: Sequence[str] | None
    ) -> Iterator[pa.RecordBatch]:
        """Stored runs of some lines and columns, or of all when None, batch by batch."""


class NoRuns:
    """The source of an empty history."""

    lines: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    written: datetime | None = None
    events: tuple[Event, ...] = ()

    def loads(self, line: str) -> tuple[VersionEntry, ...]:
        return ()

    def runs(self, site: Site | None, lines: Sequence[str] | None, keep: bool = True) -> pa.Table:
        return schema_of(site or Site()).empty_table()

    def batches(
        self, columns: Sequence[str] | None, lines: Sequence[str] | None
    ) -> Iterator[pa.RecordBatch]:
        return iter(())


class GivenRuns:
    """The source of a snapshot of a table; the runs are returned as they are."""

    written: datetime | None = None
    events: tuple[Event, ...] = ()

    def __init__(self, table: pa.Table) -> None:
        self._table = table

    def loads(self, line: str) -> tuple[VersionEntry, ...]:
        return ()

    @cached_property
    def lines(self) -> tuple[str, ...]:
        return tuple(sorted(pc.unique(self._table["line"]).drop_null().to_pylist()))

    @property
    def columns(self) -> tuple[str, ...]:
        return tuple(self._table.column_names)

    def runs(self, site: Site | None, lines: Sequence[str] | None, keep: bool = True) -> pa.Table:
        if lines is None:
            return self._table
        return self._table.filter(pc.is_in(self._table["line"], pa.array(lines, pa.string())))

    def batches(
        self, columns: Sequence[str] | None, lines: Sequence[str] | None
    ) -> Iterator[pa.RecordBatch]:
        runs = self.runs(None, lines)
        known = [name for name in columns or self.columns if name in self.columns]
        yield from runs.select(known).to_batches()


class StoredRuns:
    """The source of a stored version; the runs of each line are read once and kept in memory."""

    def __init__(self, place: Place, table: DeltaTable) -> None:
        self._place, self._table = place, table
        self._kept: dict[str, pa.Table] = {}

    def __reduce__(self) -> tuple[object, ...]:
        return _reopened, (self._place.absolute(), self._table.version())

    @cached_property
    def lines(self) -> tuple[str, ...]:
        return tuple(sorted({part["line"] for part in self._table.partitions()}))

    @cached_property
    def written(self) -> datetime:
        return written_at(self._table)

    @property
    def columns(self) -> tuple[str, ...]:
        return tuple(field.name for field in self._table.schema().fields)

    @cached_property
    def events(self) -> tuple[Event, ...]:
        try:
            if self._place.folder is not None:
                return kept_events(self._place.folder, self._table.version())
            return events_until(self._place.filesystem, self._table.version())
        except (OSError, ValueError, pa.ArrowException) as error:
            raise self._place.damaged(error) from None

    def loads(self, line: str) -> tuple[VersionEntry, ...]:
        try:
            at = self._place.filesystem, self._table.version(), MOST_VERSIONS, MARK
            return tuple(each for each in version_entries(*at) if line in each.added)[::-1]
        except (OSError, ValueError, KeyError, pa.ArrowException) as error:
            raise self._place.damaged(error) from None

    @cached_property
    def _files(self) -> list[DataFile]:
        unknown = {*(self._table.protocol().reader_features or ())} - _FEATURES
        if unknown:
            raise self._place.damaged(f"reading it needs {', '.join(sorted(unknown))}")
        return stated_files(files_of(self._table))

    @cached_property
    def _schema(self) -> pa.Schema:
        return pa.schema(self._table.schema().to_arrow())

    def batches(
        self, columns: Sequence[str] | None, lines: Sequence[str] | None
    ) -> Iterator[pa.RecordBatch]:
        known = [c for c in columns or self.columns if c in self.columns]
        schema = pa.schema([self._schema.field(name) for name in known])
        try:
            for file in self._files:
                if lines is None or file.line in lines:
                    yield from read_runs(self._place.filesystem, file, schema)
        except (DeltaError, OSError, pa.ArrowException) as error:
            raise self._place.damaged(error) from None

    def runs(self, site: Site | None, lines: Sequence[str] | None, keep: bool = True) -> pa.Table:
        names = [n for n in self.lines if lines is None or n in lines]
        missing = [n for n in names if n not in self._kept]
        read = self._read(missing)
        by_line = {**self._kept, **_by_line(read)}
        if missing != names:
            parts = [by_line[n] for n in names if n in by_line]
            read = pa.concat_tables(parts, promote_options="default").combine_chunks()
        if keep:
            self._kept = by_line
        table = in_schema(read, schema_of(site or Site()))
        if site is None:
            return table
        return StoredUnits(site, description_of(self.events)).in_site_units(table)

    def _read(self, lines: Sequence[str]) -> pa.Table:
        """Stored runs of the given lines, sorted, with impossible times moved to ``MISDATED``."""
        common = run_schema((), ())
        if not lines:
            return common.empty_table()
        batches = list(self.batches(None, lines))
        if not batches:
            return common.empty_table()
        table = in_schema(pa.Table.from_batches(batches), common)
        table = without_impossible_times(table, latest_start(self.written))
        return _in_order(table).combine_chunks()


def _reopened(place: Place, version: int) -> StoredRuns:
    """Opens the files of a version again in another process."""
    table = RunTable(place, 0.0).open(version)
    assert table is not None
    return StoredRuns(place, table)


def _in_order(runs: pa.Table) -> pa.Table:
    """Sorts runs by line, start and id; within a line, runs with an impossible time come first."""
    if MISDATED not in runs.column_names:
        return sorted_by(runs, *_ORDER)
    dated = runs.append_column("dated", pc.is_null(runs[MISDATED]))
    return sorted_by(dated, _ORDER[0], "dated", *_ORDER[1:]).drop_columns(["dated"])


def _by_line(runs: pa.Table) -> dict[str, pa.Table]:
    """Splits a table that is sorted by line into slices, one for each line."""
    parts, start = {}, 0
    for entry in pc.value_counts(runs["line"]).to_pylist():
        parts[entry["values"]] = runs.slice(start, entry["counts"])
        start += entry["counts"]
    return parts
