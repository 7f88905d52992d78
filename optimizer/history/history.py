"""The run history: one Delta table, partitioned by line, whose versions all stay.

In come batches of checked runs, and changes of single runs, each in one atomic commit; out comes a
``Snapshot`` of any version. Any reader of the Delta format can read the table. Nothing is ever
written to a folder or table that is not a run history.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager
from importlib import import_module
from itertools import chain
from pathlib import Path
from queue import Full, Queue
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pyarrow as pa
from deltalake import DeltaTable
from deltalake.transaction import RemoveAction

from optimizer.errors import InputError, Overtaken
from optimizer.history.exporting import write_table
from optimizer.history.snapshot import Snapshot
from optimizer.history.start_times import Clock, utc_now
from optimizer.history.storage.commits import MARK
from optimizer.history.storage.event_log import Event
from optimizer.history.storage.place import Place
from optimizer.history.storage.rewriting import Rewriting
from optimizer.history.storage.samples import SampleStore
from optimizer.history.storage.table import REJECTS, SAMPLES, RunTable
from optimizer.history.storage.version_log import VersionEntry, version_entries
from optimizer.history.stored_units import StoredUnits
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from pandas import DataFrame

LOCK_SECONDS = 60.0
NONE_LEFT_OUT: Mapping[str, Sequence[str]] = MappingProxyType({})
BATCHES_WAITING = 4
"""Number of batches that may wait for the writer; more would only take memory."""


class History:
    """The runs of all lines, at a location.

    Args:
        location: a folder, or the URI of an object store. It need not exist yet.
        lock_seconds: how long a load waits for another load to end.
        clock: gives the current time; new runs that start much later are rejected.

    Raises:
        HistoryError: from every method, when the location is damaged, locked, not a history, or
            written by a newer version of highside. In that case nothing is written.
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
        """Folder for rejected rows; for an object store it lies in the working folder, where a
        person can correct the rows."""
        return self.folder / REJECTS if self.folder is not None else Path("highside-rejected")

    @property
    def samples_folder(self) -> Path:
        """Folder for the readings from which runs were averaged (``storage.samples``)."""
        return self.folder / SAMPLES if self.folder is not None else Path("highside-samples")

    @property
    def exists(self) -> bool:
        """Whether the history has a commit."""
        return self.table.open() is not None

    @property
    def version(self) -> int | None:
        """Number of the latest version; None when there is no commit yet."""
        table = self.table.open()
        return None if table is None else table.version()

    # -- writing -----------------------------------------------------------------------------

    def lock(self) -> AbstractContextManager[None]:
        """Locks the history, so that no other load on this machine writes to it meanwhile.

        The holder of the lock may enter it again.

        Raises:
            HistoryError: when another load holds the lock for too long, or the folder cannot be
                written.
        """
        return self.table.lock()

    def append(
        self,
        runs: pa.Table | Iterable[pa.RecordBatch],
        schema: pa.Schema | None = None,
        events: Sequence[Event] = (),
        rewriting: Rewriting | None = None,
    ) -> int | None:
        """Appends checked runs and events in one commit; without runs there is no commit.

        Args:
            runs: a table, or an iterable of batches, in the schema of ``schema_of``.
            schema: schema of the batches; not needed for a table.
            events: what the commit tells of the history besides its runs; the list may grow
                until the last batch was taken.
            rewriting: files whose runs, with changes, are among the batches (see ``change``).

        Returns:
            The version after the commit; None when there was no run and there is no history yet.

        Raises:
            Overtaken: when another load committed after this one had begun; the caller may start
                again.
        """
        if isinstance(runs, pa.Table):
            runs, schema = runs.to_batches(), runs.schema
        with self.lock():
            table = self.table.open()
            version = None if table is None else table.version()
            if rewriting is not None and rewriting.version != version:
                raise Overtaken(self.location)
            batches, removed = iter(runs), [] if rewriting is None else rewriting.removed
            first = next(batches, None)
            if first is None and not removed:
                return version
            if first is not None:
                schema, batches = schema or first.schema, chain([first], batches)
            version = self._write(table, batches, schema or pa.schema([]), events, removed)
            return self.version if self.table.compact() else version

    def rewriting(self) -> Rewriting:
        """A rewriting of data files of the latest version, for ``append``."""
        return Rewriting(self.place, self.table.open())

    def change(
        self,
        events: Sequence[Event],
        follows: int | None,
        *,
        replaced: pa.Table | None = None,
        left_out: Mapping[str, Sequence[str]] = NONE_LEFT_OUT,
        added: pa.Table | None = None,
    ) -> int:
        """Replaces, leaves out and adds single runs in one commit; earlier versions stay.

        Args:
            events: what the commit tells of the history besides its runs.
            follows: the version on which the changes are based; None for an empty history.
            replaced: stored runs, each of which takes the place of the run with its line and id.
            left_out: for each line, the ids of the runs to leave out.
            added: stored runs to add.

        Returns:
            The version after the commit.

        Raises:
            Overtaken: when the history has another version by now; nothing was stored.
            HistoryError: when a file that may hold a changed run is damaged.
        """
        with self.lock():
            rewriting = self.rewriting()
            if rewriting.version != follows:
                raise Overtaken(self.location)
            given = [table for table in (replaced, added) if table is not None]
            schema = pa.unify_schemas([pa.schema([]), *(table.schema for table in given)])
            batches = rewriting.batches(replaced, left_out)
            new = iter(() if added is None else added.to_batches())
            version = self.append(chain(batches, new), schema, events, rewriting)
            assert version is not None
            return version

    def note(self, events: Sequence[Event], follows: int | None, schema: pa.Schema) -> int:
        """Stores events in a commit of their own, without runs.

        Args:
            events: the events, at least one.
            follows: the version on which the events are based; None for an empty history.
            schema: columns of the table, which is made if the history is empty.

        Returns:
            The version after the commit.

        Raises:
            Overtaken: when the history has another version by now; nothing was stored.
        """
        with self.lock():
            table = self.table.open()
            if follows != (None if table is None else table.version()):
                raise Overtaken(self.location)
            return self.table.commit(table, schema, iter(()), events=events)

    def _write(
        self,
        table: DeltaTable | None,
        batches: Iterator[pa.RecordBatch],
        schema: pa.Schema,
        events: Sequence[Event],
        removed: Sequence[RemoveAction],
    ) -> int:
        """Writes all batches in one commit and returns the version after it.

        The writer has its own thread. The batches are made in the calling thread, which may have
        to read the table for them, and the writer's runtime cannot read while it writes.
        """
        queue: Queue[pa.RecordBatch | BaseException | None] = Queue(BATCHES_WAITING)

        def taken() -> Iterator[pa.RecordBatch]:
            while (item := queue.get()) is not None:
                if isinstance(item, BaseException):
                    raise item
                yield item

        with ThreadPoolExecutor(1) as pool:
            writing = pool.submit(self.table.commit, table, schema, taken(), removed, events)
            try:
                for batch in batches:
                    _hand_over(queue, batch, writing)
                    if writing.done():  # the writer failed; ``result`` below raises its error
                        break
            except BaseException as error:
                _hand_over(queue, error, writing)  # the writer stops and commits nothing
                raise
            _hand_over(queue, None, writing)
            return writing.result()

    # -- reading -----------------------------------------------------------------------------

    def at(self, version: int | None = None) -> Snapshot:
        """The history at a version, by default the latest; later loads do not change the snapshot.

        Raises:
            InputError: when there is no such version.
        """
        return Snapshot.of_version(self.place, self.table.open(version))

    def frame(self, line: str | None = None, site: Site | None = None) -> DataFrame:
        """The runs of the latest version as a pandas data frame, which ``suggest`` takes too.

        Args:
            line: name of the only line; all lines when None.
            site: the plant, in whose units the runs are returned; the defaults when None.

        Raises:
            InputError: when the line has no runs.
        """
        # By name, since the doors to other libraries stand above all rooms.
        frames = import_module("optimizer.interop.frames")
        found: DataFrame = frames.frame_of_runs(self.at(), site, line)
        return found

    def versions(self, most: int, latest: int | None = None) -> tuple[VersionEntry, ...]:
        """What the newest versions did, newest first.

        Args:
            most: largest number of versions that are told.
            latest: number of the newest version that is told; the latest version when None.

        Raises:
            InputError: when there is no version ``latest``.
        """
        table = self.table.open(latest)
        if table is None:
            return ()
        try:
            found = version_entries(self.place.filesystem, table.version(), most, MARK)
            return tuple(found)
        except (OSError, ValueError, KeyError, pa.ArrowException) as error:
            raise self.place.damaged(error) from None

    def keys(self, lines: Sequence[str] | None = None) -> Iterator[pa.RecordBatch]:
        """Batches of the columns that identify a run, at the latest version.

        Args:
            lines: names of the lines to read; all lines when None.
        """
        return self.at().keys(lines)

    def export_readings(self, path: str | Path, site: Site | None = None) -> int:
        """Writes the readings from which runs were averaged to CSV or Parquet.

        Args:
            path: path of the file; its suffix says the format.
            site: the plant, in whose units the readings are written; the defaults when None.

        Returns:
            The number of readings.

        Raises:
            InputError: when the history has no readings, the suffix is neither ``.csv`` nor
                ``.parquet``, or the file cannot be written.
            HistoryError: when the readings are damaged.
        """
        readings = SampleStore(self.samples_folder).read()
        if readings is None:
            raise InputError(
                "the history has no readings over time.", hint="Load them with load --samples."
            )
        units = StoredUnits(site or Site(), self.at().description)
        return write_table(Path(path), lambda: units.in_site_units(readings))


def _hand_over(queue: Queue[Any], item: object, writing: Future[int]) -> None:
    """Puts an item in the queue, unless the writer has ended and will take no more items."""
    while not writing.done():
        try:
            queue.put(item, timeout=0.1)
        except Full:
            continue
        return
