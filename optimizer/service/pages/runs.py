"""The page of runs: what the history holds, a log to add, and the rejected rows."""

from __future__ import annotations

import asyncio
import json

from fastapi import APIRouter, Request
from starlette.datastructures import UploadFile
from starlette.responses import Response

from optimizer.intake.settling.rejects import RejectsStore
from optimizer.service.exchange.problems import Problem
from optimizer.service.pages.forms import check_form
from optimizer.service.pages.rendering import render_for
from optimizer.service.parts import parts_of, require_recorder, sender_of
from optimizer.service.recording.bodies import CSV, PARQUET
from optimizer.service.recording.recorder import Upload

SHOWN_REJECTS = 100
"""Largest number of rejected rows on the page, newest first."""

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/runs")
async def runs(request: Request) -> Response:
    """The page with a summary of the history and the rejected rows."""
    parts = parts_of(request)
    summary = json.loads((await parts.summaries.of())[1])
    rejects = await asyncio.to_thread(RejectsStore(parts.history.rejects_folder).read)
    newest = rejects.slice(max(0, len(rejects) - SHOWN_REJECTS)).to_pylist()[::-1]
    return render_for(request, "runs.html", "runs", history=summary,
                      zone=parts.site.time_zone, rejects=newest,
                      rejected=len(rejects), report=None)  # fmt: skip


@routes.get("/rejected.csv")
async def rejected(request: Request) -> Response:
    """The file of rejected rows, which a person corrects and adds again."""
    path = RejectsStore(parts_of(request).history.rejects_folder).csv
    content = await asyncio.to_thread(path.read_bytes) if path.exists() else b""
    headers = {"Content-Disposition": 'attachment; filename="rejected.csv"'}
    return Response(content, headers=headers, media_type="text/csv; charset=utf-8")


@routes.post("/upload")
async def upload(request: Request) -> Response:
    """Add the runs of a file, and show what became of its rows."""
    parts = parts_of(request)
    async with request.form(max_files=1, max_fields=5) as given:
        check_form(request, given)
        require_recorder(request)
        file = given.get("file")
        if not isinstance(file, UploadFile):
            raise Problem(422, "no file was chosen.", code="no-file")
        kind = PARQUET if await file.read(4) == b"PAR1" else CSV
        report = await parts.recorder.add(Upload(file.file, kind), sender_of(request))
    summary = json.loads((await parts.summaries.of())[1])
    return render_for(request, "runs.html", "runs", history=summary,
                      zone=parts.site.time_zone, rejects=report.rejects,
                      rejected=report.rejected, report=report.as_dict())  # fmt: skip
