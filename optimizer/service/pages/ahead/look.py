"""The page of pictures: a plan and what surrounds it, drawn by a script from the numbers of the
answer ``look``, which the page also holds as tables."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping, Sequence
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.errors import InputError, LimitError
from optimizer.operations.looking import check_pair
from optimizer.service.exchange.problems import Problem, status_of
from optimizer.service.pages.brief_form.reading import read_form_of_brief
from optimizer.service.pages.history.columns import run_address
from optimizer.service.pages.shared.forms import filled_fields
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.pages.shared.waiting import answer_in_time, waiting_page
from optimizer.service.parts import Parts, asker_of, parts_of
from optimizer.text.sentences import LISTED
from optimizer.text.setting_names import gates_together
from optimizer.text.visible_text import fits_in_a_page
from optimizer.text.words import ENGLISH, Words

AXES = ("x", "y")
"""Fields of the page that choose the settings of the map."""

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/look")
async def look(request: Request) -> Response:
    """The pictures of a line for the brief in the query; without a line, the form alone."""
    parts = parts_of(request)
    summary = json.loads((await parts.summaries.of())[1])
    values: dict[str, Any] = {
        "lines": parts.site.lines_with(entry["line"] for entry in summary["lines"]),
        "asked": {}, "again": "", "faults": {}, "planned": (), "look": None, "answer": "",
        "axes": {axis: request.query_params.get(axis, "").strip() for axis in AXES},
    }  # fmt: skip
    try:
        asked = filled_fields(request.query_params)
    except Problem as error:
        values["faults"] = {"line": str(error)}
        return render_for(request, "look.html", "look", 422, **values)
    asked.pop("since", None)
    values |= {"asked": asked, "again": urlencode(asked)}
    if "line" not in asked:
        values["planned"] = await _last_planned(parts, values["lines"])
        return render_for(request, "look.html", "look", **values)
    return await _pictures(request, asked, values)


async def _pictures(request: Request, asked: Mapping[str, str], values: dict[str, Any]) -> Response:
    """The page for the fields of a brief: its pictures, or what is wrong beside its field.

    Args:
        request: the request to answer.
        asked: the fields of today's form, the line among them.
        values: values of the template, to which what is found is added.
    """
    parts, form = parts_of(request), read_form_of_brief(asked, parts_of(request).site)
    values["faults"] = faults = form.faults
    if faults:
        return render_for(request, "look.html", "look", 422, **values)
    x, y = _axes(parts, asked["line"], values["axes"], faults)
    try:
        order = parts.jobs.order("look", form.brief, more={"x": x, "y": y})
        content = await answer_in_time(parts.jobs, order, asker_of(request))
    except (InputError, LimitError) as error:
        form.refuse(error)
        return render_for(request, "look.html", "look", status_of(error), **values)
    if content is None:
        chosen = {axis: name for axis, name in values["axes"].items() if name}
        address = f"/look?{urlencode({**asked, **chosen})}{'#map' if chosen else ''}"
        return waiting_page(request, order, address, "pictures", "look")
    found = json.loads(content)
    values |= {"look": found, "answer": f"/v1/results/{order.key}", "run_address": run_address,
               "told_by": json.dumps(told_by(found, parts.site.words)),
               "material_units": parts.site.material_units(parts.site.material)}  # fmt: skip
    return render_for(request, "look.html", "look", 422 if faults else 200, **values)


def told_by(look: Mapping[str, Any], words: Words) -> dict[str, dict[str, str]]:
    """What settings, units, places and sentences of a ``highside.look/1`` document are for the
    reader, by which scripts tell them."""
    if words == ENGLISH:
        return {"names": {}, "said": {}, "units": {}, "places": {}}
    named = [setting["name"] for setting in look["settings"]]
    named += [*gates_together(named), *(effect["setting"] for effect in look["effects"])]
    shown = {run["doubt"] for run in look["runs"]} | {each["said"] for each in look["happenings"]}
    return {
        "names": {name: words.spoken(name) for name in named},
        "places": {name: words.place(name) for name in words["places"]},
        "units": {each["unit"]: words.unit(each["unit"]) for each in look["settings"]},
        "said": {s["text"]: words.told(s) for s in look[LISTED] if s["text"] in shown},
    }


def _axes(
    parts: Parts, line: str, typed: Mapping[str, str], faults: dict[str, str]
) -> tuple[str | None, str | None]:
    """The settings of the map; none, with a fault, where those asked for cannot be a map."""
    x, y = (typed[axis] or None for axis in AXES)
    try:
        check_pair(parts.site.space_of(line).names, x, y)
    except InputError as error:
        faults["x" if error.message.startswith("x:") else "y"] = str(error)
        return None, None
    return x, y


async def _last_planned(parts: Parts, lines: Sequence[str]) -> list[tuple[str, str]]:
    """Each line that was planned, with the query of the brief that it was last planned with."""
    fitting = [line for line in lines if fits_in_a_page(line)]
    last = await asyncio.to_thread(lambda: [parts.last_briefs.of(line) for line in fitting])
    return [
        (line, urlencode({"line": line, **each.fields}))
        for line, each in zip(fitting, last, strict=True)
        if each.at is not None
    ]
