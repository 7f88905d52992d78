"""The Delta table beneath a history: opened and checked, written in whole commits, few files.

A commit is all of a load or nothing. It succeeds only on the version that the load was made from;
where another commit came first, nothing is written and the caller starts over (``Overtaken``).
The lock in the folder makes loads on one machine or share wait their turn; on an object store,
where no lock reaches every machine, the conditional commit alone keeps two loads apart.

Nothing is ever deleted: compaction and restoring commit another list of files and leave the old
ones, so that every version can be read for good.
"""

from __future__ import annotations

import hashlib
import json
import os
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit
from urllib.request import url2pathname
from uuid import uuid4

import pyarrow as pa
import pyarrow.compute as pc
from deltalake import (
    ColumnProperties,
    CommitProperties,
    DeltaTable,
    WriterProperties,
    write_deltalake,
)
from deltalake.exceptions import DeltaError, TableNotFoundError
from filelock import FileLock, Timeout

from optimizer.errors import HistoryError, InputError, Overtaken

FORMAT = 1
"""Version of the table's columns and units; a higher one was written by a newer highside."""

SMALL_BYTES = 1 << 20
"""Files below it are merged, up to it: what a merge rewrites is bounded, however long the line."""
MOST_SMALL_FILES = 32
"""A line with more small files than this has them merged after the next commit."""

_NAME = "highside run history"
_FORMAT_KEY = "highside.format="
_LOCK = "_lock"
REJECTS = "_rejected"
SAMPLES = "_samples"
SET_ASIDE = "_set_aside"
LOG = "_delta_log"
_PARTITION = "line="
# A run has at least these; without them the table is somebody else's.
_ESSENTIAL = ("run_id", "line", "started_at", "grade", "recovery", "deck_state")
_MARK = "highside.commit"
# A season's plan can be made again years later: no version is cleaned away.
_CONFIGURATION = {"delta.enableExpiredLogCleanup": "false"}
# The writer holds a file of each line in memory until it is whole.
_FILE_BYTES = 16 << 20
_GROUP_ROWS = 1 << 16
# Columns that hardly repeat gain nothing from a dictionary, and building it takes time.
_WRITING = WriterProperties(
    max_row_group_size=_GROUP_ROWS,
    compression="ZSTD",
    compression_level=1,
    column_properties={
        name: ColumnProperties(dictionary_enabled=False)
        for name in ("run_id", "started_at", "source_row")
    },
)
_FAILURES = (DeltaError, OSError, ValueError, pa.ArrowException)


