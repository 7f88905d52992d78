"""The states of jobs as files, which all processes of the service share."""

from __future__ import annotations

import json
import os
import time
from collections.abc import Iterator, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from optimizer.files import write_whole
from optimizer.service.exchange.problems import Problem

CANCELLED = "cancelled"
"""State of a cancelled job, and the ending of the file that says who cancelled it."""
UNDER_WAY = ("waiting", "running")
"""States of a job that has not ended."""
LOST_SECONDS = 20.0
"""Seconds after which a job under way counts as lost with its process, which should have shown
in the meantime that it is still there."""

State = dict[str, Any]


class JobFiles:
    """The job files of one folder.

    Each job has the file ``KEY.job`` with its state and, once it is done, ``KEY.answer``.
    ``KEY.cancelled`` says that it was cancelled, and by whom, to the process that makes the answer
    and to all others; it holds until the answer is asked for anew. ``KEY.page`` is the address of
    the page that shows the answer, where a person waits for it. ``KEY.order`` is what another
    process needs to go on with the job after its own has ended. The time of change of a job file is
    the last moment at which its process was known to be there; a process that ends sets it to the
    beginning of time, so that another one need not wait.

    Args:
        folder: folder of the files; it may not exist yet.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._known: dict[str, tuple[tuple[int, int], State]] = {}

    def path(self, key: str, suffix: str = "job") -> Path:
        """The file of a job.

        Raises:
            Problem: when the key is not one of a job.
        """
        if len(key) != 32 or not set(key) <= set("0123456789abcdef"):
            raise _no_job()
        return self.folder / f"{key}.{suffix}"

    def write(self, key: str, state: Mapping[str, Any]) -> None:
        """Write the state of a job.

        Raises:
            HistoryError: when the job file cannot be written.
        """
        write_state(self.path(key), state)

    def read(self, key: str) -> State:
        """The state of a job as its files say it; a job under way whose process has not shown
        itself for ``LOST_SECONDS`` is lost, and so is one that is done without an answer.

        Raises:
            Problem: when there is no such job.
        """
        changed_at, state = self._stored(key)
        state = dict(state)
        if state["state"] != "failed" and (cancelled := self.cancelled(key)) is not None:
            return {**state, **cancelled, "state": CANCELLED}
        silent = time.time() - changed_at > LOST_SECONDS
        if (state["state"] in UNDER_WAY and silent) or (
            state["state"] == "done" and not self.path(key, "answer").exists()
        ):
            state["state"] = "lost"
        return state

    def _stored(self, key: str) -> tuple[float, State]:
        """Time of change of a job file, in seconds, and what it holds; errors as of ``read``."""
        path = self.path(key)
        try:
            found = path.stat()
            stamp = found.st_ino, found.st_mtime_ns
            known = self._known.get(key)
            if known is None or known[0] != stamp:
                known = self._known[key] = stamp, json.loads(path.read_bytes())
        except (OSError, ValueError):
            self._known.pop(key, None)
            raise _no_job() from None
        return found.st_mtime, known[1]

    def under_way(self) -> Iterator[tuple[str, State]]:
        """Key and state of every job that has not ended, in no order.

        Every page tells their number, so files about jobs that ended are not looked for.
        """
        for path in self.folder.glob("*.job"):
            with suppress(Problem):  # removed meanwhile
                if self._stored(path.stem)[1]["state"] in UNDER_WAY:
                    state = self.read(path.stem)
                    if state["state"] in UNDER_WAY:
                        yield path.stem, state

    def all(self) -> Iterator[tuple[str, State]]:
        """Key and state of every job, in no order."""
        for path in self.folder.glob("*.job"):
            with suppress(Problem):  # removed meanwhile
                yield path.stem, self.read(path.stem)

    def cancel(self, key: str, who: str | None) -> None:
        """Say that a job is cancelled: by a person, or, where None, since nobody waits for it.

        Raises:
            HistoryError: when the file cannot be written.
        """
        said = {"ended_at": moment(), **({} if who is None else {"cancelled_by": who})}
        write_whole(self.path(key, CANCELLED), json.dumps(said).encode(), own=True)

    def cancelled(self, key: str) -> State | None:
        """Who cancelled a job, and when; None where nobody did."""
        try:
            found: State = json.loads(self.path(key, CANCELLED).read_bytes())
        except (OSError, ValueError):
            return None
        return found

    def begin(self, key: str, state: Mapping[str, Any]) -> None:
        """Write the state of a job that is asked for, anew where it was cancelled.

        Raises:
            HistoryError: when the job file cannot be written.
        """
        self.path(key, CANCELLED).unlink(missing_ok=True)
        self.write(key, state)

    def note_page(self, key: str, address: str) -> None:
        """Keep the address of the page that shows the answer of a job.

        Raises:
            HistoryError: when the file cannot be written.
        """
        if self.page(key) != address:
            write_whole(self.path(key, "page"), address.encode(), own=True)

    def page(self, key: str) -> str | None:
        """The address of the page that shows the answer of a job; None where none is known."""
        try:
            return self.path(key, "page").read_text(encoding="utf-8")
        except (OSError, ValueError):
            return None

    def touch(self, key: str) -> None:
        """Show that the process of a job is still there."""
        with suppress(OSError):
            os.utime(self.path(key))

    # -- what a process leaves to another ----------------------------------------------------

    def keep_order(self, key: str, about: Mapping[str, Any]) -> None:
        """Keep what another process needs to go on with a job.

        Raises:
            HistoryError: when the file cannot be written.
        """
        write_whole(self.path(key, "order"), json.dumps(about).encode(), own=True)

    def drop_order(self, key: str) -> None:
        """Let no other process go on with a job, which has ended."""
        with suppress(OSError):
            self.path(key, "order").unlink()

    def leave(self, key: str) -> None:
        """Leave a job to whichever process looks first."""
        with suppress(OSError):
            os.utime(self.path(key), (0, 0))

    def left(self) -> Iterator[tuple[str, State, bool]]:
        """The jobs under way that no process works on: key, state, and whether their process left
        them on purpose."""
        for path in self.folder.glob("*.order"):
            with suppress(Problem):
                changed_at, state = self._stored(path.stem)
                silent = time.time() - changed_at > LOST_SECONDS
                if silent and state["state"] in UNDER_WAY and self.cancelled(path.stem) is None:
                    yield path.stem, state, changed_at == 0.0

    def code_of_order(self, key: str) -> str | None:
        """The version of the program whose answer a kept order asks for; None where none is
        kept."""
        try:
            found = json.loads(self.path(key, "order").read_bytes()).get("code")
        except (OSError, ValueError, AttributeError):
            return None
        return found if isinstance(found, str) else None

    def take_order(self, key: str) -> dict[str, Any] | None:
        """What was kept of a job, for the one process that takes it; None for all others."""
        taken = self.path(key, "order").with_suffix(f".{os.getpid()}.taken")
        try:
            os.rename(self.path(key, "order"), taken)
            found: dict[str, Any] = json.loads(taken.read_bytes())
        except (OSError, ValueError):
            return None
        finally:
            taken.unlink(missing_ok=True)
        return found

    def clear(self, most: int) -> None:
        """Remove the jobs above the largest number to keep, with their answers, first those that
        were not used for the longest time; and files that were never completed."""
        dated = []
        for path in self.folder.glob("*.job"):
            try:
                dated.append((path.stat().st_mtime, path))
            except OSError:
                continue
        for hidden in self.folder.glob(".*.*"):  # a process that was ended could not remove them
            with suppress(OSError):
                if time.time() - hidden.stat().st_mtime > LOST_SECONDS:
                    hidden.unlink()
        for _, path in sorted(dated)[:-most]:
            self._known.pop(path.stem, None)
            for suffix in ("job", "answer", "page", "order", CANCELLED):
                self.path(path.stem, suffix).unlink(missing_ok=True)


def write_state(path: Path, state: Mapping[str, Any]) -> None:
    """Write the state of a job to its file.

    Raises:
        HistoryError: when the file cannot be written.
    """
    write_whole(path, json.dumps(state).encode(), own=True)


def moment() -> str:
    """The present time as a job file states it: ISO 8601 in UTC, to the microsecond, so that the
    texts of two moments are in the order of the moments."""
    return datetime.now(UTC).isoformat(timespec="microseconds")


def _no_job() -> Problem:
    return Problem(404, "there is no such job.", code="no-job")
