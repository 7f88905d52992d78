"""The audit trail: an append-only file that says who recorded what, when and from where."""

from __future__ import annotations

import json
import os
import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from optimizer.errors import HistoryError, reason_of

RECENT_BYTES = 1 << 22
"""How much of the end of the audit trail ``Audit.recent`` reads."""


class Audit:
    """The audit trail of one service, one line of JSON for each entry; several processes may
    append.

    Args:
        path: path of the file; a missing folder is created.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()

    def add(self, **entry: Any) -> None:
        """Append an entry, and return when it is on disk.

        Raises:
            HistoryError: when the entry cannot be written.
        """
        line = json.dumps({"at": datetime.now(UTC).isoformat(timespec="milliseconds"), **entry})
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self._lock:
                # Each entry is one write to a file opened for appending, so lines of several
                # processes do not mix.
                handle = os.open(self.path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o600)
                try:
                    os.write(handle, (line + "\n").encode())
                    os.fsync(handle)
                finally:
                    os.close(handle)
        except OSError as error:
            raise HistoryError(
                f"the audit trail '{self.path}' cannot be written: {reason_of(error)}.",
                code="unwritable-audit",
                hint="Check the space on the disk and the permissions.",
            ) from None

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
