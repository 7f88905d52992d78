"""The report of a load, which accounts for every row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

SHOWN_REJECTS = 1000
"""Rejects in the answer; all of them are in the rejects file."""


@dataclass
class FileTally:
    """What became of the rows of one log.

    Args:
        file: the log, in a workbook or an archive named after it.
        read, added, already_known, rejected: rows.
        error: why the log could not be read, or not to its end.
        runs: runs that the rows added make up, where rows are readings over time.
    """

    file: str
    read: int = 0
    added: int = 0
    already_known: int = 0
    rejected: int = 0
    error: str | None = None
    runs: int | None = None

    def as_dict(self) -> dict[str, Any]:
        """The tally as JSON; ``error`` and ``runs`` only where there is something to say."""
        counts = {k: getattr(self, k) for k in ("read", "added", "already_known", "rejected")}
        more = {"error": self.error, "runs": self.runs}
        return {"file": self.file, **counts, **{k: v for k, v in more.items() if v is not None}}


@dataclass(frozen=True)
class LoadReport:
    """What a load did; ``read = added + already_known + rejected``, in rows.

    Args:
        files: tallies, in the order the files were read.
        rejects: the first 1000 rejected rows; a file rejected as a whole is row 0 and no row.
        rejects_file: where all of them are, for a person to correct and load again.
        warnings: sentences on what was read and may not be meant.
        version: version of the history after the load; None while it is empty.
    """

    files: tuple[FileTally, ...]
    rejects: tuple[dict[str, Any], ...]
    rejects_file: str | None
    warnings: tuple[str, ...]
    version: int | None

    @property
    def read(self) -> int:
        """Rows read."""
        return sum(f.read for f in self.files)

    @property
    def added(self) -> int:
        """Rows that became runs."""
        return sum(f.added for f in self.files)

    @property
    def already_known(self) -> int:
        """Rows of runs that the history has."""
        return sum(f.already_known for f in self.files)

    @property
    def rejected(self) -> int:
        """Rows rejected."""
        return sum(f.rejected for f in self.files)

    @property
    def unreadable(self) -> tuple[str, ...]:
        """Files that could not be read to their end, or were rejected as a whole."""
        return tuple(f.file for f in self.files if f.error)

    def as_dict(self) -> dict[str, Any]:
        """The report as the contract's ``highside.load/1``."""
        return {
            "schema": "highside.load/1",
            "read": self.read,
            "added": self.added,
            "already_known": self.already_known,
            "rejected": self.rejected,
            "files": [f.as_dict() for f in self.files],
            "rejects_file": self.rejects_file,
            "rejects": list(self.rejects),
            "warnings": list(self.warnings),
            "version": self.version,
        }
