"""A snapshot: a history at one version, from which plans, diagnoses and comparisons are made.

Other loads may commit at any moment, but a snapshot does not see their runs. It reads the runs of
each line at most once.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Protocol, TypeAlias

import pyarrow as pa
import pyarrow.compute as pc
from deltalake import DeltaTable
from deltalake.exceptions import DeltaError

from optimizer.errors import InputError, nearest
from optimizer.history.exporting import write_table
from optimizer.history.place import Place
from optimizer.history.schema import PROVENANCE, in_schema, in_site_units, run_schema, schema_of
from optimizer.history.start_times import (
    MISDATED,
    latest_start,
    misdated,
    unmarked,
    without_impossible_times,
)
from optimizer.history.summary import HistorySummary, LineSummary, moment, summary_of_line
from optimizer.history.table import RunTable, written_at
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from pyarrow.dataset import Dataset

    Source: TypeAlias = "Snapshot | Versioned | pa.Table"

_BATCHES_AHEAD = 2
"""Number of batches of a file that are read ahead."""
_ORDER = [("line", "ascending"), ("started_at", "ascending"), ("run_id", "ascending")]


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
    _source: _Source = field(repr=False, compare=False)

    @classmethod
    def of_table(cls, runs: pa.Table) -> Snapshot:
        """A snapshot of runs given as a table.

        Args:
            runs: sorted by line, start (undated last) and run id; in the site's units.
        """
        return cls(None, _Given(runs))

    @classmethod
    def of_version(cls, place: Place, table: DeltaTable | None) -> Snapshot:
        """A snapshot of the version at which a table was opened.

        Args:
            place: location of the history.
            table: the opened table; None for an empty history.
        """
        if table is None:
            return cls(None, _Nothing())
        return cls(table.version(), _Stored(place, table))

    @property
    def lines(self) -> tuple[str, ...]:
        """Names of the lines that have runs, in alphabetical order; no run is read for it."""
        return self._source.lines

    @property
    def written(self) -> datetime | None:
        """When the newest data file of the version was written; None when there is no version."""
        return self._source.written

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
            since: only runs that started at or after this moment (UTC when it has no zone) are
                returned, and no undated ones; all runs when None.

        Raises:
            InputError: when ``since`` is a text but not an ISO 8601 date or time.
        """
        begin = None if since is None else moment(since)
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
        site, begin = site or Site(), None if since is None else moment(since)
        found: list[LineSummary] = []
        warnings: list[str] = []
        for name in self.lines if line is None else (line,):
            runs = self._source.runs(site, [name], keep=False)
            warnings += misdated(runs)
            runs = _since(runs, begin)
            if runs.num_rows:
                found.append(summary_of_line(name, runs, site))
        return HistorySummary(self.version, tuple(found), tuple(warnings))

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
        return write_table(
            Path(path), lambda: unmarked(self.runs(site or Site(), lines=lines, since=since))
        )


class Versioned(Protocol):
    """Anything that gives snapshots of its versions, as ``History`` does."""

    def at(self, version: int | None = None) -> Snapshot:
        """The snapshot of a version, or of the latest version when None."""
        ...


def snapshot_of(source: Source) -> Snapshot:
    """Turns any source of runs into a snapshot.

    Args:
        source: a snapshot, which is returned as it is; or a history, whose latest version is used;
            or runs as a table in the site's units.
    """
    if isinstance(source, Snapshot):
        return source
    return Snapshot.of_table(source) if isinstance(source, pa.Table) else source.at()


class _Source(Protocol):
    """The source of a snapshot's runs."""

    @property
    def lines(self) -> tuple[str, ...]: ...

    @property
    def written(self) -> datetime | None: ...

    @property
    def columns(self) -> tuple[str, ...]: ...

    def runs(
        self, site: Site | None, lines: Sequence[str] | None, keep: bool = True
    ) -> pa.Table: ...

    def batches(
        self, columns: Sequence[str] | None, lines: Sequence[str] | None
    ) -> Iterator[pa.RecordBatch]: ...


