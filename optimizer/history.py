"""The run history: one Delta table, partitioned by line, that only ever grows.

In come batches of checked runs, appended in one atomic commit; out come runs in a fixed order, at
any version. Any reader of the Delta format can read it; a folder or table that is not a history
of ours is never written to.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from datetime import date, datetime
from itertools import chain
from pathlib import Path
from queue import Full, Queue
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.dataset as ds
import pyarrow.parquet as pq
from deltalake import CommitProperties, DeltaTable, write_deltalake
from deltalake.exceptions import DeltaError, TableNotFoundError
from filelock import FileLock, Timeout

from optimizer.config import Site
from optimizer.errors import HistoryError, InputError
from optimizer.intake.samples import SampleStore
from optimizer.intake.schema import PROVENANCE, in_schema, in_site_units, schema_of
from optimizer.summary import moment, summarize

FORMAT = 1
"""Version of the table's columns and units; a higher one was written by a newer highside."""

_NAME = "highside run history"
_FORMAT_KEY = "highside.format="
LOCK_SECONDS = 60.0
BATCHES_WAITING = 4
"""Batches made ahead of the writer; more only take memory."""
_LOCK = "_lock"
_REJECTS = "_rejected"
_SAMPLES = "_samples"
_LOG = "_delta_log"
_PARTITION = "line="
# A run has at least these; without them the table is somebody else's.
_ESSENTIAL = ("run_id", "line", "started_at", "grade", "recovery", "deck_state")
_ORDER = [("line", "ascending"), ("started_at", "ascending"), ("run_id", "ascending")]


