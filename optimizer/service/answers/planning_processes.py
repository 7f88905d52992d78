"""A planning process as the service sees it: it makes one answer at a time, and can be ended at any
moment without harm to the answers of others."""

from __future__ import annotations

import multiprocessing
from collections.abc import Mapping
from typing import Any, Protocol

from optimizer.service.answers import planning_process
from optimizer.service.answers.order import Order

ANSWERS_A_PROCESS = 500
"""Number of answers after which a planning process is replaced, which frees memory that libraries
hold."""
PARTING_SECONDS = 2.0
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
    """A planning process, which loads its libraries as soon as it is made.

    Args:
        niceness: how far the process gives way to others.
    """

    def __init__(self, niceness: int = 0) -> None:
        # Processes are spawned, since a fork would copy locks that threads may hold at that moment.
        context = multiprocessing.get_context("spawn")
        self._link, far = context.Pipe()
        self._process = context.Process(
            target=planning_process.serve, args=(far, niceness), daemon=True
        )
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
