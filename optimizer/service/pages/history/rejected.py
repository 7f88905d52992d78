"""The page of rejected rows, and their file, which a person corrects and adds again."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.intake.settling.rejects import RejectsStore
from optimizer.service.exchange.queries import LONGEST_NAME
from optimizer.service.pages.history.paging import SHOWN, page_of
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.parts import parts_of

COLUMNS = ("file", "row", "field", "value", "reason")

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/rejected")
async def rejected(request: Request) -> Response:
    """The rejected rows with their reasons, newest first."""
    store = RejectsStore(parts_of(request).history.rejects_folder)
    rejects = await asyncio.to_thread(store.read)
    typed = request.query_params.get("page", "")[:LONGEST_NAME]
    page = page_of("/rejected", {}, len(rejects), typed)
    end = len(rejects) - page.first
    here = rejects.slice(max(0, end - SHOWN), min(end, SHOWN)).select(COLUMNS).to_pylist()[::-1]
    return render_for(request, "rejected.html", "runs", rejects=here, page=page)


@routes.get("/rejected.csv")
async def as_csv(request: Request) -> Response:
    """The file of rejected rows."""
    path = RejectsStore(parts_of(request).history.rejects_folder).csv
    content = await asyncio.to_thread(path.read_bytes) if path.exists() else b""
    headers = {"Content-Disposition": 'attachment; filename="rejected.csv"'}
    return Response(content, headers=headers, media_type="text/csv; charset=utf-8")
