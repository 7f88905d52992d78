"""A log that a person adds from the page of runs."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.datastructures import UploadFile
from starlette.responses import Response

from optimizer.service.exchange.problems import Problem
from optimizer.service.pages.forms import check_form
from optimizer.service.pages.rendering import render_for
from optimizer.service.parts import parts_of, require_recorder, sender_of
from optimizer.service.recording.bodies import CSV, PARQUET
from optimizer.service.recording.recorder import Upload

routes = APIRouter(include_in_schema=False, default_response_class=Response)


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
    return render_for(request, "uploaded.html", "runs", report=report.as_dict())
