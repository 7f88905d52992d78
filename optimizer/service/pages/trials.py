"""The page of trials: a form for today's material, the plan, and what a result changed."""

from __future__ import annotations

import io
import json
import secrets
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.campaign import Batch
from optimizer.errors import QuestionError
from optimizer.plant.deck_states import DECK_STATES
from optimizer.service.exchange.typed_numbers import whole
from optimizer.service.pages.forms import (
    address_back,
    brief_of_form,
    check_form,
    doubted_form,
    filled_fields,
    query_of_brief,
    read_form,
    result_row,
    signature,
)
from optimizer.service.pages.plant import is_first_visit
from optimizer.service.pages.rendering import render_for
from optimizer.service.pages.waiting import answer_in_time, waiting_page
from optimizer.service.parts import parts_of, require_recorder, sender_of
from optimizer.service.recording.bodies import JSON
from optimizer.service.recording.recorder import Upload

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/")
async def trials(request: Request) -> Response:
    """The page with today's form and, once the form is filled in, open batches and the plan. The
    first visitor of a new plant is led to its description."""
    if not request.query_params and is_first_visit(parts_of(request)):
        return RedirectResponse("/plant", 303)
    return await trials_page(request, filled_fields(request.query_params))


async def trials_page(
    request: Request, asked: Mapping[str, str], said: str = "", status: int = 200
) -> Response:
    """The page of trials.

    Args:
        request: the request to answer.
        asked: the fields of today's form.
        said: what the page says first, such as why a plan was not issued.
        status: HTTP status of the answer.
    """
    parts = parts_of(request)
    summary = json.loads((await parts.summaries.of())[1])
    values: dict[str, Any] = {
        "lines": parts.site.lines_with(entry["line"] for entry in summary["lines"]),
        "asked": asked,
        "material": parts.site.material, "plan": None, "change": None,
        "states": DECK_STATES, "again": urlencode(asked), "report": "",
        "nonce": secrets.token_hex(4), "now": parts.site.time_zone.shown(datetime.now(UTC)),
        "said": said, "batches": (), "entered": None, "zone": parts.site.time_zone,
    }  # fmt: skip
    if "line" not in asked:
        return render_for(request, "main.html", "trials", status, **values)
    values["batches"] = shown_batches((await parts.issued.of(asked["line"])).batches)
    since = whole(asked["since"], "since") if "since" in asked else None
    brief = brief_of_form(asked, parts.site)
    order = parts.jobs.order("plan to issue", brief)
    content = await answer_in_time(parts.jobs, order, request.state.person.name)
    if content is None:
        return waiting_page(request, order, f"/?{values['again']}", "plan", "trials")
    values["plan"] = plan = json.loads(content)["plan"]
    values["report"] = query_of_brief(brief)
    if since is not None and since < (order.version or 0):
        earlier = parts.jobs.order("plan to issue", brief, as_of=since)
        before = await answer_in_time(parts.jobs, earlier)
        if before is not None:
            values["change"] = change_between(json.loads(before)["plan"], plan)
    return render_for(request, "main.html", "trials", status, **values)


def shown_batches(issued: Sequence[Batch]) -> Sequence[Batch]:
    """The batches of a line beside its plan: those that are open, else the latest one."""
    return [batch for batch in issued if batch.issued.is_open] or issued[-1:]


@routes.post("/record")
async def record(request: Request) -> Response:
    """Add a run at the settings to run now, and redirect to the plan; a result that is hard to
    believe is asked about first."""
    parts, given = parts_of(request), await read_form(request)
    check_form(request, given)
    require_recorder(request)
    version = parts.jobs.versions.latest()[1]
    back, sender = address_back(given, version), sender_of(request, signed=signature(given))
    body = json.dumps([result_row(given, parts.site)]).encode()
    upload = Upload(io.BytesIO(body), JSON, sure=given.get("sure") == "yes")
    try:
        await parts.recorder.add(upload, sender)
    except QuestionError as error:
        doubted = doubted_form(given, error.questions, parts.site)
        return render_for(
            request,
            "doubt.html",
            "trials",
            status=422,
            now=parts.site.time_zone.shown(datetime.now(UTC)),
            **doubted,
        )
    return RedirectResponse(back, 303)


def change_between(before: Mapping[str, Any], after: Mapping[str, Any]) -> dict[str, Any]:
    """The change that a result made in the settings to run now.

    Args:
        before: the ``highside.plan/1`` document for the version before the result.
        after: the ``highside.plan/1`` document for the version with the result.
    """
    old, new = before["run_now"], after["run_now"]
    moved = []
    if old and new:
        moved = [
            {"setting": name, "was": old["settings"][name], "now": value}
            for name, value in new["settings"].items()
            if old["settings"].get(name) != value
        ]
    return {"before": old, "after": new, "moved": moved,
            "runs": after["runs_used"] - before["runs_used"]}  # fmt: skip
