"""The page of today: the choice of a line, the form of its brief, the plan."""

from __future__ import annotations

import asyncio
import json
import secrets
from collections.abc import Mapping
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.errors import HistoryError, InputError, LimitError
from optimizer.plant.run_columns import DECK_STATES
from optimizer.service.answers.order import Order
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import MOST_QUERY
from optimizer.service.exchange.typed_numbers import whole
from optimizer.service.pages.brief_form.reading import (
    ANYWHERE,
    BriefForm,
    empty_form,
    read_form_of_brief,
)
from optimizer.service.pages.brief_form.telling import asked_for, assumed
from optimizer.service.pages.shared.forms import (
    filled_fields,
    read_form,
)
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.pages.shared.waiting import answer_in_time, waiting_page
from optimizer.service.parts import Parts, asker_of, parts_of
from optimizer.service.recording.remembered import LastBrief
from optimizer.text.visible_text import fits_in_a_page

KIND = "plan to issue"
TOO_LONG = "So much is filled in that no address can hold it. Shorten names, or empty fields."

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/")
async def trials(request: Request) -> Response:
    """The lines to choose from; the form for a line that was chosen; or open batches and the plan
    for the fields of an address. The first visitor of a new plant is led to its description."""
    query = request.query_params
    if not query and parts_of(request).first_visit:
        return RedirectResponse("/plant", 303)
    if "choose" in query:
        return await chosen(request, query["choose"], empty=query.get("empty") == "yes")
    try:
        asked = filled_fields(query)
    except Problem as error:
        return await _page(request, None, 422, wrong_line=f"{error.message} {error.hint}".strip())
    if "line" in asked:
        return await trials_page(request, asked)
    lines = await _lines(parts_of(request))
    if len(lines) == 1 and fits_in_a_page(lines[0]):
        return await chosen(request, lines[0])
    return await _page(request, None)


async def chosen(request: Request, line: str, *, empty: bool = False) -> Response:
    """The form for a line, filled in as the line was last planned with, or empty."""
    try:
        line = filled_fields({"line": line})["line"]
    except Problem as error:
        return await _page(request, None, 422, wrong_line=f"{error.message} {error.hint}".strip())
    parts = parts_of(request)
    last = LastBrief() if empty else await asyncio.to_thread(parts.last_briefs.of, line)
    return await _page(request, empty_form(parts.site, line, last.fields), last=last)


@routes.post("/plan")
async def plan(request: Request) -> Response:
    """Keep what a line is planned with, and redirect to the address of the plan, which holds the
    fields that are filled in, right or wrong.

    Persons who may only read may plan, too; what they planned with is not kept.
    """
    parts, given = parts_of(request), await read_form(request)
    try:
        asked = filled_fields(given)
    except Problem as error:
        return await _page(request, None, 422, wrong_line=f"{error.message} {error.hint}".strip())
    if "more" in given:
        form = empty_form(parts.site, asked["line"], asked, more=1)
        return await _page(request, form, shown_section="couplings")
    form = read_form_of_brief(asked, parts.site)
    address = urlencode({"line": form.line, **form.typed})
    if len(address) > MOST_QUERY:
        form.say(ANYWHERE, TOO_LONG)
        return await _page(request, form, 422)
    own = parts.access.check_form(given.get("form_token", ""), request.state.cookies)
    if own and not form.faults and request.state.person.may_record:
        by = "" if parts.access.open else request.state.person.name
        with suppress(HistoryError):  # a full disk is no reason not to plan
            await asyncio.to_thread(parts.last_briefs.keep, form.line, form.typed, by)
    return RedirectResponse(f"/?{address}", 303)


async def trials_page(
    request: Request, asked: Mapping[str, str], said: str = "", status: int = 200
) -> Response:
    """The page with open batches and the plan for a brief; the form with what is wrong where there
    is no plan.

    Args:
        request: the request to answer.
        asked: the fields of today's form.
        said: what the page says first, such as why a plan was not issued.
        status: HTTP status of the answer.
    """
    parts, form = parts_of(request), read_form_of_brief(asked, parts_of(request).site)
    since = whole(asked["since"], "since") if "since" in asked else None
    values: dict[str, Any] = {"said": said, "again": urlencode(asked), "asked": asked}
    if form.faults:
        return await _page(request, form, 422, **values)
    try:
        order = parts.jobs.order(KIND, form.brief)
        _refuse_again(parts, order)
        content = await answer_in_time(parts.jobs, order, asker_of(request))
    except (InputError, LimitError) as error:
        form.refuse(error)
        return await _page(request, form, 422, **values)
    if content is None and not said:
        return waiting_page(request, order, f"/?{values['again']}", "plan", "trials")
    if content is None:
        return await _page(request, form, status, being_made=True, **values)
    made = json.loads(content)["plan"]
    values |= {
        "plan": made,
        "asked_for": asked_for(form),
        "assumed": assumed(made, form, parts.site),
    }
    if since is not None and since < (order.version or 0):
        earlier = parts.jobs.order(KIND, form.brief, as_of=since)
        with suppress(LimitError):  # what the earlier runs could not answer
            before = await answer_in_time(parts.jobs, earlier, asker_of(request))
            if before is not None:
                values["change"] = change_between(json.loads(before)["plan"], made)
    return await _page(request, form, status, **values)


def _refuse_again(parts: Parts, order: Order) -> None:
    """Raise the refusal with which an order ended before, since the same order ends the same way.

    Without it, a page that waits for a plan that is refused late would ask for it for ever.
    """
    try:
        job = parts.jobs.job(order.key)
    except Problem:
        return  # never asked before
    problem = job.get("problem", {})
    if job["state"] == "failed" and problem.get("status") == 422:
        raise LimitError(
            problem["detail"], code=problem["code"], hint=problem.get("hint", ""),
            where=problem.get("where", ""),
        )  # fmt: skip


async def _page(
    request: Request, form: BriefForm | None, status: int = 200, **values: Any
) -> Response:
    """The page of today.

    Args:
        request: the request to answer.
        form: the form of the line that was chosen; None where none was.
        status: HTTP status of the answer.
        values: what else the page shows.
    """
    parts = parts_of(request)
    base: dict[str, Any] = {
        "lines": await _lines(parts), "form": form, "line": form.line if form else None,
        "last": None, "wrong_line": "", "shown_section": "", "said": "", "being_made": False,
        "plan": None, "change": None, "material": parts.site.material, "states": DECK_STATES,
        "again": "" if form is None else urlencode({"line": form.line}), "asked": {},
        "nonce": secrets.token_hex(4), "now": parts.site.time_zone.shown(datetime.now(UTC)),
        "batches": (), "entered": None, "zone": parts.site.time_zone,
    }  # fmt: skip
    if form is not None:
        base["batches"] = await parts.issued.beside_plan(form.line)
    return render_for(request, "main.html", "trials", status, **{**base, **values})


async def _lines(parts: Parts) -> list[str]:
    """The lines of the history, and those that the site file describes besides."""
    summary = json.loads((await parts.summaries.of())[1])
    return list(parts.site.lines_with(entry["line"] for entry in summary["lines"]))


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
