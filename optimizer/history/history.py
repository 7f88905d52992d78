"""The run history: one Delta table, partitioned by line, that only ever grows.

In come batches of checked runs, appended in one atomic commit; out come runs in a fixed order, at
any version. Any reader of the Delta format can read it; a folder or table that is not a history
of ours is never written to.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager
from datetime import date, datetime
from itertools import chain
from pathlib import Path
from queue import Full, Queue
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
from deltalake import DeltaTable
from deltalake.exceptions import DeltaError

from optimizer.errors import InputError
from optimizer.files import whole_file
from optimizer.formulas import harmless
from optimizer.history.arrow import harmless_text
from optimizer.history.samples import SampleStore
from optimizer.history.schema import PROVENANCE, in_schema, in_site_units, schema_of
from optimizer.history.started import (
    MISDATED,
    Clock,
    latest_start,
    misdated,
    unmarked,
    utc_now,
    without_impossible_times,
)
from optimizer.history.summary import moment, summarize
from optimizer.history.table import REJECTS, SAMPLES, RunTable, written_at
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from pyarrow.dataset import Dataset

    _Version = tuple[Dataset, int]

LOCK_SECONDS = 60.0
BATCHES_WAITING = 4
"""Batches made ahead of the writer; more only take memory."""
_BATCHES_AHEAD = 2
"""Batches of a file that are read ahead."""
_ORDER = [("line", "ascending"), ("started_at", "ascending"), ("run_id", "ascending")]


class History:
    """The runs of all lines.

    Args:
        location: a folder, or the URI of an object store. It need not exist yet.
        lock_seconds: how long a load waits for another to end.
        clock: tells the time; a run that comes in cannot have started much later.

    Raises:
        HistoryError: from every method, when the location is damaged, locked, not a history, or
            written by a newer version. Nothing is written then.
    """

    def __init__(
        self,
        location: str | Path,
        *,
        lock_seconds: float = LOCK_SECONDS,
        clock: Clock = utc_now,
    ) -> None:
        self.table = RunTable(location, lock_seconds)
        self.clock = clock
        self.location = self.table.location
        self.folder = self.table.folder

    @property
    def rejects_folder(self) -> Path:
        """Where rejected rows are kept: for an object store in the working folder, where a person
        can correct them."""
        return self.folder / REJECTS if self.folder is not None else Path("highside-rejected")

    @property
    def samples_folder(self) -> Path:
        """Where the readings are kept that runs were made of (``history.samples``)."""
        return self.folder / SAMPLES if self.folder is not None else Path("highside-samples")

    @property
    def exists(self) -> bool:
        """Whether anything was ever loaded."""
        return self.table.open() is not None

    @property
    def version(self) -> int | None:
        """Number of the latest commit, None before the first."""
        table = self.table.open()
        return None if table is None else table.version()

    # -- writing -----------------------------------------------------------------------------

    def lock(self) -> AbstractContextManager[None]:
        """Holds the history for one reader-and-writer; entering it twice in one holder is fine.

        Raises:
            HistoryError: when another holds it for too long, or the folder cannot be written.
        """
        return self.table.lock()

    def append(
        self, runs: pa.Table | Iterable[pa.RecordBatch], schema: pa.Schema | None = None
    ) -> int | None:
        """Appends checked runs in one commit; no run, no commit.

        Args:
            runs: a table, or batches as they come; their schema is that of ``schema_of``.
            schema: schema of the batches; a table has its own.

        Returns:
            The version after it, None when there is no history yet.

        Raises:
            Overtaken: when others committed since the batches were begun; starting over will do.
        """
        if isinstance(runs, pa.Table):
            runs, schema = runs.to_batches(), runs.schema
        with self.lock():
            table = self.table.open()
            batches = iter(runs)
            first = next(batches, None)
            if first is None:
                return None if table is None else table.version()
            version = self._write(table, chain([first], batches), schema or first.schema)
            return self.version if self.table.compact() else version

    def _write(
        self, table: DeltaTable | None, batches: Iterator[pa.RecordBatch], schema: pa.Schema
    ) -> int:
        """One commit of all batches, or none; the version after it.

        The writer has a thread of its own: batches are made in this one, which may have to read
        the table for them, and the writer's runtime cannot read while it writes.
        """
        queue: Queue[pa.RecordBatch | BaseException | None] = Queue(BATCHES_WAITING)

        def taken() -> Iterator[pa.RecordBatch]:
            while (item := queue.get()) is not None:
                if isinstance(item, BaseException):
                    raise item
                yield item

        with ThreadPoolExecutor(1) as pool:
            writing = pool.submit(self.table.commit, table, schema, taken())
            try:
                for batch in batches:
                    _hand_over(queue, batch, writing)
                    if writing.done():  # it failed, and says why below
                        break
            except BaseException as error:
                _hand_over(queue, error, writing)  # the writer stops and commits nothing
                raise
            _hand_over(queue, None, writing)
            return writing.result()

    # -- reading -----------------------------------------------------------------------------

    def batches(
        self,
        columns: Sequence[str] | None = None,
        lines: Sequence[str] | None = None,
        as_of: int | None = None,
    ) -> Iterator[pa.RecordBatch]:
        """Stored runs in no fixed order, batch by batch, without columns that are not there."""
        table = self.table.open(as_of)
        if table is not None:
            yield from self._scan(self._dataset(table), columns, lines)

    def _dataset(self, table: DeltaTable) -> Dataset:
        """The files of a version."""
        try:
            return table.to_pyarrow_dataset()
        except (DeltaError, OSError, pa.ArrowException) as error:
            raise self.table.damaged(error) from None

    def _scan(
        self, dataset: Dataset, columns: Sequence[str] | None, lines: Sequence[str] | None
    ) -> Iterator[pa.RecordBatch]:
        known = [c for c in columns or dataset.schema.names if c in dataset.schema.names]
        # Typed: of no lines at all, an untyped list would be of no type either.
        names = None if lines is None else pa.array(list(lines), pa.string())
        wanted = None if names is None else pc.field("line").isin(names)
        try:
            # File by file: a scan of all of them at once reads ahead, whatever it is told, as
            # fast as it can, and holds much of a large history where each batch takes time.
            for file in dataset.get_fragments(filter=wanted):
                yield from file.to_batches(
                    dataset.schema, columns=known, filter=wanted, batch_readahead=_BATCHES_AHEAD
                )
        except (DeltaError, OSError, pa.ArrowException) as error:
            raise self.table.damaged(error) from None

    def lines(self, as_of: int | None = None) -> list[str]:
        """Names of the lines that have runs, in alphabetical order; from the log alone."""
        table = self.table.open(as_of)
        return [] if table is None else sorted({part["line"] for part in table.partitions()})

    def keys(self, lines: Sequence[str] | None = None) -> Iterator[pa.RecordBatch]:
        """What tells known runs from new ones: all but notes and provenance."""
        table = self.table.open()
        if table is None:
            return iter(())
        names = [f.name for f in table.schema().fields]
        return self.batches([n for n in names if n not in ("note", *PROVENANCE)], lines)

    def read(
        self,
        lines: Sequence[str] | None = None,
        since: str | date | datetime | None = None,
        as_of: int | None = None,
        site: Site | None = None,
    ) -> pa.Table:
        """Runs by line, start (undated last) and run id.

        A run whose stored time cannot be (see ``history.started``) has none here, and stands first
        in its line, so that it is never taken for the latest; a further column ``MISDATED`` says
        what was stored.

        Args:
            lines: only these.
            since: only runs started at or after it (UTC when it has no zone); undated ones are
                left out.
            as_of: the history as it was at this version.
            site: gives settings and feed grade in the site's units, and every column that the
                site declares; without it, stored units and stored columns.
        """
        begin = None if since is None else moment(since)
        return _since(self._read(self._opened(as_of), lines, site), begin)

    def _opened(self, as_of: int | None) -> _Version | None:
        """The files of a version, and how late its runs can have started; None when there is no
        history yet."""
        table = self.table.open(as_of)
        return None if table is None else (self._dataset(table), latest_start(written_at(table)))

    def read_version(
        self,
        lines: Sequence[str] | None = None,
        as_of: int | None = None,
        site: Site | None = None,
    ) -> tuple[int | None, pa.Table]:
        """A version's number and its runs, as ``read`` gives them; the latest version by default.

        Both are of the same commit. Asked for one after the other they need not be: another load
        may commit in between.

        Returns:
            The number, None where nothing was ever loaded, and the runs.
        """
        version = self.version if as_of is None else as_of
        # Of no line at all where there was no version: one may have come since.
        named = [] if version is None else lines
        return version, self.read(named, as_of=version, site=site)

    def _read(
        self, version: _Version | None, lines: Sequence[str] | None, site: Site | None
    ) -> pa.Table:
        site_schema = schema_of(site or Site())
        if version is None:
            return site_schema.empty_table()
        dataset, latest = version
        batches = list(self._scan(dataset, None, lines))
        table = pa.Table.from_batches(batches) if batches else site_schema.empty_table()
        table = without_impossible_times(in_schema(table, site_schema), latest)
        table = _in_order(table).combine_chunks()
        return table if site is None else in_site_units(table, site)

    def summary(
        self,
        site: Site | None = None,
        line: str | None = None,
        since: str | date | datetime | None = None,
        as_of: int | None = None,
    ) -> dict[str, Any]:
        """What is there, or was at a version, as the contract's ``highside.history/1``.

        Where stored times cannot be, ``warnings`` names their runs.
        """
        site, version = site or Site(), self.version if as_of is None else as_of
        begin = None if since is None else moment(since)
        # Without a version there is nothing, whatever another load commits meanwhile.
        opened, warnings = None if version is None else self._opened(version), []
        names = [line] if line is not None else self.lines(version) if opened is not None else []

        def runs_of(name: str) -> pa.Table:
            runs = self._read(opened, [name], site)
            warnings.extend(misdated(runs))
            return _since(runs, begin)

        found = summarize(map(runs_of, names), site)
        said = {"warnings": warnings} if warnings else {}
        return {"schema": "highside.history/1", "version": version, **found, **said}

    def export(
        self,
        path: str | Path,
        site: Site | None = None,
        line: str | None = None,
        since: str | date | datetime | None = None,
        as_of: int | None = None,
    ) -> int:
        """Writes runs to CSV or Parquet, by the suffix, in the site's units; gives their number.

        Loading the file with the same site gives the same runs. A time that cannot be is left
        out.

        Raises:
            InputError: when the suffix is neither, or the file cannot be written.
        """
        lines = None if line is None else [line]

        def made() -> pa.Table:
            return unmarked(self.read(lines, since, as_of, site or Site()))

        return _write_file(Path(path), made)

    def export_readings(self, path: str | Path, site: Site | None = None) -> int:
        """Writes the readings over time that runs were made of, as ``export`` does runs.

        Raises:
            InputError: when there are none, the suffix is neither, or it cannot be written.
            HistoryError: when the readings are damaged.
        """
        readings = SampleStore(self.samples_folder).read()
        if readings is None:
            raise InputError(
                "the history keeps no readings over time.", hint="They come with load --samples."
            )
        return _write_file(Path(path), lambda: in_site_units(readings, site or Site()))


def _in_order(runs: pa.Table) -> pa.Table:
    """Runs in the order in which ``read`` gives them."""
    if MISDATED not in runs.column_names:
        return runs.sort_by(_ORDER)
    dated = runs.append_column("dated", pc.is_null(runs[MISDATED]))
    order = [_ORDER[0], ("dated", "ascending"), *_ORDER[1:]]
    return dated.sort_by(order).drop_columns(["dated"])


def _since(runs: pa.Table, begin: datetime | None) -> pa.Table:
    """The runs started at or after a moment, all of them without one."""
    return runs if begin is None else runs.filter(pc.field("started_at") >= begin)


def _write_file(path: Path, made: Callable[[], pa.Table]) -> int:
    """Writes a table whole or not at all; gives its number of rows."""
    if path.suffix not in (".csv", ".parquet"):
        raise InputError(f"cannot export to '{path}'.", hint="End it in .csv or .parquet.")
    table = made()
    with whole_file(path) as place:
        if path.suffix == ".csv":
            pa_csv.write_csv(_harmless(table), place)
        else:
            pq.write_table(table, place)
    return int(table.num_rows)


def _harmless(table: pa.Table) -> pa.Table:
    """The table with headings and texts that no spreadsheet runs."""
    columns = [
        harmless_text(c.combine_chunks()) if pa.types.is_string(c.type) else c
        for c in table.columns
    ]
    return pa.table(columns, names=list(map(harmless, table.column_names)))


def _hand_over(queue: Queue[Any], item: object, writing: Future[int]) -> None:
    """Puts an item in the queue, unless the writer has ended and will take no more."""
    while not writing.done():
        try:
            queue.put(item, timeout=0.1)
        except Full:
            continue
        return
