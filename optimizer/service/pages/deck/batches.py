"""The pages of issued batches: issue, start, skip, result, undo, close, what each batch taught.

A form that is refused is shown again with all that was typed and with the reason, whatever the
reason is: a wrong value, an older page, somebody else who was first.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from datetime import UTC, datetime
from functools import partial
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.errors import HighsideError, HistoryError
from optimizer.operations.corrections import withdraw
from optimizer.plant.brief import Brief
from optimizer.plant.run_columns import DECK_STATES
from optimizer.service.exchange.problems import Problem, status_of
from optimizer.service.exchange.queries import LONGEST_NAME, parse_fields
from optimizer.service.exchange.typed_numbers import whole
from optimizer.service.pages.deck.result_form import Entered, beside, read_result, read_signature
from optimizer.service.pages.deck.trials import trials_page
from optimizer.service.pages.history.paging import SHOWN, page_of
from optimizer.service.pages.shared.forms import (
    address_back,
    asked_of_brief,
    brief_of_form,
    check_form,
    filled_fields,
    read_form,
    signature,
)
from optimizer.service.pages.shared.rendering import card_of, render_for, wants_page
from optimizer.service.parts import Parts, asker_of, parts_of, require_recorder, sender_of
from optimizer.service.recording.batch_recorder import STATES
from optimizer.text.trial_numbers import batch_of_trial, line_of_batch

OVERTAKEN = (
    "Not issued: the history of this line has changed since the plan was made. "
    "This is the new plan; issue it if you agree with it."
)
MEANWHILE = {
    "trial-has-result": "Somebody else was first. Look at both, and correct the stored one where "
    "it is wrong.",
    "trial-state": "Below it stands as it is by now.",
    "batch-closed": "A run that was made all the same is entered at the settings to run now, or "
    "added with a log.",
    "withdrawn-result": "Reinstate it on the page of the run, or change what was wrong in it.",
    "withdrawn-run": "It stands below as it is by now.",
    "unknown-run": "It stands below as it is by now.",
    "other-form": "All that you typed stands in its form again: look it over, and send it again.",
}
"""What to do about a refusal that no field is to blame for, by its code."""

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/batches")
async def batches(request: Request) -> Response:
    """The page of one batch, or the list of all batches, or of those of one line."""
    if batch := request.query_params.get("batch", ""):
        return await _page(request, batch)
    line = request.query_params.get("line", "").strip()[:LONGEST_NAME] or None
    parts = parts_of(request)
    ids = (await parts.issued.ids(line))[::-1]
    page = page_of("/batches", {} if line is None else {"line": line}, len(ids),
                   request.query_params.get("page", "")[:LONGEST_NAME])  # fmt: skip
    shown = ids[page.first : page.first + SHOWN][::-1]
    return render_for(request, "batches.html", "batches", line=line, page=page,
                      issued=(await parts.issued.told(shown, line))[::-1],
                      zone=parts.site.time_zone, mass_unit=parts.site.mass.name)  # fmt: skip


@routes.post("/batches/issue")
async def issue(request: Request) -> Response:
    """Issue the plan that the page shows, and show it with its numbers."""
    parts, given = parts_of(request), await _form(request)
    check_form(request, given)
    back = address_back(given, None)
    asked = filled_fields(dict(parse_fields(back.partition("?")[2].encode(), "the address")))
    shown = whole(given["version"], "version") if given.get("version") else None
    order = parts.jobs.order("plan to issue", brief_of_form(asked, parts.site), as_of=shown)
    done = None
    if order.version == shown:
        about = json.loads(await parts.jobs.answer(order, asker_of(request)))
        sender = sender_of(request, signed=signature(given))
        done = await parts.batch_recorder.issue(about, order.version, sender)
    if done is None:
        return await trials_page(request, asked, said=OVERTAKEN, status=409)
    return RedirectResponse(back, 303)


@routes.post("/batches/state")
async def state(request: Request) -> Response:
    """Start, skip or reopen a trial."""
    given = await _form(request)
    trial, wanted = given.get("trial", ""), given.get("state", "")
    if wanted not in STATES:
        raise Problem(422, "the form names no state of a trial.", code="no-state")
    entered = Entered("state", trial, given)
    reason, sender = given.get("reason", "").strip(), sender_of(request)
    if wanted == "skipped" and not reason:
        entered.faults["reason"] = "Say why it is skipped."
    recorder = parts_of(request).batch_recorder
    return await _done(request, entered, lambda: recorder.change(trial, wanted, reason, sender))


@routes.post("/batches/result")
async def result(request: Request) -> Response:
    """Add the result of a trial, and show what it changed."""
    parts, given = parts_of(request), await _form(request)
    trial = given.get("trial", "")
    found = await parts.issued.one(batch_of_trial(trial))
    entered = Entered("result", trial, given)
    row = read_result(entered, parts.site, found.issued.line)
    signed = read_signature(entered)
    sender, sure = sender_of(request, signed=signed), given.get("sure") == "yes"
    recorder = parts.batch_recorder
    return await _done(request, entered, lambda: recorder.result(trial, row, sender, sure))


@routes.post("/batches/withdraw")
async def withdraw_result(request: Request) -> Response:
    """Take back the result of a trial, so that it is to run again."""
    parts, given = parts_of(request), await _form(request)
    trial, reason = given.get("trial", ""), given.get("reason", "").strip()
    batch = batch_of_trial(trial)
    await parts.issued.one(batch)
    entered = Entered("withdraw", trial, given)
    if not reason:
        entered.faults["reason"] = "Say why it is taken back."
    sender = sender_of(request)
    work = partial(withdraw, parts.history, parts.site, trial, reason=reason, by=sender["who"],
                   line=line_of_batch(batch))  # fmt: skip
    return await _done(request, entered, lambda: parts.recorder.change(work, sender))


@routes.post("/batches/close")
async def close(request: Request) -> Response:
    """Close a batch."""
    given = await _form(request)
    batch, sender = given.get("batch", ""), sender_of(request)
    recorder = parts_of(request).batch_recorder
    return await _done(
        request, Entered("close", batch, given), lambda: recorder.close(batch, sender)
    )


async def _form(request: Request) -> dict[str, str]:
    """The fields of a form that a recorder sent."""
    given = await read_form(request)
    require_recorder(request)
    return given


async def _done(
    request: Request, entered: Entered, change: Callable[[], Awaitable[object]]
) -> Response:
    """Make a change and return to the page of the form, or show the form again with what is
    wrong."""
    version = parts_of(request).jobs.versions.latest()[1]
    back, status = _address_after(entered, version), 422
    try:
        check_form(request, entered.typed)
        if not entered.faults:
            await change()
            return RedirectResponse(back, 303)
    except HighsideError as error:
        if isinstance(error, HistoryError) or not wants_page(request):
            raise
        entered.refuse(error)
        entered.hint = MEANWHILE.get(error.code, entered.hint)
        status = 409 if error.code in ("withdrawn-run", "unknown-run") else status_of(error)
    batch = entered.about if entered.action == "close" else batch_of_trial(entered.about)
    return await _page(request, batch, entered, status)


def _address_after(entered: Entered, version: int | None) -> str:
    """Where to go after a change: to the page of its form, and there to its trial; after a result
    to what it changed.

    Args:
        entered: the form.
        version: version of the history before the change.
    """
    since = version if entered.action == "result" else None
    place = "" if entered.action == "close" else f"#{card_of(entered.about)}"
    if entered.typed.get("page") != "batch":
        return address_back(entered.typed, since) + ("" if since is not None else place)
    batch = entered.about if entered.action == "close" else batch_of_trial(entered.about)
    asked = {"batch": batch}
    if since is not None:
        asked |= {"since": str(since), "stored": entered.about}
    return f"/batches?{urlencode(asked)}{'' if since is not None else place}"


def _asked_for(parts: Parts, brief: Mapping[str, Any]) -> dict[str, str]:
    """The fields of today's form that ask for the plan of an issued brief; the line alone where
    neither what is remembered of the line nor the brief's own figures ask for just that."""
    line = str(brief.get("line", ""))
    for asked in ({"line": line, **parts.last_briefs.of(line).fields}, asked_of_brief(brief)):
        with suppress(HighsideError):
            if Brief.from_dict(brief_of_form(asked, parts.site)) == Brief.from_dict(dict(brief)):
                return asked
    return {"line": line}


async def _page(
    request: Request, batch: str, entered: Entered | None = None, status: int = 200
) -> Response:
    """The page of one batch, with a form that was refused, if any."""
    parts, query = parts_of(request), request.query_params
    found = await parts.issued.one(batch)
    ((_, lesson),) = await parts.issued.told((batch,), found.issued.line)
    trials = {each.issued.trial: each.issued for each in found.trials}
    stored = trials.get(query.get("stored", ""))
    again = urlencode(await asyncio.to_thread(_asked_for, parts, found.issued.brief))
    if entered and entered.about in trials and (run := trials[entered.about].run):
        row = read_result(Entered("result", entered.about, entered.typed), parts.site, lesson.line)
        entered.beside = beside(run, entered, row, parts.site) if entered.action == "result" else ()
    changed = ""
    if stored is not None and stored.run and query.get("since", "").isdecimal():
        changed = f"/?{again}&{urlencode({'since': query['since']})}"
    return render_for(request, "one_batch.html", "batches", status, batch=found, again=again,
                      lesson=lesson, stored=stored, changed=changed, page="batch",
                      mass_unit=parts.site.mass.name,
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
