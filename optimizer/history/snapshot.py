"""A history at one version, from which plans, diagnoses and comparisons are made.

Other loads may commit at any moment; a snapshot does not see them. It reads the runs of each line
at most once.
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
from optimizer.history.started import (
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
"""Batches of a file that are read ahead."""
_ORDER = [("line", "ascending"), ("started_at", "ascending"), ("run_id", "ascending")]


@dataclass(frozen=True)
class Snapshot:
    """The runs of a history at one version.

    Made by ``History.at``, or by ``Snapshot.of_table`` from runs that no history holds. Another
    process that receives it opens the same version of the same history.

    Attributes:
        version: its number; None where nothing was ever loaded, and for runs given as a table.

    Raises:
        HistoryError: from every method, when the files of the version cannot be read.
    """

    version: int | None
    _source: _Source = field(repr=False, compare=False)

    @classmethod
    def of_table(cls, runs: pa.Table) -> Snapshot:
        """Runs given as a table, in the history's order and in the site's units."""
        return cls(None, _Given(runs))

    @classmethod
    def of_version(cls, place: Place, table: DeltaTable | None) -> Snapshot:
        """The version that an opened table is at; an empty history where there is no table."""
        if table is None:
            return cls(None, _Nothing())
        return cls(table.version(), _Stored(place, table))

    @property
    def lines(self) -> tuple[str, ...]:
        """Names of the lines that have runs, in alphabetical order; no run is read for it."""
        return self._source.lines

    @property
    def written(self) -> datetime | None:
        """When the newest data file of the version was written; None without a version."""
        return self._source.written

    def chosen_lines(self, asked: Sequence[str] | None = None) -> tuple[str, ...]:
        """The lines that were asked for, each once, or all that have runs.

        Raises:
            InputError: when one has no runs.
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
        """Runs by line, start (undated last) and run id.

        A run whose stored time is impossible (see ``history.started``) has no time here, and
        stands first in its line, so that it is never taken for the latest; a further column
        ``MISDATED`` holds what was stored.

        Args:
            site: gives settings and feed grade in the site's units, and every column that the
                site declares; without it, stored units and stored columns.
            lines: only these; a line without runs adds nothing.
            since: only runs started at or after it (UTC when it has no zone); undated ones are
                left out.

        Raises:
            InputError: when ``since`` is a text and not an ISO 8601 date or time.
        """
        begin = None if since is None else moment(since)
        return _since(self._source.runs(site, lines), begin)

    def batches(
        self, columns: Sequence[str] | None = None, lines: Sequence[str] | None = None
    ) -> Iterator[pa.RecordBatch]:
        """Stored runs batch by batch, in no fixed order and not kept.

        Args:
            columns: only these; one that is not stored is left out.
            lines: only these.
        """
        return self._source.batches(columns, lines)

    def keys(self, lines: Sequence[str] | None = None) -> Iterator[pa.RecordBatch]:
        """Batches of the columns that tell a known run from a new one: all but notes and
        provenance."""
        names = [n for n in self._source.columns if n not in ("note", *PROVENANCE)]
        return self.batches(names, lines)

    def summary(
        self,
        site: Site | None = None,
        line: str | None = None,
        since: str | date | datetime | None = None,
    ) -> HistorySummary:
        """What each line has; one line at a time is in memory.

        Args:
            site: the plant; the defaults when None.
            line: only this one.
            since: only runs started at or after it.

        Raises:
            InputError: when ``since`` is a text and not an ISO 8601 date or time.
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
        """Writes runs to CSV or Parquet, by the suffix, in the site's units; gives their number.

        Loading the file with the same site gives the same runs. An impossible time is left out.

        Raises:
            InputError: when the suffix is neither, or the file cannot be written.
        """
        lines = None if line is None else [line]
        return write_table(
            Path(path), lambda: unmarked(self.runs(site or Site(), lines=lines, since=since))
        )


class Versioned(Protocol):
    """What has versions to take a snapshot of: a ``History``."""

    def at(self, version: int | None = None) -> Snapshot:
        """The snapshot of a version; of the latest when None."""
        ...


def snapshot_of(source: Source) -> Snapshot:
    """The snapshot that a caller means.

    Args:
        source: a snapshot; or a history, whose latest version is meant; or runs as a table in the
            site's units.
    """
    if isinstance(source, Snapshot):
        return source
    return Snapshot.of_table(source) if isinstance(source, pa.Table) else source.at()


class _Source(Protocol):
    """Where the runs of a snapshot come from."""

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
    """A history into which nothing was loaded yet."""

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
    """Runs given as a table, taken as they are."""

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
    """Runs in the files of one version; the runs of each line are read once and kept."""

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
            # File by file: a scan of all of them at once reads ahead, whatever the settings, as
            # fast as it can, and holds much of a large history where each batch takes time.
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
        if keep:
            self._kept.update(_by_line(read))
        if missing != names:
            parts = [self._kept[n] for n in names]
            read = pa.concat_tables(parts, promote_options="default").combine_chunks()
        table = in_schema(read, schema_of(site or Site()))
        return table if site is None else in_site_units(table, site)

    def _read(self, lines: Sequence[str]) -> pa.Table:
        """Stored runs of some lines, in order, impossible times marked."""
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
    """The files of a version, opened again in another process."""
    table = RunTable(place, 0.0).open(version)
    assert table is not None
    return _Stored(place, table)


def _of_lines(lines: Sequence[str]) -> pc.Expression:
    # Typed: an empty list would have no type.
    return pc.field("line").isin(pa.array(list(lines), pa.string()))


def _in_order(runs: pa.Table) -> pa.Table:
    """Runs by line, start and id; within a line those with an impossible time come first."""
    if MISDATED not in runs.column_names:
        return runs.sort_by(_ORDER)
    dated = runs.append_column("dated", pc.is_null(runs[MISDATED]))
    order = [_ORDER[0], ("dated", "ascending"), *_ORDER[1:]]
    return dated.sort_by(order).drop_columns(["dated"])


def _by_line(runs: pa.Table) -> dict[str, pa.Table]:
    """Runs of each line, as slices of a table that is sorted by line."""
    parts, start = {}, 0
    for entry in pc.value_counts(runs["line"]).to_pylist():
        parts[entry["values"]] = runs.slice(start, entry["counts"])
        start += entry["counts"]
    return parts


def _since(runs: pa.Table, begin: datetime | None) -> pa.Table:
    """The runs started at or after a moment, all of them without one."""
    return runs if begin is None else runs.filter(pc.field("started_at") >= begin)
