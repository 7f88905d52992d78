"""The parts of a service that answer requests, and functions that API and pages share."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from dataclasses import dataclass
from typing import Any, TypeVar

from starlette.requests import ClientDisconnect, Request

from optimizer.history.history import History
from optimizer.plant.site import Site
from optimizer.service.admission.access import Access, Person
from optimizer.service.admission.sessions import Sessions
from optimizer.service.answers.expectations import Expectations
from optimizer.service.answers.issued_batches import IssuedBatches
from optimizer.service.answers.job_queue import JobQueue
from optimizer.service.answers.run_tables import RunTables
from optimizer.service.answers.summaries import Summaries
from optimizer.service.answers.turns import Asker
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.exchange.current_site import CurrentSite
from optimizer.service.exchange.metrics import Metrics
from optimizer.service.exchange.problems import Problem
from optimizer.service.recording.audit import Audit
from optimizer.service.recording.batch_recorder import BatchRecorder
from optimizer.service.recording.fractions import KeptFractions
from optimizer.service.recording.recorder import Recorder
from optimizer.service.recording.remembered import LastBriefs
from optimizer.service.recording.site_recorder import SiteRecorder
from optimizer.service.recording.uploads import Uploads

T = TypeVar("T")


@dataclass(frozen=True)
class Parts:
    """The parts of one service, which are made once when it starts."""

    configuration: Configuration
    access: Access
    sessions: Sessions
    history: History
    plant: CurrentSite
    jobs: JobQueue
    expectations: Expectations
    summaries: Summaries
    issued: IssuedBatches
    run_tables: RunTables
    recorder: Recorder
    batch_recorder: BatchRecorder
    site_recorder: SiteRecorder
    last_briefs: LastBriefs
    fractions: KeptFractions
    uploads: Uploads
    audit: Audit
    metrics: Metrics

    @property
    def site(self) -> Site:
        """The description of the plant as its site file stands now."""
        return self.plant.site

    @property
    def first_visit(self) -> bool:
        """Whether there is neither a site file nor a history."""
        return not self.plant.exists and self.jobs.versions.latest()[1] is None


def parts_of(request: Request) -> Parts:
    """The parts of the service that received a request."""
    parts: Parts = request.app.state.parts
    return parts


def sender_of(request: Request, **more: Any) -> dict[str, Any]:
    """The entries of the audit trail about the sender of a request."""
    person: Person | None = request.state.person
    return {
        "who": person.name if person else None,
        "from": request.state.address,
        "request": request.state.request_id,
        **more,
    }


def asker_of(request: Request) -> Asker:
    """The sender of a request as one who asks for answers."""
    person: Person | None = request.state.person
    return Asker() if person is None else Asker(person.name, person.may_record)


async def while_connected(request: Request, work: Coroutine[Any, Any, T]) -> T:
    """The result of some work, which is cancelled where the sender of the request goes away.

    Raises:
        ClientDisconnect: when the sender went away.
        Exception: the errors of the work.
    """
    task, gone = asyncio.create_task(work), asyncio.create_task(_until_gone(request))
    try:
        await asyncio.wait((task, gone), return_when=asyncio.FIRST_COMPLETED)
        if task.done():
            return task.result()
        raise ClientDisconnect
    finally:
        gone.cancel()
        task.cancel()
        await asyncio.gather(task, gone, return_exceptions=True)


async def _until_gone(request: Request) -> None:
    """Wait until the sender of a request goes away; what is left of its body is not needed."""
    while (await request.receive())["type"] != "http.disconnect":
        pass


def require_recorder(request: Request) -> None:
    """Refuse a person who may read but not record.

    Raises:
        Problem: with status 403.
    """
    if not request.state.person.may_record:
        raise Problem(
            403, "this token may read, not record.", code="read-only",
            hint="Use a token with the role 'record'.",
        )  # fmt: skip


async def cancel_job(request: Request, key: str) -> None:
    """Cancel a job for the sender of a request, who asked for it or may record.

    Raises:
        Problem: when there is no such job, it has ended, or the sender may not cancel it.
        HistoryError: when the cancellation or its audit entry cannot be written.
    """
    parts, person = parts_of(request), request.state.person
    state = parts.jobs.job(key)
    if not person.may_cancel(state.get("asked_by")):
        raise Problem(
            403, "this token may read, and the job was asked for by another.", code="not-yours",
            hint="Ask who began it, or use a token with the role 'record'.",
        )  # fmt: skip
    parts.jobs.cancel(key, person.name)
    await parts.audit.note(did="cancel", job=key, kind=state["kind"], **sender_of(request))
