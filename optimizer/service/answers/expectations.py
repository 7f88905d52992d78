"""What to expect at chosen settings, asked of a process that keeps the fitted line."""

from __future__ import annotations

import asyncio
import multiprocessing
from collections.abc import Mapping
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from functools import partial
from typing import Any

from optimizer.errors import HistoryError
from optimizer.plant.brief import Brief
from optimizer.service.answers import model_process, planning_process
from optimizer.service.answers.order import Order
from optimizer.service.exchange import problems
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.exchange.problems import Problem

MOST_BYTES = 1 << 31
"""Memory from which on the model process is replaced, which frees what libraries hold."""

OF_TRIALS = ("settle_minutes", "sample_minutes")
"""Parts of the brief about trials that the evidence depends on."""

Document = dict[str, Any]


def of_fit(brief: Mapping[str, Any]) -> tuple[dict[str, Any], float | None]:
    """The part of a brief that a fitted line is kept for, and the grade to reach, a fraction.

    The grade is apart, and the number of trials left out, so that neither asks for another fit.

    Raises:
        InputError: when the brief is malformed.
    """
    grade = Brief.from_dict(brief).goal.min_grade
    left = {key: value for key, value in brief.items() if key != "pending"}
    for key, keep in (("goal", _is_no_grade), ("trials", OF_TRIALS.__contains__)):
        left[key] = {name: value for name, value in left.get(key, {}).items() if keep(name)}
    return {key: value for key, value in left.items() if value}, grade


def _is_no_grade(name: str) -> bool:
    return name != "min_grade"


class Expectations:
    """The questions to the model process of one service, which starts at the first of them.

    Args:
        configuration: the history, and the largest number of waiting questions.
    """

    def __init__(self, configuration: Configuration) -> None:
        self.configuration = configuration
        self._running: dict[object, asyncio.Task[Document]] = {}
        self._process: Executor | None = None

    async def of(
        self, order: Order, settings: Mapping[str, float], min_grade: float | None
    ) -> Document:
        """What to expect at some settings: the ``highside.expected/1`` document.

        Arguments and further errors are those of ``model_process.expected``. A question that is
        being answered already is not asked again, and goes on when a waiting request is cancelled.

        Raises:
            Problem: when too many questions wait.
            HistoryError: when the process ended twice.
        """
        question = (order.key, tuple(sorted(settings.items())), min_grade)
        task = self._running.get(question)
        if task is None:
            if len(self._running) >= self.configuration.waiting:
                raise Problem(
                    429,
                    f"{len(self._running)} questions are waiting already.",
                    code="too-many-waiting",
                    headers={"Retry-After": str(problems.RETRY_SECONDS)},
                )
            task = asyncio.create_task(self._ask(order, settings, min_grade))
            self._running[question] = task
            task.add_done_callback(partial(self._ended, question))
        return await asyncio.shield(task)

    def _ended(self, question: object, task: asyncio.Task[Document]) -> None:
        self._running.pop(question, None)
        if not task.cancelled():
            task.exception()  # retrieved, since perhaps nobody waits any more

    async def _ask(
        self, order: Order, settings: Mapping[str, float], min_grade: float | None
    ) -> Document:
        for _ in range(2):
            process = self._started()
            try:
                document, held = await asyncio.get_running_loop().run_in_executor(
                    process, model_process.expected,
                    self.configuration.history, order, settings, min_grade,
                )  # fmt: skip
            except BrokenProcessPool:
                self._leave(process)
                continue
            if held > MOST_BYTES:
                self._leave(process)
            return document
        raise HistoryError(
            "the process that keeps the fitted model ended.", code="model-ended",
            hint="Ask again; if it happens again, look for too little memory.",
        )  # fmt: skip

    def _started(self) -> Executor:
        if self._process is None and not self.configuration.planners:
            self._process = ThreadPoolExecutor(1)
        if self._process is None:
            # It is spawned, since a fork would copy locks that threads may hold at that moment.
            self._process = ProcessPoolExecutor(
                1,
                mp_context=multiprocessing.get_context("spawn"),
                initializer=planning_process.start_up,
            )
        return self._process

    def _leave(self, process: Executor) -> None:
        """Let a process end after the questions that it has, and start another at the next one."""
        if self._process is process and self.configuration.planners:
            self._process = None
            process.shutdown(wait=False)

    async def close(self) -> None:
        """Cancel the questions, also in the middle of an answer."""
        for task in list(self._running.values()):
            task.cancel()
        if self._process is not None:
            # A question cannot be ended by itself, and its process would keep the service.
            for process in list((getattr(self._process, "_processes", None) or {}).values()):
                process.kill()
            await asyncio.to_thread(partial(self._process.shutdown, wait=True, cancel_futures=True))