class RunTable:
    """The table at a location.

    Args:
        location: a folder, a ``file://`` URI, or the URI of an object store.
        lock_seconds: how long to wait for another load on this machine.

    Raises:
        HistoryError: from every method, when the location is damaged, locked, not a history, or
            written by a newer version. Nothing is written then.
    """

    def __init__(self, location: str | Path, lock_seconds: float) -> None:
        self.location = str(location)
        self.folder = _folder(self.location)
        if self.folder is not None:
            self._uri = str(self.folder)
            lock = self.folder / _LOCK
        else:
            self._uri = self.location
            digest = hashlib.sha256(self.location.encode()).hexdigest()[:16]
            lock = Path(tempfile.gettempdir()) / f"highside-{digest}.lock"
        self._lock = FileLock(lock, timeout=lock_seconds)

    # -- opening -----------------------------------------------------------------------------

    def open(self, as_of: int | None = None) -> DeltaTable | None:
        """The table at a version, or None when there is none yet."""
        self._refuse_other_folders()
        try:
            table = DeltaTable(self._uri)
        except TableNotFoundError as error:
            if "Unknown scheme" in str(error):
                raise InputError(
                    f"history '{self.location}': this kind of address is not known.",
                    hint="Give a folder, or an address such as s3://bucket/history.",
                ) from None
            self._check_that_empty(as_of)
            return None
        except _FAILURES as error:
            raise self.damaged(error) from None
        self._refuse_other_tables(table)
        self._refuse_blank_commit(table.version())
        if as_of is None or as_of == table.version():
            return table
        try:
            table.load_as_version(as_of)
        except _FAILURES:
            raise InputError(
                f"history '{self.location}' has no version {as_of}.",
                hint=f"Versions are 0 to {table.version()}.",
            ) from None
        return table

    def _check_that_empty(self, as_of: int | None) -> None:
        if self.folder is not None and (self.folder / LOG).exists():
            raise self.damaged("its log has no commit")
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
        if (self.folder / LOG).exists():
            return
        # With our lock in it, data files are a first load under way, or one that was cut short.
        began = (self.folder / _LOCK).exists()
        others = [
            entry.name
            for entry in self.folder.iterdir()
            if entry.name not in (_LOCK, REJECTS, SAMPLES, SET_ASIDE)
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

    def _refuse_blank_commit(self, version: int) -> None:
        """A commit that a power cut emptied would be read as one that added nothing."""
        if self.folder is None:
            return
        commit = commit_file(self.folder, version)
        if commit.exists() and commit.stat().st_size == 0:
            raise self.damaged(f"commit {version} is empty")

    def damaged(self, error: Exception | str) -> HistoryError:
        """The error for a table that cannot be read."""
        said = _first_line(error) if isinstance(error, Exception) else str(error)
        if self.folder is None and isinstance(error, OSError):
            return HistoryError(
                f"history '{self.location}' cannot be reached: {said}.",
                code="unreachable-history",
                hint="Check the address, and the credentials in the environment.",
            )
        return HistoryError(
            f"history '{self.location}' is damaged: {said}.",
            code="damaged-history",
            hint="Nothing was written. 'highside history --verify' finds what is damaged and the "
            "latest version that is sound; '--restore VERSION' goes back to it.",
        )

    # -- writing -----------------------------------------------------------------------------

    @contextmanager
    def lock(self) -> Iterator[None]:
        """Holds the table for one writer on this machine; entering it twice is fine."""
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
            raise self._unwritable(error.strerror or error) from None
        try:
            yield
        finally:
            self._lock.release()

    def commit(
        self, table: DeltaTable | None, schema: pa.Schema, batches: Iterator[pa.RecordBatch]
    ) -> int:
        """One commit of all batches on the version that ``table`` is at; the version after it.

        Raises:
            Overtaken: when another commit came first; nothing was added.
            HistoryError: when it could not be written; nothing was added.
        """
        expected = 0 if table is None else table.version() + 1
        mark = uuid4().hex
        # Only a table that exists can have columns merged, only a new one can refuse to exist.
        how: dict[str, Any] = {"mode": "error", "configuration": _CONFIGURATION}
        if table is not None:
            how = {"mode": "append", "schema_mode": "merge"}
        try:
            write_deltalake(
                self._uri if table is None else table,
                pa.RecordBatchReader.from_batches(schema, batches),
                partition_by=["line"],
                name=_NAME,
                description=f"{_FORMAT_KEY}{FORMAT}",
                commit_properties=_alone(mark),
                writer_properties=_WRITING,
                target_file_size=_FILE_BYTES,
                **how,
            )
        except _FAILURES as error:
            self._explain(error, expected, mark)
        self._settle_on_disk(expected)
        return expected

    def _explain(self, error: Exception, expected: int, mark: str) -> None:
        """Raises what a failed write means; returns when the commit stands in spite of it."""
        try:
            now = self.open()
        except HistoryError:
            now = None
        if now is not None and now.version() >= expected:
            since = now.history(now.version() - expected + 1)
            if any(commit.get(_MARK) == mark for commit in since):
                return
            raise Overtaken(self.location) from None
        raise self._unwritable(_first_line(error)) from None

    def compact(self) -> bool:
        """Merges the small files of lines that have many, in one commit; whether it did.

        The runs and their order stay the same. Where it fails the files stay as they are, which
        is slow, not wrong; the next commit tries again.
        """
        with self.lock(), suppress(HistoryError, *_FAILURES):
            table = self.open()
            scattered = [] if table is None else scattered_lines(table)
            if table is not None and scattered:
                table.optimize.compact(
                    partition_filters=[("line", "in", scattered)],
                    target_size=SMALL_BYTES,
                    writer_properties=_WRITING,
                    commit_properties=_alone(),
                )
                self._settle_on_disk(table.version())
                return True
        return False

    def peek(self, version: int) -> DeltaTable | None:
        """The table at a version whatever came after it; None where that cannot be read."""
        try:
            table = DeltaTable(self._uri, version=version)
        except _FAILURES:
            return None
        self._refuse_other_tables(table)
        return table

    def restore(self, version: int) -> int:
        """Commits the files of an earlier version as the current ones; the version after it."""
        table = self.open()
        try:
            assert table is not None
            table.restore(version, commit_properties=_alone())
        except _FAILURES as error:
            raise self._unwritable(_first_line(error)) from None
        self._settle_on_disk(table.version())
        return table.version()

    def _settle_on_disk(self, version: int) -> None:
        """Hands a commit and its files to the disk: what was said to be kept outlives a power cut.

        A file system that cannot do that is left to its ways.
        """
        if self.folder is None:
            return
        with suppress(OSError):
            commit = commit_file(self.folder, version)
            actions = map(json.loads, commit.read_text("utf-8").splitlines())
            added = [self.folder / unquote(a["add"]["path"]) for a in actions if "add" in a]
            for path in (*added, commit, *{file.parent for file in (*added, commit)}):
                handle = os.open(path, os.O_RDONLY)
                try:
                    os.fsync(handle)
                finally:
                    os.close(handle)

    def _unwritable(self, reason: object) -> HistoryError:
        return HistoryError(
            f"history '{self.location}' cannot be written: {reason}.",
            code="unwritable-history",
            hint="Nothing was added. Check the space on the disk and the permissions, then do the "
            "same again.",
        )


def _alone(mark: str = "") -> CommitProperties:
    """Of a commit that stands on the version it was made from or not at all.

    The library would retry it on top of another one; but what is new in a load was judged against
    the version before it.
    """
    return CommitProperties(
        custom_metadata={"highside.format": str(FORMAT), _MARK: mark}, max_commit_retries=0
    )


def _first_line(error: Exception) -> str:
    """What an error of the table library says, without its trace."""
    return next(iter(str(error).strip().splitlines()), type(error).__name__)


def _folder(location: str) -> Path | None:
    """The folder of a path or ``file://`` URI; None for an object store."""
    if "://" not in location:
        return Path(location)
    if location.startswith("file://"):
        return Path(url2pathname(urlsplit(location).path))
    if location.startswith("memory://"):
        raise InputError(
            f"history '{location}' would be gone when the command ends.", hint="Give a folder."
        )
    return None


def commit_file(folder: Path, version: int) -> Path:
    """Where a commit stands, by the Delta protocol."""
    return folder / LOG / f"{version:020d}.json"


def files_of(table: DeltaTable) -> pa.Table:
    """One row a data file: ``path``, ``size_bytes``, ``num_records``, ``partition.line``, ...

    Without statistics of times, which Python may have no date for.
    """
    files = pa.table(table.get_add_actions(flatten=True))
    return files.select([f.name for f in files.schema if not pa.types.is_timestamp(f.type)])


def written_at(table: DeltaTable) -> datetime:
    """When the newest data file of a version was written, by the log: the same whenever it is
    asked, as a plan on that version has to be."""
    newest = pc.max(files_of(table)["modification_time"]).as_py()
    return datetime.fromtimestamp((newest or 0) / 1000, UTC)


def scattered_lines(table: DeltaTable) -> list[str]:
    """Lines with many small files."""
    files = files_of(table)
    small = files.filter(pc.less(files["size_bytes"], SMALL_BYTES))
    counts = Counter(small["partition.line"].to_pylist())
    return sorted(line for line, count in counts.items() if count > MOST_SMALL_FILES)
