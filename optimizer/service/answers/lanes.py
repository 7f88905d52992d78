"""The lanes in which answers are made: who waits, which planners are idle, and how long an answer
may take."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial

from optimizer.service.answers.planning_processes import (
    Planner,
    PlannerProcess,
    PlannerThread,
    ProcessEnded,
    Work,
)
from optimizer.service.answers.turns import DECK, LANES, STUDIES, Ticket, Turns
from optimizer.service.exchange.problems import Problem

NICENESS = {DECK: 0, STUDIES: 5}
"""How far planners give way to the process that answers requests and to one another, as of
the ``nice`` command (POSIX)."""


class Lanes:
    """The planners of one service, by lane, and who waits for one.

    Args:
        count: number of planning processes of each lane; 0 for threads of this process.
    """

    def __init__(self, count: int) -> None:
        self._kind: dict[str, Callable[[], Planner]] = {
            lane: partial(PlannerProcess, NICENESS[lane]) if count else PlannerThread
            for lane in LANES
        }
        self._count = max(1, count)
        self._free = dict.fromkeys(LANES, self._count)
        self._threads = {lane: ThreadPoolExecutor(self._count) for lane in LANES}
        self._idle: dict[str, list[Planner]] = {lane: [] for lane in LANES}
        self._turns = Turns()
        self._called: dict[str, asyncio.Future[Ticket]] = {}
        self.busy: set[str] = set()
        """Keys of the answers that are being made."""

    def warm_up(self) -> None:
        """Start the processes for the deck, so that the first plan does not wait for libraries;
        those for studies start at the first study."""
        self._idle[DECK] = [self._kind[DECK]() for _ in range(self._count)]

    async def make(self, ticket: Ticket, work: Work) -> bytes:
        """The answer, once a planner is free and has made it; a second planner tries where the
        first one ends. When the task is cancelled, its planner is ended.

        Raises:
            Problem: when the answer takes longer than its time budget.
            ProcessEnded: when the second planner ends, too.
            HighsideError: the errors of the library function that makes the answer.
        """
        ticket = await self._turn(ticket)
        self.busy.add(ticket.key)
        try:
            async with asyncio.timeout(ticket.seconds) as budget:
                try:
                    return await self._ask(ticket.lane, work)
                except ProcessEnded:
                    return await self._ask(ticket.lane, work)
        except TimeoutError:
            if budget.expired():
                raise _too_long(ticket.seconds) from None
            raise
        finally:
            self.busy.discard(ticket.key)
            self._free[ticket.lane] += 1
            self._call(ticket.lane)

    def promote(self, ticket: Ticket) -> None:
        """Let an answer that waits among the studies be made at the deck, since a person there
        asks for it too."""
        if self._turns.promote(ticket):
            self._call(ticket.lane)

    async def _turn(self, ticket: Ticket) -> Ticket:
        """Wait until it is an answer's turn; its ticket, whose lane may have changed meanwhile."""
        called = self._called[ticket.key] = asyncio.get_running_loop().create_future()
        self._turns.add(ticket)
        self._call(ticket.lane)
        try:
            return await called
        except asyncio.CancelledError:
            if called.done() and not called.cancelled():  # it was called at that moment
                lane = called.result().lane
                self._free[lane] += 1
                self._call(lane)
            raise
        finally:
            if self._called.get(ticket.key) is called:  # else it was asked for anew meanwhile
                self._turns.remove(ticket.key)
                del self._called[ticket.key]

    def _call(self, lane: str) -> None:
        """Call who is next, for as long as planners are free."""
        while self._free[lane] and (ticket := self._turns.next(lane)) is not None:
            called = self._called[ticket.key]
            if not called.done():
                self._free[lane] -= 1
                called.set_result(ticket)

    async def _ask(self, lane: str, work: Work) -> bytes:
        planner = self._chosen(lane)
        loop = asyncio.get_running_loop()
        try:
            return await loop.run_in_executor(self._threads[lane], planner.ask, work)
        except (asyncio.CancelledError, ProcessEnded):
            planner.end()
            raise
        finally:
            self._idle[lane].append(planner)

    def _chosen(self, lane: str) -> Planner:
        """A planner that is idle, or a new one in place of one that is used up."""
        planner = self._idle[lane].pop() if self._idle[lane] else self._kind[lane]()
        if planner.usable:
            return planner
        asyncio.get_running_loop().run_in_executor(None, planner.dismiss)
        return self._kind[lane]()

    async def close(self) -> None:
        """Let the planners end; no answer may be being made."""
        for lane in LANES:
            idle, self._idle[lane] = self._idle[lane], []
            for planner in idle:
                self._threads[lane].submit(planner.dismiss)
        for threads in self._threads.values():
            await asyncio.to_thread(partial(threads.shutdown, wait=True))


def _too_long(seconds: float) -> Problem:
    return Problem(
        503, f"the answer was not made within {seconds:g} s.", code="took-too-long",
        hint="Ask for less: fewer trials, or one line.",
    )  # fmt: skip
