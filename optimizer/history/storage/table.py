"""The Delta table beneath a history: checks it when it is opened, commits runs, merges files.

``run_files`` writes the data files, each named by its hash; the table library commits them.

A commit contains a whole load or nothing. It succeeds only on the version from which the load was
made; if another commit came first, nothing is added and the caller starts again (``Overtaken``).
The lock in the folder makes loads on one machine or share wait for each other. On an object store
no lock reaches every machine, and only the conditional commit separates two loads.

Nothing is deleted: merging files and restoring a version commit another list of files and leave the
old files in place, so that every version stays readable.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import unquote
from uuid import uuid4

import pyarrow as pa
import pyarrow.compute as pc
from deltalake import DeltaTable
from deltalake.exceptions import DeltaError, TableNotFoundError
from deltalake.transaction import RemoveAction
from filelock import FileLock, Timeout

from optimizer.errors import HistoryError, InputError, Overtaken, reason_of
from optimizer.files import flush
from optimizer.history.storage import commits
from optimizer.history.storage.event_log import Event, noted
from optimizer.history.storage.log_hashes import (
    HASHES,
    LOG,
    changed_checkpoint,
    had_commits,
    hash_log,
)
from optimizer.history.storage.place import Place
from optimizer.history.storage.run_files import PARTITION, RunFiles, merge_files, stated_hash

SMALL_BYTES = 1 << 20
"""Files smaller than this are merged into files of at most this size, in bytes, so that the work of
a merge does not grow with the number of runs of a line."""
MOST_SMALL_FILES = 32
"""When a line has more small files than this, they are merged after a commit."""

REJECTS = "_rejected"
SAMPLES = "_samples"
SET_ASIDE = "_set_aside"
# Every run table has these columns; a table without them belongs to another program.
_ESSENTIAL = ("run_id", "line", "started_at", "grade", "recovery", "deck_state")
_FAILURES = (DeltaError, OSError, ValueError, pa.ArrowException)


class RunTable:
    """The Delta table at a location.

    Args:
        place: location of the table.
        lock_seconds: how long to wait for another load on this machine.

    Raises:
        HistoryError: from every method, when the table is damaged, locked, not a history, or
            written by a newer version of highside. In that case nothing is written.
    """

    def __init__(self, place: Place, lock_seconds: float) -> None:
        self.place = place
        self._lock = FileLock(place.lock_file, timeout=lock_seconds)

    # -- opening -----------------------------------------------------------------------------

    def open(self, as_of: int | None = None) -> DeltaTable | None:
        """Opens the table at a version, or at the latest version when None.

        Returns:
            The opened table; None when there is no table yet.

        Raises:
            InputError: when there is no such version, or the kind of address is not known.
        """
        try:
            self._refuse_other_folders()
            self._refuse_changed_checkpoint()
        except _FAILURES as error:
            raise self.place.unreadable(error) from None
        try:
            table = DeltaTable(self.place.uri)
        except TableNotFoundError as error:
            if "Unknown scheme" in str(error):
                raise InputError(
                    f"history '{self.place.location}': this kind of address is not known.",
                    hint="Give a folder, or an address such as s3://bucket/history.",
                ) from None
            self._check_that_empty(as_of)
            return None
        except _FAILURES as error:
            raise self.place.damaged(error) from None
        self._refuse_other_tables(table)
        self._refuse_blank_commit(table.version())
        if as_of is None or as_of == table.version():
            return table
        try:
            table.load_as_version(as_of)
        except _FAILURES:
            raise InputError(
                f"history '{self.place.location}' has no version {as_of}.",
                hint=f"Versions are 0 to {table.version()}.",
            ) from None
        return table

    def _check_that_empty(self, as_of: int | None) -> None:
        """Refuses a location without a table that shows traces of one, or a version of nothing."""
        if self.place.folder is not None and (self.place.folder / LOG).exists():
            files = self.place.folder.glob(f"{PARTITION}*/*.parquet")
            # An interrupted first load leaves data files, too, but all of them are named by a hash.
            if had_commits(self.place.filesystem) or any(not stated_hash(f.name) for f in files):
                raise self.place.damaged("its log has no commit")
        if as_of is not None:
            raise InputError(
                f"history '{self.place.location}' has no version {as_of}: it is empty."
            )

    def _refuse_other_folders(self) -> None:
        if self.place.folder is None or not self.place.folder.exists():
            return
        if not self.place.folder.is_dir():
            raise HistoryError(
                f"history '{self.place.location}' is a file, not a folder.",
                hint="Give a folder with --history.",
            )
        if (self.place.folder / LOG).exists():
            # Listing the log raises an error when it may not be read; the table library would only
            # report that there is no table.
            next((self.place.folder / LOG).iterdir(), None)
            return
        # If our lock file is there, data files belong to a first load that is under way or was
        # interrupted.
        began = self.place.lock_file.exists()
        others = [
            entry.name
            for entry in self.place.folder.iterdir()
            if entry.name not in (self.place.lock_file.name, REJECTS, SAMPLES, SET_ASIDE, HASHES)
            and not (began and entry.name.startswith(PARTITION))
        ]
        if others:
            raise HistoryError(
                f"folder '{self.place.location}' is not a history: it has no table and holds "
                f"'{sorted(others)[0]}'.",
                hint="Give an empty or new folder with --history.",
            )

    def _refuse_other_tables(self, table: DeltaTable) -> None:
        stated = table.metadata().description or ""
        columns = [f.name for f in table.schema().fields]
        missing = [name for name in _ESSENTIAL if name not in columns]
        if not stated.startswith(commits.FORMAT_KEY) or missing:
            lacks = f"lacks {', '.join(missing)}" if missing else "was not written by highside"
            raise HistoryError(
                f"the table at '{self.place.location}' is not a run history: it {lacks}.",
                hint="Give another folder with --history.",
            )
        written = stated.removeprefix(commits.FORMAT_KEY)
        if not written.isdecimal() or int(written) > commits.FORMAT:
            raise HistoryError(
                f"history '{self.place.location}' has format {written}; this version of highside "
                f"knows formats up to {commits.FORMAT}.",
                code="newer-history",
                hint="Update highside.",
            )

    def _refuse_blank_commit(self, version: int) -> None:
        """Refuses a commit that a power cut emptied; readers would think that it adds nothing."""
        if self.place.folder is None:
            return
        commit = commit_file(self.place.folder, version)
        if commit.exists() and commit.stat().st_size == 0:
            raise self.place.damaged(f"commit {version} is empty")

    def _refuse_changed_checkpoint(self) -> None:
        """Refuses a changed checkpoint; the table library would trust it, or crash."""
        if self.place.folder is None or not self.place.folder.is_dir():
            return
        name = changed_checkpoint(self.place.filesystem)
        if name is not None:
            raise self.place.damaged(f"the bytes of {LOG}/{name} are not those that were written")

    # -- writing -----------------------------------------------------------------------------

    @contextmanager
    def lock(self) -> Iterator[None]:
        """Locks the table for one writer on this machine, who may enter the lock again.

        Raises:
            HistoryError: when another load holds the lock for too long, or the folder cannot be
                written.
        """
        self._refuse_other_folders()
        try:
            Path(self._lock.lock_file).parent.mkdir(parents=True, exist_ok=True)
            self._lock.acquire()
        except Timeout:
            raise HistoryError(
                f"history '{self.place.location}' is locked by another load.",
                code="locked-history",
                hint="Wait for it to end and try again.",
            ) from None
        except OSError as error:
            raise self.place.unwritable(reason_of(error)) from None
        try:
            yield
        finally:
            self._lock.release()

    def commit(
        self,
        table: DeltaTable | None,
        schema: pa.Schema,
        batches: Iterator[pa.RecordBatch],
        removed: Sequence[RemoveAction] = (),
        events: Sequence[Event] = (),
    ) -> int:
        """Writes all batches and events in one commit and returns the version after it.

        Columns that a commit with removed files adds are declared in a commit before it.

        Args:
            table: opened at the version that the commit follows; None to create the table.
            schema: schema of the batches.
            batches: the runs; there may be none.
            removed: data files that are no longer part of the table.
            events: what the commit tells of the history besides its runs.

        Raises:
            Overtaken: when another commit came first; nothing was added.
            HistoryError: when the commit could not be written; nothing was added.
        """
        expected = 0 if table is None else table.version() + 1
        mark = uuid4().hex
        self.keep_hashes(expected - 1)
        try:
            with RunFiles(self.place.filesystem) as files:
                for batch in batches:
                    files.add(batch)
                added = files.finish()
            told = noted(self.place.filesystem, expected - 1, events)
        except _FAILURES as error:
            raise self.place.unwritable(reason_of(error)) from None
        try:
            if table is None:
                commits.create(self.place.uri, schema, added, mark, told)
            else:
                nothing = noted(self.place.filesystem, expected - 1, ())
                if removed and commits.declare(table, schema, nothing):
                    self._settle(expected)
                    table.load_as_version(expected)
                    expected += 1
                commits.append(table, schema, added, mark, removed, told)
        except _FAILURES as error:
            self._explain(error, expected, mark)
        self._settle(expected)
        return expected

    def _explain(self, error: Exception, expected: int, mark: str) -> None:
        """Raises the error that explains a failed commit; returns if the commit exists after all.

        Args:
            error: the error of the failed write.
            expected: number of the version that the commit would have made.
            mark: identifies the write in the commit's metadata.
        """
        try:
            now = self.open()
        except HistoryError:
            now = None
        if now is not None and now.version() >= expected:
            since = now.history(now.version() - expected + 1)
            if any(commit.get(commits.MARK) == mark for commit in since):
                return
            raise Overtaken(self.place.location) from None
        raise self.place.unwritable(reason_of(error)) from None

    def compact(self) -> bool:
        """Merges the small files of each line that has many of them, in one commit.

        The runs and their order stay the same. If the merge fails, the files stay as they are,
        which is slow but correct; the next commit tries again.

        Returns:
            Whether files were merged.
        """
        with self.lock(), suppress(HistoryError, *_FAILURES):
            table = self.open()
            scattered = [] if table is None else scattered_lines(table)
            if table is not None and scattered:
                version = table.version()
                self.keep_hashes(version)
                small = small_files(table)
                small = small.filter(pc.is_in(small["partition.line"], pa.array(scattered)))
                added, removed = merge_files(self.place.filesystem, small, SMALL_BYTES)
                if added:
                    told = noted(self.place.filesystem, version, ())
                    commits.append(table, pa.schema([]), added, removed=removed, noted=told)
                    self._settle(version + 1)
                    return True
        return False

    def peek(self, version: int) -> DeltaTable | None:
        """Opens the table at a version, even if later commits are damaged.

        Returns:
            The opened table; None when it cannot be read.
        """
        try:
            table = DeltaTable(self.place.uri, version=version)
        except _FAILURES:
            return None
        self._refuse_other_tables(table)
        return table

    def restore(self, version: int, events: Sequence[Event] = ()) -> int:
        """Commits what an earlier version holds, and ``events``; returns the new version."""
        table = self.open()
        assert table is not None
        expected, mark = table.version() + 1, uuid4().hex
        self.keep_hashes(expected - 1)
        try:
            told = noted(self.place.filesystem, version, events, restores=True)
            table.restore(version, commit_properties=commits.alone(mark, told))
        except _FAILURES as error:
            self._explain(error, expected, mark)
        self._settle(expected)
        return expected

    def _settle(self, version: int) -> None:
        """Flushes a commit and its files to the disk, so that they survive a power cut.

        Failing to flush is not an error, since some file systems cannot.
        """
        folder = self.place.folder
        if folder is not None:
            with suppress(OSError):
                commit = commit_file(folder, version)
                actions = map(json.loads, commit.read_bytes().splitlines())
                added = [folder / unquote(a["add"]["path"]) for a in actions if "add" in a]
                flush(*added, commit, *{file.parent for file in (*added, commit)})
        self.keep_hashes(version)

    def keep_hashes(self, version: int) -> None:
        """Keeps the hashes of the files that a version added to the log.

        If that fails, the commit is still valid, and the next commit keeps the hashes.
        """
        if version < 0:
            return
        with suppress(*_FAILURES):
            folder = hash_log(self.place.filesystem, version)
            if folder is not None and self.place.folder is not None:
                flush(self.place.folder / folder, self.place.folder / HASHES)


def commit_file(folder: Path, version: int) -> Path:
    """Path of the file of a commit, by the Delta protocol."""
    return folder / LOG / f"{version:020d}.json"


def files_of(table: DeltaTable) -> pa.Table:
    """One row for each data file: ``path``, ``size_bytes``, ``num_records``, ``partition.line``.

    Further columns hold statistics of the data, such as ``min.grade``. Statistics of times are left
    out, since Python cannot represent all of them.
    """
    files = pa.table(table.get_add_actions(flatten=True))
    return files.select([f.name for f in files.schema if not pa.types.is_timestamp(f.type)])


def written_at(table: DeltaTable) -> datetime:
    """When the newest data file of a version was written, as the log states it.

    The log does not change, so that a plan made on the version can always be reproduced.
    """
    newest = pc.max(files_of(table)["modification_time"]).as_py()
    return datetime.fromtimestamp((newest or 0) / 1000, UTC)


def small_files(table: DeltaTable) -> pa.Table:
    """The rows of ``files_of`` whose files are smaller than ``SMALL_BYTES``."""
    files = files_of(table)
    return files.filter(pc.less(files["size_bytes"], SMALL_BYTES))


def scattered_lines(table: DeltaTable) -> list[str]:
    """Names of the lines with more than ``MOST_SMALL_FILES`` small files, sorted."""
    counts = Counter(small_files(table)["partition.line"].to_pylist())
    return sorted(line for line, count in counts.items() if count > MOST_SMALL_FILES)
