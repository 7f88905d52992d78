"""The endpoints that change single runs, and tell which were changed."""

from __future__ import annotations

import asyncio
import hashlib
from collections.abc import Callable
from functools import partial

from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.history.changes import Changes, changes_of
from optimizer.operations.corrections import correct, reinstate, withdraw
from optimizer.service.api import responses
from optimizer.service.api.endpoints import tagged
from optimizer.service.api.parameters import (
    ChangedRun,
    IfNoneMatch,
    LineOfRun,
    Reason,
    RunId,
)
from optimizer.service.exchange.problems import Problem
from optimizer.service.parts import Parts, parts_of, require_recorder, sender_of
from optimizer.service.recording.bodies import JSON, RunChange, is_text, read_change
from optimizer.text.visible_text import json_bytes

routes = APIRouter(default_response_class=Response)


@routes.get("/v1/changes", summary="Which runs were changed, and why", tags=["history"],
            responses=responses.CHANGES)  # fmt: skip
async def changes(
    request: Request, run: ChangedRun = None, if_none_match: IfNoneMatch = None
) -> Response:
    """The corrections, withdrawals and reinstatements of runs."""
    parts = parts_of(request)

    def made() -> bytes:
        _, version = parts.jobs.versions.latest()
        found = changes_of(parts.history.at(version), parts.site, run)
        return json_bytes(found.as_dict())

    content = await asyncio.to_thread(made)
    return tagged(content, hashlib.sha256(content).hexdigest()[:32], JSON, request)


@routes.patch("/v1/runs/{run_id:path}", summary="Correct a run, or take it back", tags=["history"],
              responses=responses.CHANGE, openapi_extra=responses.CORRECTION_BODY)  # fmt: skip
async def correct_run(request: Request, run_id: RunId) -> Response:
    """Correct values of a run, or take a withdrawn run back."""
    require_recorder(request)
    asked = read_change(await request.body())
    return await _changed(request, run_id, asked, reinstate if asked.take_back else correct)


@routes.delete("/v1/runs/{run_id:path}", summary="Withdraw a run", tags=["history"],
               responses=responses.CHANGE, openapi_extra=responses.WITHDRAWAL_BODY)  # fmt: skip
async def withdraw_run(
    request: Request, run_id: RunId, reason: Reason = None, line: LineOfRun = None
) -> Response:
    """Take a run out of the history; its earlier versions keep it."""
    require_recorder(request)
    asked = read_change(await request.body(), RunChange(reason=reason, line=line), plain=True)
    return await _changed(request, run_id, asked, withdraw)


async def _changed(
    request: Request, run_id: str, asked: RunChange, change: Callable[..., Changes]
) -> Response:
    """Make a change, and answer when it and its audit entry are on disk."""
    parts, sender = parts_of(request), sender_of(request)
    if not is_text(run_id):
        raise Problem(404, "there is no run with that id.", code="unknown-run")
    work = partial(_made, parts, run_id, asked, change, sender["who"])
    made = await parts.recorder.change(work, sender)
    return Response(json_bytes(made.as_dict()), media_type=JSON)


def _made(
    parts: Parts, run_id: str, asked: RunChange, change: Callable[..., Changes], by: str | None
) -> Changes:
    values = (asked.values,) if change is correct else ()
    how = {"reason": asked.reason, "by": by, "line": asked.line}
    return change(parts.history, parts.site, run_id, *values, **how)
