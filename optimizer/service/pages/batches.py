"""The pages of issued batches: issue, start, skip, result, close, and what each batch showed."""

from __future__ import annotations

import json
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.campaign import Batch
from optimizer.errors import HighsideError, HistoryError
from optimizer.plant.deck_states import DECK_STATES
from optimizer.service.exchange.problems import Problem, status_of
from optimizer.service.exchange.queries import LONGEST_NAME, MOST_QUERY, parse_fields
from optimizer.service.exchange.typed_numbers import whole
from optimizer.service.pages.forms import (
    address_back,
    brief_of_form,
    check_form,
    filled_fields,
    read_form,
    signature,
)
from optimizer.service.pages.rendering import render_for
from optimizer.service.pages.result_form import Entered, read_result
from optimizer.service.pages.trials import trials_page
from optimizer.service.parts import parts_of, require_recorder, sender_of
from optimizer.service.recording.batch_recorder import STATES
from optimizer.text.trial_numbers import batch_of_trial

OVERTAKEN = (
    "Not issued: the history of this line has changed since the plan was made. "
    "This is the new plan; issue it if you agree with it."
)

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/batches")
async def batches(request: Request) -> Response:
    """The page of one batch, or the list of all batches, or of those of one line."""
    if batch := request.query_params.get("batch", ""):
        found = await parts_of(request).issued.one(batch)
        return _page(request, found, urlencode({"line": found.issued.line}))
    line = request.query_params.get("line", "").strip()[:LONGEST_NAME] or None
    issued = await parts_of(request).issued.of(line)
    return render_for(request, "batches.html", "batches", line=line, issued=issued.batches[::-1],
                      lessons={lesson.batch: lesson for lesson in issued.lessons},
                      mass_unit=parts_of(request).site.mass.name)  # fmt: skip


@routes.post("/batches/issue")
async def issue(request: Request) -> Response:
    """Issue the plan that the page shows, and show it with its numbers."""
    parts, given = parts_of(request), await _checked_form(request)
    back = address_back(given, None)
    asked = filled_fields(dict(parse_fields(back.partition("?")[2].encode(), "the address")))
    shown = whole(given["version"], "version") if given.get("version") else None
    order = parts.jobs.order("plan to issue", brief_of_form(asked, parts.site), as_of=shown)
    done = None
    if order.version == shown:
        about = json.loads(await parts.jobs.answer(order))
        sender = sender_of(request, signed=signature(given))
        done = await parts.batch_recorder.issue(about, order.version, sender)
    if done is None:
        return await trials_page(request, asked, said=OVERTAKEN, status=409)
    return RedirectResponse(back, 303)


@routes.post("/batches/state")
async def state(request: Request) -> Response:
    """Start, skip or reopen a trial."""
    given = await _checked_form(request)
    trial, wanted = given.get("trial", ""), given.get("state", "")
    if wanted not in STATES:
        raise Problem(422, "the form names no state of a trial.", code="no-state")
    entered = Entered("state", trial, given)
    reason, sender = given.get("reason", "").strip(), sender_of(request, signed=signature(given))
    if wanted == "skipped" and not reason:
        entered.faults["reason"] = "Say why it is skipped."
    recorder = parts_of(request).batch_recorder
    return await _done(request, entered, lambda: recorder.change(trial, wanted, reason, sender))


@routes.post("/batches/result")
async def result(request: Request) -> Response:
    """Add the result of a trial, and show what it changed."""
    parts, given = parts_of(request), await _checked_form(request)
    trial = given.get("trial", "")
    found = await parts.issued.one(batch_of_trial(trial))
    entered = Entered("result", trial, given)
    row = read_result(entered, parts.site, found.issued.line)
    sender = sender_of(request, signed=signature(given))
    sure = given.get("sure") == "yes"
    recorder = parts.batch_recorder
    return await _done(request, entered, lambda: recorder.result(trial, row, sender, sure))


@routes.post("/batches/close")
async def close(request: Request) -> Response:
    """Close a batch."""
    given = await _checked_form(request)
    batch, sender = given.get("batch", ""), sender_of(request, signed=signature(given))
    recorder = parts_of(request).batch_recorder
    return await _done(
        request, Entered("close", batch, given), lambda: recorder.close(batch, sender)
    )


async def _checked_form(request: Request) -> dict[str, str]:
    """The fields of a form that a recorder sent from one of the service's pages."""
    given = await read_form(request)
    check_form(request, given)
    require_recorder(request)
    return given


async def _done(
    request: Request, entered: Entered, change: Callable[[], Awaitable[Batch]]
) -> Response:
    """Make a change and return to the plan, or show the form again with what is wrong."""
    parts = parts_of(request)
    version = parts.jobs.versions.latest()[1] if entered.action == "result" else None
    back, status = address_back(entered.typed, version), 422
    if not entered.faults:
        try:
            await change()
            return RedirectResponse(back, 303)
        except HistoryError:
            raise
        except HighsideError as error:
            entered.refuse(error)
            status = status_of(error)
    batch = entered.about if entered.action == "close" else batch_of_trial(entered.about)
    found = await parts.issued.one(batch)
    again = entered.typed.get("again", "")[:MOST_QUERY]
    return _page(request, found, again, entered, status)


def _page(
    request: Request, found: Batch, again: str, entered: Entered | None = None, status: int = 200
) -> Response:
    return render_for(request, "one_batch.html", "batches", status, batch=found, again=again,
                      **form_values(request, entered))  # fmt: skip


def form_values(request: Request, entered: Entered | None = None) -> dict[str, Any]:
    """What the forms of trials show besides the trials."""
    return {
        "entered": entered,
        "material": parts_of(request).site.material,
        "states": DECK_STATES,
        "now": parts_of(request).site.time_zone.shown(datetime.now(UTC)),
        "zone": parts_of(request).site.time_zone,
    }
