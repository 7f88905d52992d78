"""The page that compares the lines."""

from __future__ import annotations

import json
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.service.exchange.typed_numbers import fraction
from optimizer.service.pages.rendering import render_for
from optimizer.service.pages.waiting import answer_in_time, waiting_page
from optimizer.service.parts import parts_of

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/lines")
async def lines(request: Request) -> Response:
    """The page that compares the lines."""
    jobs = parts_of(request).jobs
    typed = request.query_params.get("min_grade", "").strip()
    brief = {"goal": {"min_grade": fraction(typed, "Grade")}} if typed else {}
    order = jobs.order("comparison", brief, more={"lines": None, "feed_rate": None})
    content = await answer_in_time(jobs, order, request.state.person.name)
    if content is None:
        address = "/lines?" + urlencode({"min_grade": typed})
        return waiting_page(request, order, address, "comparison", "lines")
    return render_for(
        request, "lines.html", "lines", min_grade=typed, comparison=json.loads(content)
    )
