"""The scripts that pages load, as files that browsers keep while their content is the same."""

from __future__ import annotations

import hashlib
from pathlib import Path

from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.service.exchange.problems import Problem

STATIC = Path(__file__).parent / "static"
SCRIPTS = {path.name: path.read_bytes() for path in sorted(STATIC.glob("*.js"))}
"""Content of each script by its name."""
TAGS = {name: f'"{hashlib.sha256(content).hexdigest()[:32]}"' for name, content in SCRIPTS.items()}

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/static/{name}")
async def script(request: Request, name: str) -> Response:
    """A script; without its content where the browser has it already."""
    if name not in SCRIPTS:
        raise Problem(404, "there is nothing at this address.", code="not-found")
    headers = {"ETag": TAGS[name], "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == TAGS[name]:
        return Response(status_code=304, headers=headers)
    return Response(SCRIPTS[name], headers=headers, media_type="text/javascript; charset=utf-8")