class _Nothing:
    """The source of an empty history."""

    lines: tuple[str, ...] = ()
    columns: tuple[str, ...] = ()
    written: datetime | None = None

    def runs(self, site: Site | None, lines: Sequence[str] | None, keep: bool = True) -> pa.Table:
        return schema_of(site or Site()).empty_table()

    def batches(
        self, columns: Sequence[str] | None, lines: Sequence[str] | None
    ) -> Iterator[pa.RecordBatch]:
        return iter(())


class _Given:
    """The source of a snapshot of a table; the runs are returned as they are."""

    written: datetime | None = None

    def __init__(self, table: pa.Table) -> None:
        self._table = table

    @cached_property
    def lines(self) -> tuple[str, ...]:
        return tuple(sorted(pc.unique(self._table["line"]).drop_null().to_pylist()))

    @property
    def columns(self) -> tuple[str, ...]:
        return tuple(self._table.column_names)

    def runs(self, site: Site | None, lines: Sequence[str] | None, keep: bool = True) -> pa.Table:
        if lines is None:
            return self._table
        return self._table.filter(_of_lines(lines))

    def batches(
        self, columns: Sequence[str] | None, lines: Sequence[str] | None
    ) -> Iterator[pa.RecordBatch]:
        runs = self.runs(None, lines)
        known = [name for name in columns or self.columns if name in self.columns]
        yield from runs.select(known).to_batches()


class _Stored:
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
    def _files(self) -> Dataset:
        try:
            return self._table.to_pyarrow_dataset()
        except (DeltaError, OSError, pa.ArrowException) as error:
            raise self._place.damaged(error) from None

    def batches(
        self, columns: Sequence[str] | None, lines: Sequence[str] | None
    ) -> Iterator[pa.RecordBatch]:
        files = self._files
        known = [c for c in columns or files.schema.names if c in files.schema.names]
        wanted = None if lines is None else _of_lines(lines)
        try:
            # Files are read one by one. A scan of all files reads ahead as fast as it can, whatever
            # the settings; if a caller takes time for each batch, it fills the memory.
            for file in files.get_fragments(filter=wanted):
                yield from file.to_batches(
                    files.schema, columns=known, filter=wanted, batch_readahead=_BATCHES_AHEAD
                )
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
        return table if site is None else in_site_units(table, site)

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


def _reopened(place: Place, version: int) -> _Stored:
    """Opens the files of a version again in another process."""
    table = RunTable(place, 0.0).open(version)
    assert table is not None
    return _Stored(place, table)


def _of_lines(lines: Sequence[str]) -> pc.Expression:
    """A filter that keeps the runs of the given lines."""
    # The type is stated since Arrow cannot infer it from an empty list.
    return pc.field("line").isin(pa.array(list(lines), pa.string()))


def _in_order(runs: pa.Table) -> pa.Table:
    """Sorts runs by line, start and id; within a line, runs with an impossible time come first."""
    if MISDATED not in runs.column_names:
        return runs.sort_by(_ORDER)
    dated = runs.append_column("dated", pc.is_null(runs[MISDATED]))
    order = [_ORDER[0], ("dated", "ascending"), *_ORDER[1:]]
    return dated.sort_by(order).drop_columns(["dated"])


def _by_line(runs: pa.Table) -> dict[str, pa.Table]:
    """Splits a table that is sorted by line into slices, one for each line."""
    parts, start = {}, 0
    for entry in pc.value_counts(runs["line"]).to_pylist():
        parts[entry["values"]] = runs.slice(start, entry["counts"])
        start += entry["counts"]
    return parts


def _since(runs: pa.Table, begin: datetime | None) -> pa.Table:
    """The runs that started at or after a moment; all runs when the moment is None."""
    return runs if begin is None else runs.filter(pc.field("started_at") >= begin)
