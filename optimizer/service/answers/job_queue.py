"""Long answers, each made once for a version of the history, in another process, and stored.

Answers and the states of jobs are files that all processes of the history share, so each process
can report the progress of any job.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import secrets
import time
from collections import OrderedDict
from collections.abc import Mapping
from functools import partial
from typing import Any

from optimizer.errors import HighsideError, HistoryError
from optimizer.history.history import History
from optimizer.plant.brief import Brief
from optimizer.service.answers.job_files import CANCELLED, UNDER_WAY, JobFiles, State, moment
from optimizer.service.answers.kinds import stages_of
from optimizer.service.answers.order import Order, code_fingerprint
from optimizer.service.answers.planning_processes import PlanningProcesses, ProcessEnded
from optimizer.service.answers.versions import Versions
from optimizer.service.exchange import problems
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.exchange.current_site import CurrentSite
from optimizer.service.exchange.problems import Problem

KEPT_IN_MEMORY = 64
KEPT_ON_DISK = 400
"""Largest number of stored answers; the answer that was not used for the longest time is removed
first."""
SIGN_SECONDS = 5.0
"""Seconds after which a process shows again that its jobs are not lost."""
LOOK_SECONDS = 0.5
"""Seconds after which a process looks again whether another one cancelled one of its jobs."""


class JobQueue:
    """The queue and the store of the long answers of one service.

    Args:
        configuration: history, seed, and the largest number of waiting answers.
        plant: the site file as it stands.
        history: the run history.
    """

    def __init__(self, configuration: Configuration, plant: CurrentSite, history: History) -> None:
        self.configuration = configuration
        self._plant = plant
        self.versions = Versions(history)
        self.files = JobFiles(configuration.folder / "answers")
        self._code = code_fingerprint()
        self._memory: OrderedDict[str, bytes] = OrderedDict()
        self._running: dict[str, asyncio.Task[bytes]] = {}
        self._watch: asyncio.Task[None] | None = None
        self._planners = PlanningProcesses(configuration.planners)
        self._name = secrets.token_hex(4)

    # -- orders ------------------------------------------------------------------------------

    def order(
        self,
        kind: str,
        brief: Mapping[str, Any],
        seed: int | None = None,
        as_of: int | None = None,
        more: Mapping[str, Any] | None = None,
    ) -> Order:
        """An order for an answer from the latest version of the history, or from version ``as_of``.

        Args:
            kind: one of ``kinds.MEDIA_TYPES``.
            brief: what is wanted today.
            seed: seed of all random numbers; None for the seed of the service.
            as_of: version of the history; None for the latest.
            more: further options; for a comparison those that ``kinds.comparison_request`` reads,
                for a sheet its ``paper``.

        Raises:
            InputError: when the brief is malformed, or has a name that the site does not declare.
            Problem: when the history has no such version.
        """
        seed = self.configuration.seed if seed is None else seed
        site, content = self._plant.site, self._plant.content
        wanted = Brief.from_dict(brief).check_names(site).model_dump(mode="json")
        table, latest = self.versions.latest()
        version = latest if as_of is None else as_of
        if as_of is not None and (latest is None or not 0 <= as_of <= latest):
            raise Problem(422, f"the history has no version {as_of}.", code="no-version")
        depends = [self._code, self.configuration.history, table, version, content]
        stated = json.dumps([*depends, kind, wanted, seed, more], sort_keys=True)
        given = Brief.from_dict(brief).model_dump(mode="json", exclude_unset=True)
        key = hashlib.sha256(stated.encode()).hexdigest()[:32]
        return Order(key, kind, given, seed, version, content, more or {})

    def kept(self, key: str) -> bytes | None:
        """The stored answer to an order, made by any process; None where there is none."""
        content = self._memory.get(key)
        if content is None:
            try:
                content = self.files.path(key, "answer").read_bytes()
            except OSError:
                return None
        self._remember(key, content)
        return content

    async def answer(self, order: Order, who: str | None = None) -> bytes:
        """The answer to an order: stored, being made already, or made now.

        Args:
            order: the order of the answer.
            who: name of the person who asks, to whom a job that is begun belongs.

        Raises:
            HighsideError: the errors of the library function that makes the answer.
            Problem: when too many answers are being made, or the job is cancelled.
        """
        if (kept := self.kept(order.key)) is not None:
            return kept
        task = self._task(order, who)
        try:
            # The task is shielded: when one waiting request is cancelled, the work goes on for the
            # others.
            return await asyncio.shield(task)
        except asyncio.CancelledError:
            if task.cancelled() and self.files.cancelled(order.key) is not None:
                raise _was_cancelled() from None
            raise

    def begin(self, order: Order, who: str | None = None) -> None:
        """Start making an answer without waiting for it; the arguments are those of ``answer``.

        Raises:
            Problem: when too many answers are being made.
        """
        if self.kept(order.key) is None:
            self._task(order, who)

    def _task(self, order: Order, who: str | None) -> asyncio.Task[bytes]:
        """The task that makes an answer; a new task is started where there is none yet."""
        task = self._running.get(order.key)
        if task is None:
            if len(self._running) >= self.configuration.waiting:
                raise Problem(
                    429,
                    f"{len(self._running)} plans and reports are waiting already.",
                    code="too-many-waiting",
                    headers={"Retry-After": str(problems.RETRY_SECONDS)},
                )
            about = {
                "kind": order.kind, "line": order.brief.get("line"), "asked_by": who,
                "asked_at": moment(), "stages": stages_of(order), "queue": self._name,
            }  # fmt: skip
            self.files.begin(order.key, {**about, "state": "waiting", "progress": []})
            task = asyncio.create_task(self._make(order, about))
            self._running[order.key] = task
            task.add_done_callback(partial(self._ended, order.key))
            if self._watch is None:
                self._watch = asyncio.create_task(self._watch_jobs())
        return task

    def _ended(self, key: str, task: asyncio.Task[bytes]) -> None:
        if self._running.get(key) is task:
            del self._running[key]
        if not task.cancelled():
            task.exception()  # retrieved, since perhaps nobody waits; the job file has it

    async def _make(self, order: Order, about: State) -> bytes:
        """Make an answer, and see to it that the job file says how it ended."""
        key = order.key
        ended = {**about, "progress": []}
        work = self.configuration.history, order, str(self.files.path(key)), about
        try:
            content = await self._planners.make(work)
        except ProcessEnded:
            self.files.write(key, {**ended, "state": "lost", "ended_at": moment()})
            raise HistoryError(
                "the process that makes plans ended.", code="planner-ended",
                hint="Ask again; if it happens again, look for too little memory.",
            ) from None  # fmt: skip
        except Exception as error:
            told = error if isinstance(error, HighsideError) else problems.fault()
            failed = {"state": "failed", "problem": problems.document(told)}
            self.files.write(key, {**ended, **failed, "ended_at": moment()})
            raise
        if self.files.cancelled(key) is not None:  # at the last moment
            raise _was_cancelled()
        self._remember(key, content)
        await asyncio.to_thread(self.files.clear, KEPT_ON_DISK)
        return content

    def cancel(self, key: str, who: str) -> None:
        """Cancel a job, whichever process of the service makes its answer.

        A job that waits leaves the queue; the process that makes an answer is ended. Requests that
        wait for the answer are refused. To cancel a cancelled job again changes nothing.

        Args:
            key: id of the job.
            who: name of the person who cancels it.

        Raises:
            Problem: when there is no such job, or it has ended.
            HistoryError: when the cancellation cannot be written.
        """
        state = self.files.read(key)["state"]
        if state == CANCELLED:
            return
        if state not in UNDER_WAY:
            raise Problem(
                409, f"the job is not under way; it is {state}.", code="not-under-way",
                hint="There is nothing to cancel.",
            )  # fmt: skip
        self.files.cancel(key, who)
        self._drop(key)

    def _drop(self, key: str) -> None:
        """Make no answer for a job, which others may ask for anew from now on."""
        if (task := self._running.pop(key, None)) is not None:
            task.cancel()

    async def _watch_jobs(self) -> None:
        """For as long as there are jobs under way: show that they are not lost, and end those that
        another process cancelled."""
        shown = 0.0
        while self._running:
            if (now := time.monotonic()) - shown >= SIGN_SECONDS:
                shown = now
                for key in self._running:
                    self.files.touch(key)
            for key in list(self._running):
                if self.files.cancelled(key) is not None:
                    self._drop(key)
            await asyncio.sleep(LOOK_SECONDS)
        self._watch = None

    # -- jobs --------------------------------------------------------------------------------

    def job(self, key: str) -> dict[str, Any]:
        """The state of a job: the ``highside.job/1`` document.

        Raises:
            Problem: when there is no such job.
        """
        return self._document(key, self.files.read(key))

    def jobs(self) -> list[dict[str, Any]]:
        """The jobs of all processes of the service, the latest first."""
        found = [self._document(key, state) for key, state in self.files.all()]
        return sorted(found, key=lambda job: str(job.get("asked_at", "")), reverse=True)

    def under_way(self) -> int:
        """Number of jobs of all processes of the service that have not ended."""
        return sum(1 for _ in self.files.under_way())

    def before(self, key: str) -> int:
        """Number of jobs that the process of a job has to end before it begins that job; 0 where
        it has begun.

        Raises:
            Problem: when there is no such job.
        """
        own = self.files.read(key)
        if own["state"] != "waiting":
            return 0
        return sum(
            state.get("queue") == own.get("queue")
            and str(state.get("asked_at", "")) < str(own.get("asked_at", ""))
            for _, state in self.files.under_way()
        )

    @staticmethod
    def _document(key: str, state: State) -> dict[str, Any]:
        told = {name: value for name, value in state.items() if name != "queue"}
        result = {"result": f"/v1/results/{key}"} if state["state"] == "done" else {}
        return {"schema": "highside.job/1", "id": key, **told, **result}

    def kind(self, key: str) -> str:
        """The kind of the answer that a job makes.

        Raises:
            Problem: when there is no such job.
        """
        return str(self.job(key)["kind"])

    # -- what is kept ------------------------------------------------------------------------

    def _remember(self, key: str, content: bytes) -> None:
        self._memory[key] = content
        self._memory.move_to_end(key)
        while len(self._memory) > KEPT_IN_MEMORY:
            self._memory.popitem(last=False)

    def warm_up(self) -> None:
        """Start the planning processes, so that the first plan does not wait for libraries."""
        self._planners.warm_up()

    async def close(self) -> None:
        """Cancel the answers that wait, and wait for an answer that is being made."""
        for key, task in self._running.items():
            if key not in self._planners.busy:
                task.cancel()
        await asyncio.gather(*self._running.values(), return_exceptions=True)
        if self._watch is not None:
            self._watch.cancel()
        await self._planners.close()


def _was_cancelled() -> Problem:
    """The refusal of a request that waited for the answer of a cancelled job."""
    return Problem(
        409, "the answer was cancelled before it was made.", code=CANCELLED,
        hint="Ask for it again if it is wanted.",
    )  # fmt: skip
