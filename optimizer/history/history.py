"""The run history: one Delta table, partitioned by line, to which runs are only appended.

In come batches of checked runs, each appended in one atomic commit; out comes a ``Snapshot`` of any
version. Any reader of the Delta format can read the table. A folder or table that is not such a
history is never written to.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager
from itertools import chain
from pathlib import Path
from queue import Full, Queue
from typing import Any

import pyarrow as pa
from deltalake import DeltaTable

from optimizer.errors import InputError
from optimizer.history.exporting import write_table
from optimizer.history.place import Place
from optimizer.history.samples import SampleStore
from optimizer.history.schema import in_site_units
from optimizer.history.snapshot import Snapshot
from optimizer.history.started import Clock, utc_now
from optimizer.history.table import REJECTS, SAMPLES, RunTable
from optimizer.plant.site import Site

LOCK_SECONDS = 60.0
BATCHES_WAITING = 4
"""Batches made ahead of the writer; more only take memory."""


class History:
    """The runs of all lines, at a location.

    Args:
        location: a folder, or the URI of an object store. It need not exist yet.
        lock_seconds: how long a load waits for another to end.
        clock: gives the current time; a new run cannot have started much later.

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
        self.place = Place(str(location))
        self.table = RunTable(self.place, lock_seconds)
        self.clock = clock
        self.location = self.place.location
        self.folder = self.place.folder

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

    def at(self, version: int | None = None) -> Snapshot:
        """The history at a version, the latest by default; later loads do not change it.

        Raises:
            InputError: when there is no such version.
        """
        return Snapshot.of_version(self.place, self.table.open(version))

    def keys(self, lines: Sequence[str] | None = None) -> Iterator[pa.RecordBatch]:
        """Batches of the columns that identify a run, at the latest version."""
        return self.at().keys(lines)

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
        return write_table(Path(path), lambda: in_site_units(readings, site or Site()))


def _hand_over(queue: Queue[Any], item: object, writing: Future[int]) -> None:
    """Puts an item in the queue, unless the writer has ended and will take no more."""
    while not writing.done():
        try:
            queue.put(item, timeout=0.1)
        except Full:
            continue
        return
