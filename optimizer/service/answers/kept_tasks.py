"""Answers that are made in a thread, each once for as long as it is kept."""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

T = TypeVar("T")


class KeptTasks:
    """The answers to the questions that were asked last.

    Args:
        most: largest number of answers to keep; the one that was not asked for the longest time is
            dropped first.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: OrderedDict[Hashable, asyncio.Task[Any]] = OrderedDict()

    async def of(self, question: Hashable, make: Callable[[], T]) -> T:
        """The answer to a question, made in a thread where it is not kept.

        Raises:
            Exception: the errors of ``make``; a failure is not kept.
        """
        task = self._kept.get(question)
        if task is None:
            task = asyncio.create_task(asyncio.to_thread(make))
            self._kept[question] = task
        self._kept.move_to_end(question)
        while len(self._kept) > self._most:
            self._kept.popitem(last=False)
        try:
            # The task is shielded: when one waiting request is cancelled, the others still get it.
            found: T = await asyncio.shield(task)
        except BaseException:
            if task.done():
                self._kept.pop(question, None)
            raise
        return found
