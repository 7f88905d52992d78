"""The page that says what the history tells of a line: what matters, what drifts, what is doubtful,
what is not known."""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.errors import HighsideError, HistoryError
from optimizer.service.exchange.problems import status_of
from optimizer.service.pages.comparing.basis_form import Typed, read_brief
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.pages.shared.waiting import answer_in_time, waiting_page
from optimizer.service.parts import asker_of, parts_of

LEVEL = 0.05
"""An effect with a p-value below this counts as found."""

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/diagnosis")
async def diagnosis(request: Request) -> Response:
    """The page of a diagnosis: its form and, once a line is chosen, what its history says."""
    parts = parts_of(request)
    typed = Typed({k: v for k, v in request.query_params.items() if v.strip()})
    summary = json.loads((await parts.summaries.of())[1])
    values: dict[str, Any] = {
        "lines": [entry["line"] for entry in summary["lines"]], "typed": typed,
        "material": parts.site.material, "found": None, "level_of_tests": LEVEL,
    }  # fmt: skip
    brief = {**read_brief(typed, parts.site), "line": typed.fields.get("line", "").strip()}
    if not brief["line"] or typed.faults:
        status = 422 if typed.faults else 200
        return render_for(request, "diagnosis.html", "diagnosis", status, **values)
    try:
        order = parts.jobs.order("diagnosis", brief)
        content = await answer_in_time(parts.jobs, order, asker_of(request))
    except HistoryError:
        raise
    except HighsideError as error:
        typed.refuse(error)
        return render_for(request, "diagnosis.html", "diagnosis", status_of(error), **values)
    if content is None:
        address = f"/diagnosis?{urlencode(typed.fields)}"
        return waiting_page(request, order, address, "diagnosis", "diagnosis")
    values["found"] = json.loads(content)
    return render_for(request, "diagnosis.html", "diagnosis", **values)
