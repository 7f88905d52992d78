"""Assembly of the service: its parts are made once, and the guard checks requests to API and
pages."""

from __future__ import annotations

import asyncio
import multiprocessing
import signal
import sys
import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.openapi.utils import get_openapi
from starlette.exceptions import HTTPException
from starlette.responses import Response

from optimizer.errors import HighsideError
from optimizer.history.history import History
from optimizer.service.admission.access import Access
from optimizer.service.admission.guard import Guard
from optimizer.service.admission.senders import Senders
from optimizer.service.admission.sessions import Sessions
from optimizer.service.answers.expectations import Expectations
from optimizer.service.answers.issued_batches import IssuedBatches
from optimizer.service.answers.job_queue import JobQueue
from optimizer.service.answers.run_tables import RunTables
from optimizer.service.answers.summaries import Summaries
from optimizer.service.api import batches, changes, endpoints, expected
from optimizer.service.api.batch_schemas import BATCH_SCHEMAS
from optimizer.service.api.diagnosis_schema import DIAGNOSIS_SCHEMAS
from optimizer.service.api.expected_schema import EXPECTED_SCHEMAS
from optimizer.service.api.look_schemas import LOOK_SCHEMAS
from optimizer.service.api.schemas import SCHEMAS
from optimizer.service.api.sentence_schema import with_sentences
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.exchange.current_site import STANDARD, CurrentSite
from optimizer.service.exchange.log_lines import log_as_json
from optimizer.service.exchange.metrics import Metrics
from optimizer.service.exchange.problems import Problem
from optimizer.service.http.ending import told_to_end
from optimizer.service.pages import assets, sign_in
from optimizer.service.pages import jobs as job_pages
from optimizer.service.pages.ahead import look, what_if
from optimizer.service.pages.comparing import diagnosis, lines
from optimizer.service.pages.deck import batches as batch_pages
from optimizer.service.pages.deck import record, trials
from optimizer.service.pages.history import routes as history_pages
from optimizer.service.pages.plant import plant as plant_page
from optimizer.service.pages.shared.rendering import refusal
from optimizer.service.pages.uploading import routes as upload_pages
from optimizer.service.parts import Parts
from optimizer.service.recording.audit import Audit
from optimizer.service.recording.batch_recorder import BatchRecorder
from optimizer.service.recording.fractions import KeptFractions
from optimizer.service.recording.kept_files import KeptFiles
from optimizer.service.recording.recorder import Recorder
from optimizer.service.recording.remembered import LastBriefs
from optimizer.service.recording.site_recorder import SiteRecorder
from optimizer.service.recording.untrusted import Untrusted
from optimizer.service.recording.uploads import Uploads
from optimizer.version import __version__

ROOMS = (
    *(endpoints, changes, batches, expected),
    *(plant_page, trials, record, batch_pages, look, what_if, upload_pages, history_pages),
    *(lines, diagnosis, job_pages, sign_in, assets),
)
"""The modules with addresses: for programs, then for people."""
SWITCH_SECONDS = 0.0005
"""Seconds after which a thread of Python gives way to another one that waits. A recording reads and
writes many small files and has to wait for its turn after each; at Python's own 0.005 s, beside
many requests, that is most of its time."""
LOCK_SECONDS = 20.0
"""How long a request to add runs waits for other writers; after that it is refused, and nothing is
added."""


def create_app(configuration: Configuration, access: Access | None = None) -> FastAPI:
    """The application of a service of one history.

    Args:
        configuration: configuration of the service.
        access: tokens and sessions; None to read them from the environment.

    Raises:
        InputError: when the site file or a token cannot be used.
        HistoryError: when the location of the history is not a history.
    """
    parts = _parts(configuration, access)
    app = FastAPI(
        title="highside",
        version=__version__,
        description="Learns from a gravity table's own runs which settings to try next.",
        lifespan=_life,
        docs_url=None,  # that page would fetch scripts from another site
        redoc_url=None,
        redirect_slashes=False,
    )
    app.state.parts = parts
    for room in ROOMS:
        app.include_router(room.routes)
    app.add_exception_handler(HighsideError, _refused)
    app.add_exception_handler(HTTPException, _not_there)
    app.add_exception_handler(RequestValidationError, _invalid)
    senders = Senders(parts.access, parts.sessions, parts.audit.note)
    app.add_middleware(
        Guard,
        configuration=configuration,
        senders=senders,
        metrics=parts.metrics,
        refuse=refusal,
    )
    app.openapi = lambda: _described(app)  # type: ignore[method-assign]
    return app


