"""The endpoints of the API: history, runs, plans, reports, jobs. Their answers equal those of the
commands."""

from __future__ import annotations

import asyncio
import tempfile
from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.errors import HistoryError
from optimizer.service.answers.kinds import MEDIA_TYPES
from optimizer.service.answers.order import Order
from optimizer.service.api import responses
from optimizer.service.api.parameters import (
    AsOf,
    BriefOfComparison,
    BriefOfDiagnosis,
    BriefOfQuery,
    DryRun,
    Form,
    IfNoneMatch,
    JobId,
    Line,
    LineOfRows,
    MapX,
    MapY,
    MoreOfComparison,
    Paper,
    Prefer,
    Samples,
    Seed,
    Since,
)
from optimizer.service.exchange.metrics import MEDIA_TYPE as METRICS_TYPE
from optimizer.service.exchange.problems import Problem
from optimizer.service.parts import (
    asker_of,
    cancel_job,
    parts_of,
    require_recorder,
    sender_of,
    while_connected,
)
from optimizer.service.recording.bodies import JSON, read_brief
from optimizer.service.recording.recorder import Upload
from optimizer.text.visible_text import json_bytes, json_text
from optimizer.version import __version__

IN_MEMORY = 1 << 20
"""Largest upload that is held in memory, bytes; a larger one is written to disk."""
INLINE_POLICY = "; ".join(
    (
        "default-src 'none'",
        "style-src 'unsafe-inline'",  # a report is one file without scripts
        "img-src data:",
        "font-src data:",
        "form-action 'none'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
"""Content-security policy of a report or sheet, which carries its own style."""

routes = APIRouter(default_response_class=Response)


# -- the service itself ----------------------------------------------------------------------


@routes.get("/health", summary="Whether the service can answer", tags=["service"],
            responses=responses.HEALTH)  # fmt: skip
async def health(request: Request) -> Response:
    """Answer 200 where the history can be read, and 503 where it cannot."""
    try:
        await asyncio.to_thread(parts_of(request).jobs.versions.latest)
    except HistoryError as error:  # needs no token: names no place or cause
        raise Problem(503, "the history cannot be read.", code=error.code) from None
    state = {"schema": "highside.health/1", "status": "ok", "version": __version__}
    return Response(json_text(state), media_type=JSON)


@routes.get("/metrics", summary="Counters, for Prometheus", tags=["service"],
            responses=responses.METRICS)  # fmt: skip
async def metrics(request: Request) -> Response:
    """The counters of the process that answers."""
    parts = parts_of(request)
    _, version = await asyncio.to_thread(parts.jobs.versions.latest)
    return Response(parts.metrics.text(version), headers={"Content-Type": METRICS_TYPE})


# -- history ---------------------------------------------------------------------------------


@routes.get("/v1/history", summary="What the history holds", tags=["history"],
            responses=responses.HISTORY)  # fmt: skip
async def history(
    request: Request, line: Line = None, since: Since = None, if_none_match: IfNoneMatch = None
) -> Response:
    """The summary of the history."""
    tag, content = await parts_of(request).summaries.of(line, since)
    return tagged(content, tag, JSON, request)


@routes.post("/v1/runs", summary="Add runs: rows or a file", tags=["history"],
             responses=responses.LOAD, openapi_extra=responses.RUNS_BODY)  # fmt: skip
async def runs(
    request: Request, line: LineOfRows = None, dry_run: DryRun = False, samples: Samples = False
) -> Response:
    """Add runs, and answer when they are on disk."""
    require_recorder(request)
    media_type = media_type_of(request)
    # A large body is held on disk, in a file without a name, rather than in memory.
    with tempfile.SpooledTemporaryFile(IN_MEMORY) as body:
        async for part in request.stream():
            body.write(part)
        upload = Upload(body, media_type, line, dry_run, samples)
        report = await parts_of(request).recorder.add(upload, sender_of(request))
    return Response(json_bytes(report.as_dict()), media_type=JSON)


# -- plans and what is made of them ----------------------------------------------------------


@routes.post("/v1/plans", summary="Rank the next settings to try", tags=["plans"],
             responses=responses.PLAN, openapi_extra=responses.BRIEF_BODY)  # fmt: skip
async def plans(
    request: Request, seed: Seed = None, as_of: AsOf = None, prefer: Prefer = None
) -> Response:
    """A plan for the brief in the body."""
    if media_type_of(request, JSON) != JSON:
        raise Problem(415, f"a brief is sent as {JSON}.", code="media-type")
    brief = read_brief(await request.body())
    return await answered(parts_of(request).jobs.order("plan", brief, seed, as_of), request, prefer)


@routes.get("/v1/report", summary="The page to decide from (HTML)", tags=["plans"],
            responses=responses.REPORT)  # fmt: skip
async def report(
    request: Request, brief: BriefOfQuery, seed: Seed = None, as_of: AsOf = None,
    prefer: Prefer = None, if_none_match: IfNoneMatch = None,
) -> Response:  # fmt: skip
    """The report of a plan for the brief in the query."""
    order = parts_of(request).jobs.order("report", brief, seed, as_of)
    return await answered(order, request, prefer)


@routes.get("/v1/sheet", summary="The trial sheet (PDF, HTML or CSV)", tags=["plans"],
            responses=responses.SHEET)  # fmt: skip
async def sheet(
    request: Request, brief: BriefOfQuery, form: Form = "pdf", paper: Paper = "a4",
    seed: Seed = None, as_of: AsOf = None, prefer: Prefer = None,
    if_none_match: IfNoneMatch = None,
) -> Response:  # fmt: skip
    """The trial sheet of a plan for the brief in the query."""
    more = {} if form == "csv" else {"paper": paper}
    order = parts_of(request).jobs.order(f"sheet.{form}", brief, seed, as_of, more)
    return await answered(order, request, prefer)


@routes.get("/v1/comparison", summary="Lines side by side", tags=["plans"],
            responses=responses.COMPARISON)  # fmt: skip
async def comparison(
    request: Request, brief: BriefOfComparison, more: MoreOfComparison, seed: Seed = None,
    prefer: Prefer = None, if_none_match: IfNoneMatch = None,
) -> Response:  # fmt: skip
    """The comparison of lines on the same material and feed rate."""
    order = parts_of(request).jobs.order("comparison", brief, seed, more=more)
    return await answered(order, request, prefer)


@routes.get("/v1/diagnosis", summary="What the history says of the lines", tags=["plans"],
            responses=responses.DIAGNOSIS)  # fmt: skip
async def diagnosis(
    request: Request, brief: BriefOfDiagnosis, seed: Seed = None, as_of: AsOf = None,
    prefer: Prefer = None, if_none_match: IfNoneMatch = None,
) -> Response:  # fmt: skip
    """The diagnosis of a line, or of all lines."""
    order = parts_of(request).jobs.order("diagnosis", brief, seed, as_of)
    return await answered(order, request, prefer)


@routes.get("/v1/look", summary="Runs, effects, map, drift: numbers to draw", tags=["plans"],
            responses=responses.LOOK)  # fmt: skip
async def look(
    request: Request, brief: BriefOfQuery, x: MapX = None, y: MapY = None, seed: Seed = None,
    as_of: AsOf = None, prefer: Prefer = None, if_none_match: IfNoneMatch = None,
) -> Response:  # fmt: skip
    """What surrounds a plan for the brief in the query, as numbers to draw."""
    order = parts_of(request).jobs.order("look", brief, seed, as_of, more={"x": x, "y": y})
    return await answered(order, request, prefer)


@routes.get("/v1/jobs/{job}", summary="How far a job has come", tags=["plans"],
            responses=responses.JOB)  # fmt: skip
async def job(request: Request, job: JobId) -> Response:
    """The state of a job."""
    return Response(json_text(parts_of(request).jobs.job(job)), media_type=JSON)


@routes.delete("/v1/jobs/{job}", summary="Cancel a job", tags=["plans"],
               responses=responses.CANCEL)  # fmt: skip
async def cancel(request: Request, job: JobId) -> Response:
    """Cancel a job that is under way; its sender and all who may record can."""
    await cancel_job(request, job)
    return Response(json_text(parts_of(request).jobs.job(job)), media_type=JSON)


@routes.get("/v1/results/{job}", summary="What a job made", tags=["plans"],
            responses=responses.RESULT)  # fmt: skip
async def results(request: Request, job: JobId, if_none_match: IfNoneMatch = None) -> Response:
    """The answer that a job made."""
    jobs = parts_of(request).jobs
    kind, content = jobs.kind(job), jobs.kept(job)
    if content is None:
        raise Problem(404, "there is no such result.", code="no-result")
    return result(content, job, kind, request)


# -- answers as they are sent ----------------------------------------------------------------


async def answered(order: Order, request: Request, prefer: str | None) -> Response:
    """A long answer: its content, or a job where the client prefers that."""
    jobs = parts_of(request).jobs
    if "respond-async" in (prefer or "").lower() and jobs.kept(order.key) is None:
        jobs.begin(order, asker_of(request))
        state = jobs.job(order.key)
        headers = {"Location": f"/v1/jobs/{order.key}", "Preference-Applied": "respond-async"}
        return Response(json_text(state), 202, headers, media_type=JSON)
    content = await while_connected(request, jobs.answer(order, asker_of(request)))
    return result(content, order.key, order.kind, request)


def result(content: bytes, key: str, kind: str, request: Request) -> Response:
    """The response with the content of a long answer and the headers of its kind."""
    headers = {"Content-Location": f"/v1/results/{key}"}
    if kind in ("report", "sheet.html"):
        headers["Content-Security-Policy"] = INLINE_POLICY
    if kind.startswith("sheet."):
        headers["Content-Disposition"] = f'inline; filename="trial-{kind}"'
    return tagged(content, key, MEDIA_TYPES[kind], request, headers)


def tagged(
    content: bytes, tag: str, media_type: str, request: Request, headers: Mapping[str, str] = {}
) -> Response:
    """A response with its ETag; it has no body where the client has this answer already."""
    known = [
        t.strip().removeprefix("W/") for t in request.headers.get("if-none-match", "").split(",")
    ]
    headers = {**headers, "ETag": f'"{tag}"', "Cache-Control": "private, no-cache"}
    if request.method in ("GET", "HEAD") and (f'"{tag}"' in known or known == ["*"]):
        return Response(status_code=304, headers=headers)
    return Response(content, headers=headers, media_type=media_type)


def media_type_of(request: Request, default: str = "") -> str:
    """The media type of a body, without its parameters."""
    stated: Any = request.headers.get("content-type", default)
    return str(stated.partition(";")[0].strip().lower())
