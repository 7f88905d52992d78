"""The endpoints of issued batches: issue, state, sheet, results, changes of trials, closing."""

from __future__ import annotations

import json
from collections.abc import Mapping
from contextlib import nullcontext
from typing import Any
from urllib.parse import quote

from fastapi import APIRouter, Request
from starlette.responses import Response, StreamingResponse

from optimizer.campaign import Batch
from optimizer.errors import Overtaken
from optimizer.service.answers.issued_batches import text_of
from optimizer.service.answers.kinds import MEDIA_TYPES
from optimizer.service.api import responses
from optimizer.service.api.endpoints import INLINE_POLICY, media_type_of, tagged
from optimizer.service.api.parameters import (
    BatchId,
    Form,
    IfNoneMatch,
    Latest,
    Line,
    Paper,
    Seed,
    TrialNumber,
)
from optimizer.service.exchange.problems import Problem
from optimizer.service.parts import (
    asker_of,
    parts_of,
    require_recorder,
    sender_of,
    while_connected,
)
from optimizer.service.recording.batch_recorder import STATES
from optimizer.service.recording.bodies import JSON, read_brief, read_object, read_result

MOST_PLANS = 4
"""Number of times that a plan is made to be issued while others add runs of its line. The last one
is made while this process adds no runs."""

routes = APIRouter(default_response_class=Response, tags=["batches"])


@routes.post("/v1/batches", status_code=201, summary="Issue a plan: its trials get numbers",
             responses=responses.ISSUE, openapi_extra=responses.BRIEF_BODY)  # fmt: skip
async def issue(request: Request, seed: Seed = None) -> Response:
    """Make a plan for the brief in the body, and issue it."""
    require_recorder(request)
    brief = read_brief(await _json_body(request))
    done = await issue_brief(request, brief, seed)
    return _answer(done, request, 201)


@routes.get("/v1/batches", summary="Issued batches, and what the finished ones taught",
            responses=responses.BATCHES)  # fmt: skip
async def batches(
    request: Request, line: Line = None, latest: Latest = None, if_none_match: IfNoneMatch = None
) -> Response:
    """The batches in the order of their issue."""
    found = await parts_of(request).issued.document(line, latest)
    known = tagged(b"", found.tag, JSON, request)
    if known.status_code == 304:
        return known
    headers = {name: known.headers[name] for name in ("etag", "cache-control")}
    headers["content-length"] = str(found.size)
    return StreamingResponse(found.pieces(), headers=headers, media_type=JSON)


# A line may have a slash in its name, which a server decodes before the address is read. Since the
# id of a batch ends with its number, an address still has one meaning only.


@routes.get("/v1/batches/{batch:path}/sheet", summary="The trial sheet of a batch",
            responses=responses.BATCH_SHEET)  # fmt: skip
async def sheet(
    request: Request, batch: BatchId, format: Form = "pdf", paper: Paper = "a4",
    if_none_match: IfNoneMatch = None,
) -> Response:  # fmt: skip
    """The plan as it was issued, with the numbers of its trials."""
    tag, content = await parts_of(request).issued.sheet(batch, format, paper)
    kind = f"sheet.{format}"
    name = f"{batch}.{format}"
    headers = {"Content-Disposition": f"inline; filename*=UTF-8''{quote(name, safe='')}"}
    if format == "html":
        headers["Content-Security-Policy"] = INLINE_POLICY
    return tagged(content, tag, MEDIA_TYPES[kind], request, headers)


@routes.post("/v1/batches/{batch:path}/trials/{k:int}/result", summary="Add the result of a trial",
             responses=responses.RECORDED, openapi_extra=responses.RESULT_BODY)  # fmt: skip
async def result(request: Request, batch: BatchId, k: TrialNumber) -> Response:
    """Add the run that is the result of a trial, and answer when it is on disk."""
    require_recorder(request)
    given = read_result(await _json_body(request))
    sure = bool(given.pop("sure", False))
    recorder, sender = parts_of(request).batch_recorder, sender_of(request)
    return _answer(await recorder.result(f"{batch}.{k}", given, sender, sure), request)


@routes.patch("/v1/batches/{batch:path}/trials/{k:int}", summary="Start, skip or reopen a trial",
              responses=responses.CHANGED, openapi_extra=responses.TRIAL_BODY)  # fmt: skip
async def change(request: Request, batch: BatchId, k: TrialNumber) -> Response:
    """Say what becomes of a trial that has no result."""
    require_recorder(request)
    given = read_object(await _json_body(request), ("state", "reason"))
    state, reason = given.get("state"), given.get("reason")
    if state not in STATES:
        said = f"state: expected {', '.join(map(repr, STATES))}."
        raise Problem(422, said, code="no-state")
    if not isinstance(reason, str | None):
        raise Problem(422, "reason: expected text.", code="no-reason")
    recorder, sender = parts_of(request).batch_recorder, sender_of(request)
    done = await recorder.change(f"{batch}.{k}", state, (reason or "").strip(), sender)
    return _answer(done, request)


@routes.get("/v1/batches/{batch:path}", summary="An issued batch and its trials",
            responses=responses.BATCH)  # fmt: skip
async def one(request: Request, batch: BatchId, if_none_match: IfNoneMatch = None) -> Response:
    """The state of a batch."""
    tag, content = await parts_of(request).issued.document_of(batch)
    return tagged(content, tag, JSON, request)


@routes.patch("/v1/batches/{batch:path}", summary="Close a batch",
              responses=responses.CHANGED, openapi_extra=responses.CLOSE_BODY)  # fmt: skip
async def close(request: Request, batch: BatchId) -> Response:
    """Close a batch: no result of its trials is expected any more."""
    require_recorder(request)
    given = read_object(await _json_body(request), ("closed",))
    if given.get("closed") is not True:
        raise Problem(
            422, "closed: expected true; a closed batch is not opened again.", code="not-closed",
            hint="Issue a new plan with POST /v1/batches.",
        )  # fmt: skip
    recorder, sender = parts_of(request).batch_recorder, sender_of(request)
    return _answer(await recorder.close(batch, sender), request)


async def issue_brief(request: Request, brief: Mapping[str, Any], seed: int | None) -> Batch:
    """Make a plan on the latest version, and issue it.

    Raises:
        HighsideError: the errors of ``operations.issuing.issue``.
        Problem: when too many answers are being made.
    """
    parts = parts_of(request)
    for plans_left in reversed(range(MOST_PLANS)):
        async with nullcontext() if plans_left else parts.recorder.turn:
            order = parts.jobs.order("plan to issue", brief, seed)
            made = parts.jobs.answer(order, asker_of(request))
            about = json.loads(await while_connected(request, made))
        done = await parts.batch_recorder.issue(about, order.version, sender_of(request))
        if done is not None:
            return done
    raise Overtaken(parts.history.location)


async def _json_body(request: Request) -> bytes:
    """The body of a request that sends JSON.

    Raises:
        Problem: when another media type is stated.
    """
    if media_type_of(request, JSON) != JSON:
        raise Problem(415, f"this is sent as {JSON}.", code="media-type")
    return await request.body()


def _answer(done: Batch, request: Request, status: int = 200) -> Response:
    """The ``highside.batch/1`` document after a change."""
    tag, content = text_of(done)
    answer = tagged(content, tag, JSON, request)
    answer.status_code = status
    if status == 201:
        answer.headers["Location"] = f"/v1/batches/{quote(done.issued.batch, safe='')}"
    return answer