@asynccontextmanager
async def _life(app: FastAPI) -> AsyncIterator[None]:
    """What a service does before its first request and after its last."""
    parts: Parts = app.state.parts
    parts.jobs.start()
    await asyncio.to_thread(parts.summaries.renew)
    with told_to_end(parts.jobs.end):
        yield
    parts.recorder.untrusted.end()
    await parts.expectations.close()
    await parts.jobs.close()


def _parts(configuration: Configuration, access: Access | None) -> Parts:
    """The parts of a service; arguments and errors are those of ``create_app``."""
    history = History(configuration.history, lock_seconds=LOCK_SECONDS)
    plant = _plant(configuration, history)
    audit, metrics = Audit(configuration.folder), Metrics()
    jobs = JobQueue(configuration, plant, history)
    jobs.versions.latest()
    summaries = Summaries(history, plant, jobs.versions)
    untrusted = Untrusted(configuration.folder / "parsed", apart=configuration.planners > 0)
    recorder = Recorder(history, plant, audit, metrics, untrusted, summaries.recording)
    access = access or Access.from_environment(configuration.tokens)
    return Parts(
        configuration=configuration,
        access=access,
        sessions=Sessions(configuration.folder / "sessions", access),
        history=history,
        plant=plant,
        jobs=jobs,
        expectations=Expectations(configuration),
        summaries=summaries,
        issued=IssuedBatches(history, plant, jobs.versions, configuration.folder),
        run_tables=RunTables(history, plant, jobs.versions),
        recorder=recorder,
        batch_recorder=BatchRecorder(recorder, audit, metrics),
        site_recorder=SiteRecorder(recorder, plant, audit, configuration.folder),
        last_briefs=LastBriefs(configuration.folder / "briefs"),
        fractions=KeptFractions(configuration.folder / "fractions"),
        uploads=Uploads(KeptFiles(configuration.folder / "uploads"), recorder),
        audit=audit,
        metrics=metrics,
    )


def _plant(configuration: Configuration, history: History) -> CurrentSite:
    """The site file of a service. One that is named may be missing while the history has no run: a
    first visitor writes it.

    Raises:
        InputError: when the file cannot be used, or is missing beside runs.
    """
    path = Path(configuration.site or STANDARD)
    missing = bool(configuration.site) and not path.exists()
    must = missing and bool(history.at().lines)
    return CurrentSite(path, required=must, language=configuration.language)


def handed_over() -> FastAPI:
    """The application in one of several processes, with the configuration that its parent
    stored."""
    log_as_json()
    sys.setswitchinterval(SWITCH_SECONDS)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    return create_app(Configuration.handed_over())


def _end_with(parent: Any) -> None:
    """End the process with its parent, so that no process holds the port after the parent was
    killed."""
    parent.join()
    signal.raise_signal(signal.SIGTERM)


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HighsideError)
    return await refusal(error, request)


async def _not_there(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    texts = {404: "there is nothing at this address.", 405: "this method is not supported here."}
    said = texts.get(error.status_code, str(error.detail))
    code = {404: "not-found", 405: "method-not-allowed"}.get(error.status_code, "refused")
    headers = dict(error.headers or {})
    return await _refused(request, Problem(error.status_code, said, code=code, headers=headers))


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    first = error.errors()[0]
    where = " ".join(str(part) for part in first["loc"])
    return await _refused(request, Problem(422, f"{where}: {first['msg']}.", code="invalid-value"))


def _described(app: FastAPI) -> dict[str, Any]:
    if app.openapi_schema is None:
        found = get_openapi(
            title=app.title, version=app.version, description=app.description, routes=app.routes
        )
        components = found.setdefault("components", {})
        components["schemas"] = {
            **with_sentences({**SCHEMAS, **DIAGNOSIS_SCHEMAS, **EXPECTED_SCHEMAS}),
            **BATCH_SCHEMAS, **LOOK_SCHEMAS,
        }  # fmt: skip
        components["securitySchemes"] = {"token": {"type": "http", "scheme": "bearer"}}
        found["security"] = [{"token": []}, {}]
        for methods in found["paths"].values():
            for operation in methods.values():
                # The error schema of the framework is replaced by the problem document, which is
                # declared above.
                refused = operation["responses"].get("422", {})
                if "application/json" in refused.get("content", {}):
                    refused["content"].pop("application/json")
        app.openapi_schema = found
    return app.openapi_schema
