"""Files of strangers are read in a process with limits first, and refused where these are
exceeded."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
from collections import Counter
from typing import Any

from optimizer.service.exchange import problems
from optimizer.service.exchange.problems import Problem
from optimizer.service.recording import reading_process
from optimizer.service.recording.reading_process import (
    CPU_SECONDS,
    MEMORY,
    SPLIT,
    Refusal,
    Work,
    refusal,
)

MOST_WAITING = 8
"""Largest number of files that wait to be read; further ones are refused."""
MOST_OF_ONE = 4
"""Largest number of them that one person may have sent, so that others find room."""
LONGEST_SECONDS = 600.0
"""Seconds after which reading is given up whatever it waits for."""
FILES_A_PROCESS = 200
"""Number of files after which the process is replaced, which frees memory that libraries hold."""


class Untrusted:
    """The reading process of one service, which starts at the first file.

    Args:
        apart: whether files are read in a process with limits, rather than in a thread.
    """

    def __init__(self, *, apart: bool = True) -> None:
        self._apart = apart
        self._turn = asyncio.Lock()
        self._waiting: Counter[str | None] = Counter()
        self._process: Any = None
        self._link: Any = None
        self._left = 0

    async def check(
        self, place: str | bytes, name: str, who: str | None = None, *, is_parquet: bool = False
    ) -> None:
        """Read a file to its end, within the limits of the reading process.

        A file that is merely wrong is not refused; that is told where it is loaded.

        Args:
            place: path or content of the file.
            name: what messages call it.
            who: name of the person who sent it; None where persons have no names, and only the
                number of all files is limited.
            is_parquet: whether it must be Parquet.

        Raises:
            Problem: with status 413 when it is too large to be read, 422 when it is not Parquet
                though it must be, and 429 when too many files wait.
        """
        if who is not None and self._waiting[who] >= MOST_OF_ONE:
            raise _too_many(f"{self._waiting[who]} files of yours")
        if self._waiting.total() >= MOST_WAITING:
            raise _too_many(f"{self._waiting.total()} files")
        self._waiting[who] += 1
        try:
            async with self._turn:
                refused = await self._ask((place, name, is_parquet))
        finally:
            self._waiting[who] -= 1
            self._waiting += Counter()  # forgets who has none
        if refused is not None:
            raise Problem(
                refused["status"], refused["message"], code=refused["code"], hint=refused["hint"]
            )

    async def _ask(self, work: Work) -> Refusal | None:
        """Why a file is refused; where the process ends over it, that is why."""
        try:
            async with asyncio.timeout(LONGEST_SECONDS):
                refused: Refusal | None = await asyncio.to_thread(self._asked, work)
        except (EOFError, OSError):  # it ended, or did not answer in time
            pass
        except asyncio.CancelledError:
            self.end()
            raise
        else:
            return refused
        self.end()
        return {
            "status": 413,
            "message": f"{work[1]} needs more than {MEMORY >> 20:,} MiB of memory or more than "
            f"{CPU_SECONDS} s of processor time to be read.",
            "code": "too-large",
            "hint": SPLIT,
        }

    def _asked(self, work: Work) -> Refusal | None:
        if not self._apart:
            return refusal(work)
        if self._process is None or not self._process.is_alive() or self._left <= 0:
            self.end()
            # Arrow's other pools reserve a gibibyte at once, which would count. The process reads
            # the variable when it loads Arrow.
            os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")
            context = multiprocessing.get_context("spawn")
            self._link, far = context.Pipe()
            self._process = context.Process(target=reading_process.serve, args=(far,), daemon=True)
            self._process.start()
            far.close()  # so that the end of the process ends the wait for it
            self._left = FILES_A_PROCESS
        self._left -= 1
        self._link.send(work)
        refused: Refusal | None
        refused, spent = self._link.recv()
        if spent:
            self.end()
        return refused

    def end(self) -> None:
        """End the process, also in the middle of a file."""
        if self._process is not None:
            self._process.kill()
            self._process = None


def _too_many(files: str) -> Problem:
    return Problem(
        429, f"{files} are being read already.", code="too-many-files",
        hint="Send it again in a moment; nothing of it was stored.",
        headers={"Retry-After": str(problems.RETRY_SECONDS)},
    )  # fmt: skip
