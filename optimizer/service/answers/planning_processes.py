"""The planning processes of a service: each makes one answer at a time, and can be ended at any
moment without harm to the answers of the others."""

from __future__ import annotations

import asyncio
import multiprocessing
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any, Protocol

from optimizer.service.answers import planning_process
from optimizer.service.answers.order import Order

ANSWERS_A_PROCESS = 500
"""Number of answers after which a planning process is replaced, which frees memory that libraries
hold."""
PARTING_SECONDS = 10.0
"""Seconds in which an idle process has to end by itself before it is ended."""

Work = tuple[str, Order, str, Mapping[str, Any]]
"""The arguments of ``planning_process.make_answer``."""


class ProcessEnded(Exception):
    """The process that made an answer ended before it was made."""


class Planner(Protocol):
    """What makes answers, one at a time."""

    @property
    def usable(self) -> bool:
        """Whether it can make another answer."""

    def ask(self, work: Work) -> bytes:
        """The answer, once it is made.

        Raises:
            ProcessEnded: when the process ended meanwhile.
            HighsideError: the errors of the library function that makes the answer.
        """

    def end(self) -> None:
        """End it, also in the middle of an answer."""

    def dismiss(self) -> None:
        """Let it end, where it makes no answer."""


class PlannerProcess:
    """A planning process, which loads its libraries as soon as it is made."""

    def __init__(self) -> None:
        # Processes are spawned, since a fork would copy locks that threads may hold at that moment.
        context = multiprocessing.get_context("spawn")
        self._link, far = context.Pipe()
        self._process = context.Process(target=planning_process.serve, args=(far,), daemon=True)
        self._process.start()
        far.close()  # so that the end of the process ends the wait for its answer
        self._left = ANSWERS_A_PROCESS

    @property
    def usable(self) -> bool:
        """Whether the process lives, was not ended, and has not made its number of answers."""
        return self._left > 0 and self._process.is_alive()

    def ask(self, work: Work) -> bytes:
        """The answer, once it is made; errors as of ``Planner.ask``."""
        self._left -= 1
        try:
            self._link.send(work)
            content, error = self._link.recv()
        except (EOFError, OSError):
            raise ProcessEnded from None
        if error is not None:
            raise error
        return bytes(content)

    def end(self) -> None:
        """Kill the process; what it writes, it writes whole or not at all."""
        self._left = 0
        self._process.kill()

    def dismiss(self) -> None:
        """Let the process end, and wait for its end."""
        self._link.close()
        self._process.join(PARTING_SECONDS)
        self._process.kill()


class PlannerThread:
    """Makes answers in a thread of this process, where a test can patch what makes them.

    A thread cannot be ended: a cancelled answer ends at its next stage, see ``make_answer``.
    """

    usable = True

    def ask(self, work: Work) -> bytes:
        """The answer; errors as of ``Planner.ask``."""
        return planning_process.make_answer(*work)

    def end(self) -> None:
        """Do nothing."""

    def dismiss(self) -> None:
        """Do nothing."""


class PlanningProcesses:
    """The planners of one service, and the order of who waits for one.

    Args:
        count: number of processes; 0 for a thread of this process.
    """

    def __init__(self, count: int) -> None:
        self._kind: Callable[[], Planner] = PlannerProcess if count else PlannerThread
        self._count = max(1, count)
        self._turns = asyncio.Semaphore(self._count)
        self._threads = ThreadPoolExecutor(self._count)
        self._idle: list[Planner] = []
        self.busy: set[str] = set()
        """Keys of the answers that are being made."""

    def warm_up(self) -> None:
        """Start the processes, so that the first answer does not wait for libraries."""
        self._idle = [self._kind() for _ in range(self._count)]

    async def make(self, work: Work) -> bytes:
        """The answer, once a planner is free and has made it; a second planner tries where the
        first one ends. When the task is cancelled, its planner is ended.

        Raises:
            ProcessEnded: when the second planner ends, too.
            HighsideError: the errors of the library function that makes the answer.
        """
        async with self._turns:
            self.busy.add(work[1].key)
            try:
                try:
                    return await self._ask(work)
                except ProcessEnded:
                    return await self._ask(work)
            finally:
                self.busy.discard(work[1].key)

    async def _ask(self, work: Work) -> bytes:
        planner = self._chosen()
        loop = asyncio.get_running_loop()
        try:
            return await loop.run_in_executor(self._threads, planner.ask, work)
        except (asyncio.CancelledError, ProcessEnded):
            planner.end()
            raise
        finally:
            self._idle.append(planner)

    def _chosen(self) -> Planner:
        """A planner that is idle, or a new one in place of one that is used up."""
        planner = self._idle.pop() if self._idle else self._kind()
        if planner.usable:
            return planner
        planner.dismiss()
        return self._kind()

    async def close(self) -> None:
        """Let the planners end; no answer may be being made."""
        idle, self._idle = self._idle, []
        for planner in idle:
            self._threads.submit(planner.dismiss)
        await asyncio.to_thread(partial(self._threads.shutdown, wait=True))
