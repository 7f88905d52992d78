"""The audit trail: an append-only file that says who recorded what, when and from where.

``audit_chain`` says how its lines depend on each other, so that no edit goes unseen.
"""

from __future__ import annotations

import asyncio
import json
import os
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from filelock import FileLock

from optimizer.errors import HistoryError, reason_of
from optimizer.files import BINARY
from optimizer.service.recording.audit_chain import (
    BROKEN,
    COUNT,
    TRAIL,
    Head,
    chained,
    count_of,
    place_of,
)
from optimizer.text.visible_text import printable

RECENT_BYTES = 1 << 22
"""How much of the end of the audit trail ``Audit.recent`` reads."""
LOCK_SECONDS = 20.0
"""How long an entry waits for those of other processes."""
POLL_SECONDS = 0.005
LONGEST_REST = 200
"""Number of characters of a half line that are kept when it is taken out."""
UNFINISHED = "unfinished-line"


class Audit:
    """The audit trail of one service, one line of JSON for each entry; several processes may
    append.

    Args:
        folder: folder of the service, which holds the trail; a missing one is created.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / TRAIL
        self._count = folder / COUNT
        self._lock = threading.Lock()
        self._waiting: list[tuple[dict[str, Any], asyncio.Future[None]]] = []
        self._writing: asyncio.Task[None] | None = None

    async def note(self, **entry: Any) -> None:
        """Append an entry from the event loop, and return when it is on disk.

        Entries that wait at the same time are written together, so that a person's entry does not
        wait for each of many refused requests. An entry is written also where its sender has gone.

        Raises:
            HistoryError: when the entry cannot be written.
        """
        loop = asyncio.get_running_loop()
        done: asyncio.Future[None] = loop.create_future()
        self._waiting.append((entry, done))
        if self._writing is None or self._writing.done():
            self._writing = loop.create_task(self._write_waiting())
        await done

    async def _write_waiting(self) -> None:
        while self._waiting:
            group, self._waiting = self._waiting, []
            failure: Exception | None = None
            try:
                await asyncio.to_thread(self._add, [entry for entry, _ in group])
            except Exception as error:
                failure = error
            for _, done in group:
                if done.done():  # its sender has gone
                    continue
                if failure is None:
                    done.set_result(None)
                else:
                    done.set_exception(failure)

    def add(self, **entry: Any) -> None:
        """Append an entry, and return when it is on disk.

        Raises:
            HistoryError: when the entry cannot be written.
        """
        self._add([entry])

    def _add(self, entries: Sequence[dict[str, Any]]) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            lock = self.path.with_suffix(".lock")
            with self._lock, FileLock(str(lock), LOCK_SECONDS, poll_interval=POLL_SECONDS):
                self._append(entries)
        except OSError as error:
            raise HistoryError(
                f"the audit trail '{self.path}' cannot be written: {reason_of(error)}.",
                code="unwritable-audit",
                hint="Check the space on the disk and the permissions.",
            ) from None

    def _append(self, entries: Sequence[dict[str, Any]]) -> None:
        with _opened(self.path) as trail:
            head, start, found = self._end(trail)
            lines = b""
            for each in (*found, *entries):
                at = datetime.now(UTC).isoformat(timespec="milliseconds")
                line = chained({"at": at, **each}, head)
                head, lines = head.after(line), lines + line + b"\n"
            os.lseek(trail, 0, os.SEEK_END)
            _write(trail, start + lines)
        # A kill at this place leaves lines beyond the count, which the next entry counts.
        with _opened(self._count) as count:
            _write(count, head.as_count())

    def _end(self, trail: int) -> tuple[Head, bytes, list[dict[str, Any]]]:
        """The end of the trail as it was counted; what ends its last line; and entries about what
        is not as it was written."""
        size = os.fstat(trail).st_size
        stated = self._count.read_bytes() if self._count.exists() else None
        counted = None if stated is None else count_of(stated)
        head = counted or Head()
        if size < head.size:
            end = _from(trail, size - 1) if size else b"\n"
            cut = {"did": BROKEN, "bytes": size, "counted_bytes": head.size}
            start = b"" if end == b"\n" else b"\n"
            return Head(head.lines, size + len(start), head.digest), start, [cut]
        *lines, rest = _from(trail, head.size).split(b"\n")
        for line in lines:
            head = head.after(line)
        found: list[dict[str, Any]] = []
        if counted is None and (stated is not None or any(map(place_of, lines))):
            found.append({"did": BROKEN, "count": "missing" if stated is None else "damaged"})
        if rest:  # a power cut leaves half a line, of which nobody was told that it was noted
            os.ftruncate(trail, size - len(rest))
            text = printable(rest.decode("utf-8", "replace")[:LONGEST_REST])
            found.append({"did": UNFINISHED, "text": text})
        return head, b"", found

    def recent(self) -> list[dict[str, Any]]:
        """The latest entries, oldest first; none where the trail cannot be read."""
        try:
            with self.path.open("rb") as file:
                size = file.seek(0, os.SEEK_END)
                file.seek(max(0, size - RECENT_BYTES))
                lines = file.read().splitlines()
        except OSError:
            return []
        found = []
        for line in lines[1:] if size > RECENT_BYTES else lines:
            try:
                found.append(json.loads(line))
            except ValueError:  # a power cut can leave half a line
                continue
        return [each for each in found if isinstance(each, dict)]


@contextmanager
def _opened(path: Path) -> Iterator[int]:
    """A file for reading and writing, which only its owner may read where it is new."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT | BINARY, 0o600)
    try:
        yield handle
    finally:
        os.close(handle)


def _from(handle: int, start: int) -> bytes:
    """The content of a file from a byte on."""
    os.lseek(handle, start, os.SEEK_SET)
    with os.fdopen(os.dup(handle), "rb") as file:
        return file.read()


def _write(handle: int, content: bytes) -> None:
    """Write at the present place of a file, and return when the content is on disk."""
    while content:
        content = content[os.write(handle, content) :]
    os.fsync(handle)
