"""The page of pictures: a plan and what surrounds it, drawn by a script from the numbers of the
answer ``look``, which the page also holds as tables."""

from __future__ import annotations

import json
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.errors import HighsideError, InputError
from optimizer.operations.looking import check_pair
from optimizer.service.answers.order import Order
from optimizer.service.exchange.problems import status_of
from optimizer.service.pages.forms import brief_of_form, filled_fields
from optimizer.service.pages.rendering import render_for
from optimizer.service.pages.waiting import answer_in_time, waiting_page
from optimizer.service.parts import Parts, parts_of

AXES = ("x", "y")
"""Fields of the page that choose the settings of the map."""

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/look")
async def look(request: Request) -> Response:
    """The pictures of a line for the brief in the query; without a line, the form alone."""
    parts = parts_of(request)
    summary = json.loads((await parts.summaries.of())[1])
    asked, faults = _asked(request)
    values: dict[str, Any] = {
        "lines": parts.site.lines_with(entry["line"] for entry in summary["lines"]),
        "asked": asked, "again": urlencode(asked), "faults": faults,
        "axes": {axis: request.query_params.get(axis, "").strip() for axis in AXES},
        "look": None, "answer": "", "zone": parts.site.time_zone,
    }  # fmt: skip
    status = 422 if faults else 200
    if "line" not in asked or faults:
        return render_for(request, "look.html", "look", status, **values)
    try:
        order = _order(parts, asked, values["axes"], faults)
        content = await answer_in_time(parts.jobs, order, request.state.person.name)
    except HighsideError as error:
        faults[_field_of(error)] = str(error)
        return render_for(request, "look.html", "look", status_of(error), **values)
    if content is None:
        chosen = {axis: name for axis, name in values["axes"].items() if name}
        address = f"/look?{urlencode(asked | chosen)}{'#map' if chosen else ''}"
        return waiting_page(request, order, address, "pictures", "look")
    values |= {"look": json.loads(content), "answer": f"/v1/results/{order.key}"}
    return render_for(request, "look.html", "look", 422 if faults else 200, **values)


def _asked(request: Request) -> tuple[dict[str, str], dict[str, str]]:
    """The fields of today's form in the query, and what is wrong with them as a whole."""
    try:
        asked = filled_fields(request.query_params)
    except HighsideError as error:
        return {}, {"line": str(error)}
    asked.pop("since", None)
    return asked, {}


def _order(
    parts: Parts, asked: dict[str, str], axes: dict[str, str], faults: dict[str, str]
) -> Order:
    """The order of the numbers.

    Settings that cannot be those of a map are noted in ``faults``, and the usual ones are ordered.

    Raises:
        HighsideError: when another field cannot be used.
    """
    x, y = (axes[axis] or None for axis in AXES)
    try:
        check_pair(parts.site.space_of(asked["line"]).names, x, y)
    except InputError as error:
        faults[_field_of(error)] = str(error)
        x = y = None
    return parts.jobs.order("look", brief_of_form(asked, parts.site), more={"x": x, "y": y})


def _field_of(error: HighsideError) -> str:
    """The field of the page that an error is about; empty for none of them."""
    said = {"Grade:": "min_grade", "Line:": "line", "x:": "x", "y:": "y", "x and y": "y"}
    return next((field for start, field in said.items() if error.message.startswith(start)), "")