class History:
    """The runs of all lines.

    Args:
        location: a folder, or the URI of an object store. It need not exist yet.
        lock_seconds: how long a load waits for another to end.

    Raises:
        HistoryError: from every method, when the location is damaged, locked, not a history, or
            written by a newer version. Nothing is written then.
    """

    def __init__(self, location: str | Path, *, lock_seconds: float = LOCK_SECONDS) -> None:
        text = str(location)
        self.folder = None if "://" in text else Path(text)
        self.location = text
        self._lock = FileLock(self._lock_path(), timeout=lock_seconds)

    def _lock_path(self) -> Path:
        """Beside the table; for an object store, on this machine, where other loads may run."""
        if self.folder is not None:
            return self.folder / _LOCK
        digest = hashlib.sha256(self.location.encode()).hexdigest()[:16]
        return Path(tempfile.gettempdir()) / f"highside-{digest}.lock"

    @property
    def rejects_folder(self) -> Path:
        """Where rejected rows are kept."""
        return self.folder / _REJECTS if self.folder is not None else Path("highside-rejected")

    @property
    def samples_folder(self) -> Path:
        """Where the readings are kept that runs were made of (``intake.samples``)."""
        return self.folder / _SAMPLES if self.folder is not None else Path("highside-samples")

    # -- state -------------------------------------------------------------------------------

    @property
    def exists(self) -> bool:
        """Whether anything was ever loaded."""
        return self._table() is not None

    @property
    def version(self) -> int | None:
        """Number of the latest commit, None before the first."""
        table = self._table()
        return None if table is None else table.version()

    def _table(self, as_of: int | None = None) -> DeltaTable | None:
        """The Delta table at a version, or None when there is none yet."""
        self._refuse_other_folders()
        try:
            table = DeltaTable(self.location)
        except TableNotFoundError:
            self._check_that_empty(as_of)
            return None
        except (DeltaError, OSError, ValueError) as error:
            raise self._damaged(error) from None
        self._refuse_other_tables(table)
        if as_of is None or as_of == table.version():
            return table
        try:
            table.load_as_version(as_of)
        except (DeltaError, OSError, ValueError):
            raise InputError(
                f"history '{self.location}' has no version {as_of}.",
                hint=f"Versions are 0 to {table.version()}.",
            ) from None
        return table

    def _check_that_empty(self, as_of: int | None) -> None:
        if self.folder is not None and (self.folder / _LOG).exists():
            raise self._damaged("its log has no commit")
        if as_of is not None:
            raise InputError(f"history '{self.location}' has no version {as_of}: it is empty.")

    def _refuse_other_folders(self) -> None:
        if self.folder is None or not self.folder.exists():
            return
        if not self.folder.is_dir():
            raise HistoryError(
                f"history '{self.location}' is a file, not a folder.",
                hint="Give a folder with --history.",
            )
        if (self.folder / _LOG).exists():
            return
        # With our lock in it, data files are a first load under way, or one that was cut short.
        began = (self.folder / _LOCK).exists()
        others = [
            entry.name
            for entry in self.folder.iterdir()
            if entry.name not in (_LOCK, _REJECTS, _SAMPLES)
            and not (began and entry.name.startswith(_PARTITION))
        ]
        if others:
            raise HistoryError(
                f"folder '{self.location}' is not a history: it has no table and holds "
                f"'{sorted(others)[0]}'.",
                hint="Give an empty or new folder with --history.",
            )

    def _refuse_other_tables(self, table: DeltaTable) -> None:
        stated = table.metadata().description or ""
        columns = [f.name for f in table.schema().fields]
        missing = [name for name in _ESSENTIAL if name not in columns]
        if not stated.startswith(_FORMAT_KEY) or missing:
            lacks = f"lacks {', '.join(missing)}" if missing else "was not written by highside"
            raise HistoryError(
                f"the table at '{self.location}' is not a run history: it {lacks}.",
                hint="Give another folder with --history.",
            )
        written = stated.removeprefix(_FORMAT_KEY)
        if not written.isdecimal() or int(written) > FORMAT:
            raise HistoryError(
                f"history '{self.location}' has format {written}; this version of highside "
                f"knows formats up to {FORMAT}.",
                code="newer-history",
                hint="Update highside.",
            )

    def _damaged(self, error: object) -> HistoryError:
        return HistoryError(
            f"history '{self.location}' is damaged: {error}.",
            code="damaged-history",
            hint="Restore the folder from a copy; nothing was written.",
        )

    # -- writing -----------------------------------------------------------------------------

    @contextmanager
    def lock(self) -> Iterator[None]:
        """Holds the history for one reader-and-writer; entering it twice in one holder is fine.

        Raises:
            HistoryError: when another holds it for too long, or the folder cannot be written.
        """
        self._refuse_other_folders()
        try:
            Path(self._lock.lock_file).parent.mkdir(parents=True, exist_ok=True)
            self._lock.acquire()
        except Timeout:
            raise HistoryError(
                f"history '{self.location}' is locked by another load.",
                code="locked-history",
                hint="Wait for it to end and try again.",
            ) from None
        except OSError as error:
            raise HistoryError(
                f"history '{self.location}' cannot be written: {error.strerror}.",
                hint="Check the permissions of the folder.",
            ) from None
        try:
            yield
        finally:
            self._lock.release()

    def append(
        self, runs: pa.Table | Iterable[pa.RecordBatch], schema: pa.Schema | None = None
    ) -> int | None:
        """Appends checked runs in one commit; no run, no commit.

        Args:
            runs: a table, or batches as they come; their schema is that of ``schema_of``.
            schema: schema of the batches; a table has its own.

        Returns:
            The version after it, None when there is no history yet.
        """
        if isinstance(runs, pa.Table):
            runs, schema = runs.to_batches(), runs.schema
        with self.lock():
            table = self._table()
            batches = iter(runs)
            first = next(batches, None)
            if first is None:
                return None if table is None else table.version()
            self._write(table, chain([first], batches), schema or first.schema)
            return self.version

    def _write(
        self, table: DeltaTable | None, batches: Iterator[pa.RecordBatch], schema: pa.Schema
    ) -> None:
        """One commit of all batches, or none.

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
            writing = pool.submit(self._commit, table, schema, taken())
            try:
                for batch in batches:
                    _hand_over(queue, batch, writing)
                    if writing.done():  # it failed, and says why below
                        break
            except BaseException as error:
                _hand_over(queue, error, writing)  # the writer stops and commits nothing
                raise
            _hand_over(queue, None, writing)
            writing.result()

    def _commit(
        self, table: DeltaTable | None, schema: pa.Schema, batches: Iterator[pa.RecordBatch]
    ) -> None:
        try:
            write_deltalake(
                self.location if table is None else table,
                pa.RecordBatchReader.from_batches(schema, batches),
                mode="append",
                schema_mode="merge",
                partition_by=["line"],
                name=_NAME,
                description=f"{_FORMAT_KEY}{FORMAT}",
                commit_properties=CommitProperties(
                    custom_metadata={"highside.format": str(FORMAT)}
                ),
            )
        except (DeltaError, OSError, ValueError, pa.ArrowInvalid) as error:
            raise HistoryError(
                f"history '{self.location}' could not be written: {error}.",
                hint="Nothing was added; check space and permissions, then load again.",
            ) from None

    # -- reading -----------------------------------------------------------------------------

    def batches(
        self,
        columns: Sequence[str] | None = None,
        lines: Sequence[str] | None = None,
        as_of: int | None = None,
    ) -> Iterator[pa.RecordBatch]:
        """Stored runs in no fixed order, batch by batch, without columns that are not there."""
        table = self._table(as_of)
        if table is None:
            return
        try:
            dataset = table.to_pyarrow_dataset()
            known = [c for c in columns or dataset.schema.names if c in dataset.schema.names]
            wanted = None if lines is None else ds.field("line").isin(list(lines))
            yield from dataset.to_batches(columns=known, filter=wanted)
        except (DeltaError, OSError, pa.ArrowInvalid) as error:
            raise self._damaged(error) from None

    def lines(self, as_of: int | None = None) -> list[str]:
        """Names of the lines that have runs, in alphabetical order; from the log alone."""
        table = self._table(as_of)
        return [] if table is None else sorted({part["line"] for part in table.partitions()})

    def keys(self, lines: Sequence[str] | None = None) -> Iterator[pa.RecordBatch]:
        """What tells known runs from new ones: all but notes and provenance."""
        table = self._table()
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

        Args:
            lines: only these.
            since: only runs started at or after it (UTC when it has no zone); undated ones are
                left out.
            as_of: the history as it was at this version.
            site: gives settings and feed grade in the site's units, and every column that the
                site declares; without it, stored units and stored columns.
        """
        site_schema = schema_of(site or Site())
        batches = list(self.batches(lines=lines, as_of=as_of))
        table = pa.Table.from_batches(batches) if batches else site_schema.empty_table()
        table = in_schema(table, site_schema)
        if since is not None:
            table = table.filter(pc.field("started_at") >= moment(since))
        table = table.sort_by(_ORDER).combine_chunks()
        return table if site is None else in_site_units(table, site)

    def summary(
        self,
        site: Site | None = None,
        line: str | None = None,
        since: str | date | datetime | None = None,
    ) -> dict[str, Any]:
        """What is there, as the contract's ``highside.history/1``."""
        site = site or Site()
        runs = self.read(None if line is None else [line], since, site=site)
        return {
            "schema": "highside.history/1",
            "version": self.version,
            **summarize(runs, site),
        }

    def export(
        self,
        path: str | Path,
        site: Site | None = None,
        line: str | None = None,
        since: str | date | datetime | None = None,
        as_of: int | None = None,
    ) -> int:
        """Writes runs to CSV or Parquet, by the suffix, in the site's units; gives their number.

        Loading the file with the same site gives the same runs.

        Raises:
            InputError: when the suffix is neither, or the file cannot be written.
        """
        lines = None if line is None else [line]
        return _write_file(Path(path), lambda: self.read(lines, since, as_of, site or Site()))

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


def _write_file(path: Path, made: Callable[[], pa.Table]) -> int:
    """Writes a table whole or not at all; gives its number of rows."""
    if path.suffix not in (".csv", ".parquet"):
        raise InputError(f"cannot export to '{path}'.", hint="End it in .csv or .parquet.")
    table = made()
    hidden = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        if path.suffix == ".csv":
            pa_csv.write_csv(table, hidden)
        else:
            pq.write_table(table, hidden)
        os.replace(hidden, path)
    except OSError as error:
        raise InputError(f"'{path}' cannot be written: {error.strerror or error}.") from None
    finally:
        hidden.unlink(missing_ok=True)
    return int(table.num_rows)


def _hand_over(queue: Queue[Any], item: object, writing: Future[None]) -> None:
    """Puts an item in the queue, unless the writer has ended and will take no more."""
    while not writing.done():
        try:
            queue.put(item, timeout=0.1)
        except Full:
            continue
        return
