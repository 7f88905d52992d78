"""Long answers, each made once for a version of the history, in another process, and stored.

Answers and the states of jobs are files that all processes of the history share, so each process
can report the progress of any job.
"""

from __future__ import annotations

import asyncio
import secrets
import time
from collections import Counter, OrderedDict
from contextlib import suppress
from dataclasses import asdict
from functools import partial
from typing import Any

from optimizer.errors import HighsideError, HistoryError
from optimizer.history.history import History
from optimizer.service.answers.job_files import CANCELLED, UNDER_WAY, JobFiles, State, moment
from optimizer.service.answers.kinds import stages_of
from optimizer.service.answers.lanes import Lanes
from optimizer.service.answers.order import Order, Orders, code_fingerprint, order_from
from optimizer.service.answers.planning_processes import ProcessEnded
from optimizer.service.answers.turns import Asker, check_quotas, ticket_of
from optimizer.service.answers.versions import Versions
from optimizer.service.exchange import problems
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.exchange.current_site import CurrentSite
from optimizer.service.exchange.problems import Problem

KEPT_IN_MEMORY, KEPT_ON_DISK = 64, 400
"""Largest numbers of answers; the one that was not used for the longest time is removed first."""
SIGN_SECONDS = 5.0
"""Seconds after which a process shows again that its jobs are not lost."""
LOOK_SECONDS = 0.5
"""Seconds after which a process looks again whether another one cancelled one of its jobs."""
ENDING_SECONDS = 10.0
"""Seconds for which answers that are being made may go on after the service was told to end."""
MOST_ATTEMPTS = 2
"""Number of processes that may die over a job before it is lost: it may be what kills them."""
PRIVATE = ("queue", "records", "lane", "attempts")
"""What the state of a job says to the processes of the service alone."""


