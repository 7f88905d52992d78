"""Files of strangers are parsed in a process with limits, and refused where these are exceeded."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import shutil
import tempfile
import time
from collections import Counter
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

from optimizer.intake.formats.parsed import SPLIT
from optimizer.intake.reading.columns import Headings
from optimizer.intake.settling.log_files import LogFile, parsed_file
from optimizer.plant.site import Site
from optimizer.service.exchange import problems
from optimizer.service.exchange.problems import Problem
from optimizer.service.recording import reading_process
from optimizer.service.recording.reading_process import (
    CPU_SECONDS,
    MEMORY,
    Refusal,
    Work,
    parse,
)

MOST_WAITING = 8
"""Largest number of files that wait to be read; further ones are refused."""
MOST_OF_ONE = 4
"""Largest number of them that one person may have sent, so that others find room."""
LONGEST_SECONDS = 600.0
"""Seconds after which reading is given up whatever it waits for."""
LEFT_SECONDS = 3600.0
"""Age of a folder, seconds, from which on it was left by a process that was killed."""
FILES_A_PROCESS = 200
"""Number of files after which the process is replaced, which frees memory that libraries hold."""


class Untrusted:
    """The reading process of one service, which starts at the first file.

    Args:
        folder: folder in which files are handed over; a missing one is created.
        apart: whether files are read in a process with limits, rather than in a thread.
    """

    def __init__(self, folder: Path, *, apart: bool = True) -> None:
        self._folder = folder
        self._apart = apart
        self._turn = asyncio.Lock()
        self._waiting: Counter[str | None] = Counter()
        self._process: Any = None
        self._link: Any = None
        self._left = 0

    @asynccontextmanager
    async def parsed(
        self,
        place: str | bytes,
        name: str,
        site: Site,
        *,
        who: str | None = None,
        named: bool = False,
        **how: Any,
    ) -> AsyncIterator[LogFile]:
        """A context with the logs of a file, which the reading process parsed within its limits.

        A file that is merely wrong is not refused; that is told where it is loaded.

        Args:
            place: path or content of the file.
            name: what messages and reports call it.
            site: the plant, by whose names headings are recognized.
            who: name of the person who sent it; None where persons have no names, and only the
                number of all files is limited.
            named: whether the name is that of a person's file, by which a log may be known again.
            how: ``kind``, ``mapping`` and ``line`` of ``Work``.

        Raises:
            InputError: when a heading is mapped to an unknown field.
            Problem: with status 413 when it is too large to be read, another one when it is not
                what it must be, and 429 when too many files wait.
        """
        Headings(site, how.get("mapping"))
        folder = await asyncio.to_thread(self._new_folder)
        try:
            await self._parse(Work(place, name, str(folder), site=site, **how), who)
            yield parsed_file(name, folder, named)
        finally:
            await asyncio.to_thread(shutil.rmtree, folder, ignore_errors=True)

    def _new_folder(self) -> Path:
        """An empty folder; those that killed processes left are removed."""
        self._folder.mkdir(parents=True, exist_ok=True)
        for path in self._folder.iterdir():
            with suppress(OSError):
                if time.time() - path.stat().st_mtime > LEFT_SECONDS:
                    shutil.rmtree(path, ignore_errors=True)
        return Path(tempfile.mkdtemp(dir=self._folder))

    async def _parse(self, work: Work, who: str | None) -> None:
        if who is not None and self._waiting[who] >= MOST_OF_ONE:
            raise _too_many(f"{self._waiting[who]} files of yours")
        if self._waiting.total() >= MOST_WAITING:
            raise _too_many(f"{self._waiting.total()} files")
        self._waiting[who] += 1
        try:
            async with self._turn:
                refused = await self._ask(work)
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
            "message": f"{work.name} needs more than {MEMORY >> 20:,} MiB of memory or more than "
            f"{CPU_SECONDS} s of processor time to be read.",
            "code": "too-large",
            "hint": SPLIT,
        }

    def _asked(self, work: Work) -> Refusal | None:
        if not self._apart:
            return parse(work)
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
