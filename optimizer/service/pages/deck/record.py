"""A run that is entered at the settings to run now, and the question whether it is right."""

from __future__ import annotations

import io
import json
from datetime import UTC, datetime

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.errors import HighsideError, HistoryError
from optimizer.plant.run_columns import DECK_STATES
from optimizer.service.exchange.problems import Problem, status_of
from optimizer.service.exchange.typed_numbers import number
from optimizer.service.pages.deck.result_form import (
    ANYWHERE,
    READINGS,
    Entered,
    read_run,
    read_signature,
)
from optimizer.service.pages.shared.forms import (
    MATERIAL,
    SETTING,
    address_back,
    check_form,
    read_form,
)
from optimizer.service.pages.shared.rendering import render_for, wants_page
from optimizer.service.parts import parts_of, require_recorder, sender_of
from optimizer.service.recording.bodies import JSON
from optimizer.service.recording.recorder import Upload
from optimizer.text.figures import level

SENT_BACK = ("again", "nonce", "line")

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.post("/record")
async def record(request: Request) -> Response:
    """Add a run at the settings to run now, and redirect to the plan.

    A result that cannot be stored, or is hard to believe, is shown again with what was typed.
    """
    parts, given = parts_of(request), await read_form(request)
    require_recorder(request)
    back, status = address_back(given, parts.jobs.versions.latest()[1]), 422
    entered = Entered("run", given.get("line", ""), given)
    row, sender = read_run(entered, parts.site), sender_of(request, signed=read_signature(entered))
    try:
        check_form(request, given)
        if not entered.faults:
            body = io.BytesIO(json.dumps([row]).encode())
            await parts.recorder.add(Upload(body, JSON, sure=given.get("sure") == "yes"), sender)
            return RedirectResponse(back, 303)
    except HighsideError as error:
        if isinstance(error, HistoryError) or not wants_page(request):
            raise
        entered.refuse(error)
        status = status_of(error)
    return _page(request, entered, status)


def _page(request: Request, entered: Entered, status: int) -> Response:
    """The page with a run that was not stored: as it was typed, and what is wrong beside it."""
    site, typed = parts_of(request).site, entered.typed
    space = site.space_of(entered.about)
    shown = (*READINGS, "name", *(f"{MATERIAL}{name}" for name in ("material", *site.material)))
    return render_for(
        request,
        "doubt.html",
        "trials",
        status,
        entered=entered,
        elsewhere=[text for name, text in entered.faults.items() if name not in shown],
        only_doubted=entered.doubted and ANYWHERE not in entered.faults,
        hidden={
            "line": entered.about,
            **{k: v for k, v in typed.items() if k in SENT_BACK or k.startswith(SETTING)},
        },
        settings={
            n: _level(typed[f"{SETTING}{n}"]) for n in space.names if f"{SETTING}{n}" in typed
        },
        units={setting.name: setting.unit for setting in space.settings},
        material=site.material,
        states=DECK_STATES,
        now=site.time_zone.shown(datetime.now(UTC)),
    )


def _level(text: str) -> str:
    """A setting that the form brought back, as pages show settings."""
    try:
        return level(number(text, "setting"))
    except Problem:
        return text