class JobQueue:
    """The queue and the store of the long answers of one service.

    Args:
        configuration: history, seed, and the largest number of waiting answers.
        plant: the site file as it stands.
        history: the run history.

    Attributes:
        order: makes an order, see ``Orders.order``.
    """

    def __init__(self, configuration: Configuration, plant: CurrentSite, history: History) -> None:
        self.configuration = configuration
        self.versions = Versions(history)
        self.files = JobFiles(configuration.folder / "answers")
        self._code = code_fingerprint()
        self.order = Orders(configuration, plant, self.versions, self._code).order
        self._memory: OrderedDict[str, bytes] = OrderedDict()
        self._running: dict[str, asyncio.Task[bytes]] = {}
        self._own: set[str] = set()
        self._stays: set[str] = set()
        self._waiters: Counter[str] = Counter()
        self._watch: asyncio.Task[None] | None = None
        self._lanes = Lanes(configuration.planners)
        self._name = secrets.token_hex(4)
        self._ending = False

    # -- answers -----------------------------------------------------------------------------

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

    async def answer(self, order: Order, asker: Asker) -> bytes:
        """The answer to an order: stored, being made already, or made now.

        A job that nobody waits for any more is cancelled, unless ``begin`` began it.

        Args:
            order: the order of the answer.
            asker: who asks, to whom a job that is begun belongs.

        Raises:
            HighsideError: the errors of the library function that makes the answer.
            Problem: when too many answers are being made, the job is cancelled, or the service
                ends.
        """
        key = order.key
        if (kept := self.kept(key)) is not None:
            return kept
        task = self._task(order, asker)
        self._waiters[key] += 1
        try:
            # The task is shielded: when one waiting request is cancelled, the work goes on for the
            # others.
            return await asyncio.shield(task)
        except asyncio.CancelledError:
            if task.cancelled() and self._ending:
                raise _ends() from None
            if task.cancelled() and self.files.cancelled(key) is not None:
                raise _was_cancelled() from None
            raise
        finally:
            self._waiters[key] -= 1
            if not self._waiters[key]:
                del self._waiters[key]
                self._left_by_all(key, task)

    def _left_by_all(self, key: str, task: asyncio.Task[bytes]) -> None:
        """Cancel a job whose last waiting sender has gone, unless it was begun to be fetched."""
        mine = self._running.get(key) is task and key in self._own
        if mine and not (task.done() or key in self._stays or self._ending):
            with suppress(HistoryError):
                self.files.cancel(key, None)
            self._drop(key)

    def begin(self, order: Order, asker: Asker) -> None:
        """Start making an answer without waiting for it; the arguments are those of ``answer``.

        Such a job goes on after a restart of the service.

        Raises:
            Problem: when too many answers are being made, or the service ends.
        """
        if self.kept(order.key) is None:
            self._task(order, asker)
            if order.key in self._own and order.key not in self._stays:
                self._stays.add(order.key)
                about = {"order": asdict(order), "asker": asdict(asker), "code": self._code}
                self.files.keep_order(order.key, about)

    def _task(self, order: Order, asker: Asker, attempts: int = 0) -> asyncio.Task[bytes]:
        """The task that makes an answer; a new task is started where there is none yet."""
        key = order.key
        if (task := self._running.get(key)) is not None:
            self._lanes.promote(ticket_of(order, asker))
            return task
        if self._ending:
            raise _ends()
        jobs = dict(self.files.under_way())
        followed = key in jobs and jobs[key].get("queue") != self._name
        about: State = {}
        if not followed:
            check_quotas(asker, jobs.values(), self.configuration.waiting)
            about = {
                "kind": order.kind, "line": order.brief.get("line"), "asked_by": asker.name,
                "asked_at": moment(), "stages": stages_of(order), "queue": self._name,
                "records": asker.records, "attempts": attempts,
                "lane": ticket_of(order, asker).lane,
            }  # fmt: skip
            self.files.begin(key, {**about, "state": "waiting", "progress": []})
            self._own.add(key)
        making = self._follow(order, asker) if followed else self._make(order, asker, about)
        task = self._running[key] = asyncio.create_task(making)
        task.add_done_callback(partial(self._ended, key))
        return task

    def _ended(self, key: str, task: asyncio.Task[bytes]) -> None:
        if self._running.get(key) is task:
            self._forget(key)
        if not task.cancelled():
            task.exception()  # retrieved, since perhaps nobody waits; the job file has it

    def _forget(self, key: str) -> None:
        self._running.pop(key, None)
        self._stays.discard(key)
        if key in self._own and not self._ending:  # else ``close`` sees to it
            self.files.drop_order(key)
            self._own.discard(key)

    async def _follow(self, order: Order, asker: Asker) -> bytes:
        """The answer that another process of the service makes; where that one does not make it,
        it is made here."""
        state = "waiting"
        while state in UNDER_WAY:
            await asyncio.sleep(LOOK_SECONDS)
            with suppress(Problem):  # the job file is written anew
                state = self.files.read(order.key)["state"]
        if (self.files.cancelled(order.key) or {}).get("cancelled_by"):  # by a person
            raise _was_cancelled()
        if (content := self.kept(order.key)) is not None:
            return content
        self._running.pop(order.key, None)
        return await self._task(order, asker)

    async def _make(self, order: Order, asker: Asker, about: State) -> bytes:
        """Make an answer, and see to it that the job file says how it ended."""
        key = order.key
        ended = {**about, "progress": []}
        work = self.configuration.history, order, str(self.files.path(key)), about
        try:
            content = await self._lanes.make(ticket_of(order, asker), work)
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
        task = self._running.get(key)
        self._forget(key)
        if task is not None:
            task.cancel()

    # -- from start to end -------------------------------------------------------------------

    def start(self) -> None:
        """Start the planning processes, so that the first plan does not wait for libraries, and go
        on with the jobs that an earlier process left."""
        self._lanes.warm_up()
        self._go_on()
        self._watch = asyncio.create_task(self._watch_jobs())

    async def _watch_jobs(self) -> None:
        """Show that the own jobs are not lost, end those that another process cancelled, and go on
        with those of processes that ended."""
        shown = time.monotonic()
        while True:
            await asyncio.sleep(LOOK_SECONDS)
            for key in list(self._own):
                if self.files.cancelled(key) is not None:
                    self._drop(key)
            if time.monotonic() - shown >= SIGN_SECONDS:
                shown = time.monotonic()
                for key in self._own:
                    self.files.touch(key)
                self._go_on()

    def _go_on(self) -> None:
        """Go on with jobs that no process works on, where this one answers as theirs did."""
        if self._ending:
            return
        for key, state, on_purpose in self.files.left():
            attempts = int(state.get("attempts", 0)) + (not on_purpose)
            if attempts >= MOST_ATTEMPTS or self.files.code_of_order(key) != self._code:
                continue  # the job is told to be lost, until its own version is back
            if (kept := self.files.take_order(key)) is None:
                continue
            with suppress(HighsideError, KeyError, TypeError):
                order, asker = order_from(kept["order"]), Asker(**kept["asker"])
                self._task(order, asker, attempts)
                self._stays.add(key)
                self.files.keep_order(key, kept)

    def end(self) -> None:
        """Begin no further answer, and let go of those that wait: who waits for one is told so, and
        a job that was begun to be fetched is left to the next process.

        Answers that are being made have ``ENDING_SECONDS`` left.
        """
        if self._ending:
            return
        self._ending = True
        for key, task in self._running.items():
            if key not in self._lanes.busy:
                task.cancel()
        asyncio.get_running_loop().call_later(ENDING_SECONDS, self._let_go)

    def _let_go(self) -> None:
        for task in self._running.values():
            task.cancel()

    async def close(self) -> None:
        """End: leave to the next process what is not made yet."""
        self._ending = True
        self._let_go()
        await asyncio.gather(*self._running.values(), return_exceptions=True)
        if self._watch is not None:
            self._watch.cancel()
        await self._lanes.close()
        for key in self._own:
            with suppress(HighsideError):
                state = self.files.read(key)
                if state["state"] not in UNDER_WAY:
                    self.files.drop_order(key)
                    continue
                self.files.write(key, {**state, "state": "waiting", "progress": []})
                self.files.leave(key)

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
        """Number of jobs of the same process and lane that were asked for before a job and have
        not ended; 0 where it has begun. Others may still have their turn first.

        Raises:
            Problem: when there is no such job.
        """
        own = self.files.read(key)
        if own["state"] != "waiting":
            return 0
        return sum(
            all(state.get(name) == own.get(name) for name in ("queue", "lane"))
            and str(state.get("asked_at", "")) < str(own.get("asked_at", ""))
            for _, state in self.files.under_way()
        )

    @staticmethod
    def _document(key: str, state: State) -> dict[str, Any]:
        told = {name: value for name, value in state.items() if name not in PRIVATE}
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


def _ends() -> Problem:
    """The refusal of a request that waits while the service ends."""
    said = "the service is ending, and makes no further answers now."
    again = {"Retry-After": str(problems.RETRY_SECONDS)}
    hint = "Ask again in a moment, when it is back."
    return Problem(503, said, code="service-ending", hint=hint, headers=again)


def _was_cancelled() -> Problem:
    """The refusal of a request that waited for the answer of a cancelled job."""
    said, hint = "the answer was cancelled before it was made.", "Ask for it again if it is wanted."
    return Problem(409, said, code=CANCELLED, hint=hint)
