"""The API: history, runs, plans, reports, jobs. Answers are the commands' own."""

from __future__ import annotations

import asyncio
import json
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Header, Path, Query, Request
from starlette.responses import Response

from optimizer.errors import HistoryError, InputError
from optimizer.history.history import History
from optimizer.key_values import key_values
from optimizer.plant.documents import LARGEST
from optimizer.plant.shares import Confidence, Fraction
from optimizer.plant.site import Site
from optimizer.service import openapi, tasks
from optimizer.service.access import Access, Person
from optimizer.service.audit import Audit
from optimizer.service.forms import LABEL, LONGEST_NAME, measured
from optimizer.service.intake import JSON, Recorder, read_brief
from optimizer.service.metrics import MEDIA_TYPE, Metrics
from optimizer.service.options import Options
from optimizer.service.problems import Problem
from optimizer.service.summaries import Summaries
from optimizer.service.texts import as_json
from optimizer.service.worker import Order, Work
from optimizer.version import __version__

MOST_SEED = 2**32 - 1
IN_MEMORY = 1 << 20
"""Bytes of an upload that are held in memory; one that is larger is written to the disk."""

Line = Annotated[
    str | None, Query(description="The line.", max_length=LONGEST_NAME, examples=["deck-1"])
]
MinGrade = Annotated[
    Fraction | None,
    Query(description="Grade to reach: 0.985 or 98.5%.", examples=[0.985]),
]
Trials = Annotated[int | None, Query(description="How many trials to plan.", ge=1, le=50)]
Material = Annotated[
    list[str] | None,
    Query(description="Today's material, `KEY=VALUE`; repeat for more.", max_length=50),
]
Seed = Annotated[
    int | None, Query(description="Of all chance; default of the service.", ge=0, le=MOST_SEED)
]
AsOf = Annotated[
    int | None, Query(description="Plan on this version of the history.", ge=0, le=2**53)
]
IfNoneMatch = Annotated[str | None, Header(description="ETag of an answer that is there already.")]
Prefer = Annotated[
    str | None, Header(description="`respond-async`: answer with a job at once.", examples=[""])
]
JobId = Annotated[str, Path(description="Of the job.", pattern="^[0-9a-f]{32}$")]


@dataclass
class Parts:
    """What the endpoints work with."""

    options: Options
    access: Access
    history: History
    site: Site
    work: Work
    summaries: Summaries
    recorder: Recorder
    audit: Audit
    metrics: Metrics


def sender(request: Request, **more: Any) -> dict[str, Any]:
    """What the audit says of whoever sent a request."""
    person: Person | None = request.state.person
    return {
        "who": person.name if person else None,
        "from": request.state.address,
        "request": request.state.request_id,
        **more,
    }


def require_recorder(request: Request) -> None:
    """Refuses whoever may only read.

    Raises:
        Problem: 403.
    """
    if not request.state.person.may_record:
        raise Problem(
            403, "this token may read, not record.", code="read-only",
            hint="Use a token with the role 'record'.",
        )  # fmt: skip


def tagged(
    content: bytes, tag: str, media_type: str, request: Request, headers: Mapping[str, str] = {}
) -> Response:
    """An answer with its ETag; no body where the asker has it already."""
    known = [
        t.strip().removeprefix("W/") for t in request.headers.get("if-none-match", "").split(",")
    ]
    headers = {**headers, "ETag": f'"{tag}"', "Cache-Control": "private, no-cache"}
    if request.method in ("GET", "HEAD") and (f'"{tag}"' in known or known == ["*"]):
        return Response(status_code=304, headers=headers)
    return Response(content, headers=headers, media_type=media_type)


def brief_of(
    line: str | None, min_grade: float | None, trials: int | None, material: Sequence[str] | None
) -> dict[str, Any]:
    """A brief from a query.

    Raises:
        InputError: when an entry of the material is not ``KEY=VALUE``, or one of its keys is
            given twice.
        Problem: when a value is not a number.
    """
    today: dict[str, Any] = {}
    for name, value in key_values(material or (), "material").items():
        if name != LABEL:
            today[name] = measured(value, f"material {name[:60]}")
        elif len(value) <= LONGEST_NAME:
            today[name] = value
        else:
            raise InputError(f"the material's name is longer than {LONGEST_NAME} characters.")
    found: dict[str, Any] = {"line": line, "material": today}
    found["goal"] = {} if min_grade is None else {"min_grade": min_grade}
    found["trials"] = {} if trials is None else {"count": trials}
    return {key: value for key, value in found.items() if value}


