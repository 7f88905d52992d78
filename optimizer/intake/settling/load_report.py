"""The report of a load, which accounts for every row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from optimizer.intake.questioning.question import Question

SHOWN_REJECTS = 1000
"""Largest number of rejects in a report; the rejects file has all of them."""


@dataclass
class FileTally:
    """The counts of added, known and rejected rows of one log.

    Of readings over time, ``added`` counts the runs, and ``readings`` the rows that they are made
    of.

    Args:
        file: name of the log; in a workbook or an archive it includes the name of that file.
        read, added, already_known, rejected: numbers of rows.
        error: reason why the log could not be read, or not to its end; else None.
        readings: number of rows of added runs, where rows are readings over time; else None.
        corrected: number of rows that corrected a known run; None where no row may.
    """

    file: str
    read: int = 0
    added: int = 0
    already_known: int = 0
    rejected: int = 0
    error: str | None = None
    readings: int | None = None
    corrected: int | None = None

    def count(self, rows: int, runs: int) -> None:
        """Count rows of added runs, and added runs."""
        self.added += rows if self.readings is None else runs
        self.readings = None if self.readings is None else self.readings + rows

    def as_dict(self) -> dict[str, Any]:
        """The tally as JSON, with ``error``, ``readings`` and ``corrected`` only where they
        have values."""
        counts = {k: getattr(self, k) for k in ("read", "added", "already_known", "rejected")}
        more = {"corrected": self.corrected, "error": self.error, "readings": self.readings}
        return {"file": self.file, **counts, **{k: v for k, v in more.items() if v is not None}}


@dataclass(frozen=True)
class LoadReport:
    """The report of a load, in which ``read = added + already_known + corrected + rejected`` rows.

    Of readings over time, ``readings`` takes the place of ``added``, which then counts runs.

    Args:
        files: tallies in the order in which the files were read.
        rejects: the first 1000 rejected rows; a file that was rejected as a whole is listed as row
            0 and does not count as a row.
        rejects_file: path of the file with all rejects, which a person can correct and load again.
        warnings: sentences about content that may not be what the user meant.
        version: version of the history after the load; None while the history is empty.
        questions: the first 1000 questions about values that are possible but hard to believe; the
            rows are loaded all the same.
        questions_total: number of all questions.
        days: what was made of readings over time, by line and day, where a picture is wanted.
    """

    files: tuple[FileTally, ...]
    rejects: tuple[dict[str, Any], ...]
    rejects_file: str | None
    warnings: tuple[str, ...]
    version: int | None
    questions: tuple[Question, ...] = ()
    questions_total: int = 0
    days: tuple[dict[str, Any], ...] = ()

    @property
    def read(self) -> int:
        """Number of rows read."""
        return sum(f.read for f in self.files)

    @property
    def added(self) -> int:
        """Number of runs that were added; one row makes one, except for readings over time."""
        return sum(f.added for f in self.files)

    @property
    def readings(self) -> int | None:
        """Number of rows of the added runs, where rows are readings over time; else None."""
        counts = [f.readings for f in self.files if f.readings is not None]
        return sum(counts) if counts else None

    @property
    def already_known(self) -> int:
        """Number of rows of runs that the history already has."""
        return sum(f.already_known for f in self.files)

    @property
    def corrected(self) -> int | None:
        """Number of rows that corrected a known run; None for a load in which no row may."""
        counts = [f.corrected for f in self.files if f.corrected is not None]
        return sum(counts) if counts else None

    @property
    def rejected(self) -> int:
        """Number of rejected rows."""
        return sum(f.rejected for f in self.files)

    @property
    def unreadable(self) -> tuple[str, ...]:
        """Number of files that could not be read to their end or were rejected as a whole."""
        return tuple(f.file for f in self.files if f.error)

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.load/1`` document."""
        more = self.questions_total > len(self.questions)
        return {
            "schema": "highside.load/1",
            "read": self.read,
            "added": self.added,
            "already_known": self.already_known,
            "rejected": self.rejected,
            **({} if self.readings is None else {"readings": self.readings}),
            **({} if self.corrected is None else {"corrected": self.corrected}),
            "files": [f.as_dict() for f in self.files],
            "rejects_file": self.rejects_file,
            "rejects": list(self.rejects),
            "warnings": list(self.warnings),
            "version": self.version,
            "questions": [question.as_dict() for question in self.questions],
            **({"questions_total": self.questions_total} if more else {}),
        }