async def answered(parts: Parts, order: Order, request: Request, prefer: str | None) -> Response:
    """A long answer: whole, or as a job where that is preferred."""
    if "respond-async" in (prefer or "").lower() and parts.work.kept(order.key) is None:
        parts.work.begin(order)
        await asyncio.sleep(0)
        job = {"schema": "highside.job/1", "id": order.key, "state": "waiting",
               "kind": order.kind, "progress": []}  # fmt: skip
        location = f"/v1/jobs/{order.key}"
        headers = {"Location": location, "Preference-Applied": "respond-async"}
        return Response(json.dumps(job, indent=1), 202, headers, media_type=JSON)
    found = await parts.work.answer(order)
    return result(found, order.key, order.kind, request)


def result(found: bytes, key: str, kind: str, request: Request) -> Response:
    """A long answer as it is sent."""
    headers = {"Content-Location": f"/v1/results/{key}", **openapi.policy_of(kind)}
    if kind.startswith("sheet."):
        headers["Content-Disposition"] = f'inline; filename="trial-{kind}"'
    return tagged(found, key, tasks.MEDIA_TYPES[kind], request, headers)


def router(parts: Parts) -> APIRouter:
    """All endpoints of the API."""
    api = APIRouter()

    @api.get("/health", summary="Whether the service can answer", tags=["service"],
             response_class=Response, responses=openapi.HEALTH)  # fmt: skip
    async def health() -> Response:
        try:
            await asyncio.to_thread(parts.work.versions.latest)
        except HistoryError as error:  # where it is and what is wrong is not for everybody
            raise Problem(503, "the history cannot be read.", code=error.code) from None
        said = {"schema": "highside.health/1", "status": "ok", "version": __version__}
        return Response(json.dumps(said, indent=1), media_type=JSON)

    @api.get("/metrics", summary="Counters, for Prometheus", tags=["service"],
             response_class=Response, responses=openapi.METRICS)  # fmt: skip
    async def metrics() -> Response:
        _, version = await asyncio.to_thread(parts.work.versions.latest)
        return Response(parts.metrics.text(version), headers={"Content-Type": MEDIA_TYPE})

    @api.get("/v1/history", summary="What the history holds", tags=["history"],
             response_class=Response, responses=openapi.HISTORY)  # fmt: skip
    async def history(
        request: Request,
        line: Line = None,
        since: Annotated[str | None, Query(description="Runs from this ISO date on.",
                                           max_length=40, examples=["2026-03-01"])] = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response:  # fmt: skip
        tag, found = await parts.summaries.of(line, since)
        return tagged(found, tag, JSON, request)

    @api.post("/v1/runs", summary="Add runs: rows or a file", tags=["history"],
              response_class=Response, responses=openapi.LOAD,
              openapi_extra=openapi.RUNS_BODY)  # fmt: skip
    async def runs(
        request: Request,
        line: Annotated[str | None, Query(description="Line of rows that name none.",
                                          min_length=1, max_length=LONGEST_NAME)] = None,
        dry_run: Annotated[bool, Query(description="Check, and write nothing.")] = False,
        samples: Annotated[bool, Query(description="Rows are readings over time.")] = False,
    ) -> Response:  # fmt: skip
        require_recorder(request)
        media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
        # Large bodies wait on the disk, in a file without a name, and not in memory.
        with tempfile.SpooledTemporaryFile(IN_MEMORY) as body:
            async for part in request.stream():
                body.write(part)
            report = await parts.recorder.add(
                body, media_type, sender(request), line=line, dry_run=dry_run, samples=samples
            )
        return Response(as_json(report.as_dict()), media_type=JSON)

    @api.post("/v1/plans", summary="Rank the next settings to try", tags=["plans"],
              response_class=Response, responses=openapi.PLAN,
              openapi_extra=openapi.BRIEF_BODY)  # fmt: skip
    async def plans(
        request: Request, seed: Seed = None, as_of: AsOf = None, prefer: Prefer = None
    ) -> Response:
        media_type = request.headers.get("content-type", JSON).partition(";")[0].strip().lower()
        if media_type != JSON:
            raise Problem(415, f"a brief is sent as {JSON}.", code="media-type")
        brief = read_brief(await request.body())
        return await _ordered(request, "plan", brief, seed, as_of, prefer)

    async def _ordered(
        request: Request, kind: str, brief: Mapping[str, Any], seed: int | None,
        as_of: int | None, prefer: str | None,
    ) -> Response:  # fmt: skip
        order = parts.work.order(kind, brief, parts.options.seed if seed is None else seed, as_of)
        return await answered(parts, order, request, prefer)

    @api.get("/v1/report", summary="The page to decide from (HTML)", tags=["plans"],
             response_class=Response, responses=openapi.REPORT)  # fmt: skip
    async def report(
        request: Request, line: Line = None, min_grade: MinGrade = None, trials: Trials = None,
        material: Material = None, seed: Seed = None, as_of: AsOf = None, prefer: Prefer = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response:  # fmt: skip
        brief = brief_of(line, min_grade, trials, material)
        return await _ordered(request, "report", brief, seed, as_of, prefer)

    @api.get("/v1/sheet", summary="The trial sheet (PDF, HTML or CSV)", tags=["plans"],
             response_class=Response, responses=openapi.SHEET)  # fmt: skip
    async def sheet(
        request: Request,
        form: Annotated[str, Query(description="pdf, html or csv.",
                                   pattern="^(pdf|html|csv)$")] = "pdf",
        line: Line = None, min_grade: MinGrade = None, trials: Trials = None,
        material: Material = None, seed: Seed = None, as_of: AsOf = None, prefer: Prefer = None,
        if_none_match: IfNoneMatch = None,
    ) -> Response:  # fmt: skip
        brief = brief_of(line, min_grade, trials, material)
        return await _ordered(request, f"sheet.{form}", brief, seed, as_of, prefer)

    @api.get("/v1/comparison", summary="Lines side by side", tags=["plans"],
             response_class=Response, responses=openapi.COMPARISON)  # fmt: skip
    async def comparison(
        request: Request,
        lines: Annotated[list[str] | None, Query(description="Which lines; repeat, or all.",
                                                 max_length=200)] = None,
        feed_rate: Annotated[float | None, Query(description="In the site's unit.",
                                                 gt=0, le=LARGEST)] = None,
        confidence: Annotated[Confidence | None, Query(description="How sure of the grade: 0.9 "
                                                       "or 90%.")] = None,
        min_grade: MinGrade = None, material: Material = None, seed: Seed = None,
        prefer: Prefer = None, if_none_match: IfNoneMatch = None,
    ) -> Response:  # fmt: skip
        asked = {"lines": lines or None, "feed_rate": feed_rate}
        brief = brief_of(None, min_grade, None, material)
        if confidence is not None:
            brief["goal"] = {**brief.get("goal", {}), "confidence": confidence}
        order = parts.work.order(
            "comparison", brief,
            parts.options.seed if seed is None else seed, None, asked,
        )  # fmt: skip
        return await answered(parts, order, request, prefer)

    @api.get("/v1/jobs/{job}", summary="How far a job has come", tags=["plans"],
             response_class=Response, responses=openapi.JOB)  # fmt: skip
    async def job(job: JobId) -> Response:
        return Response(json.dumps(parts.work.job(job), indent=1), media_type=JSON)

    @api.get("/v1/results/{job}", summary="What a job made", tags=["plans"],
             response_class=Response, responses=openapi.RESULT)  # fmt: skip
    async def results(request: Request, job: JobId, if_none_match: IfNoneMatch = None) -> Response:
        kind, found = parts.work.kind(job), parts.work.kept(job)
        if found is None:
            raise Problem(404, "there is no such result.", code="no-result")
        return result(found, job, kind, request)

    return api
