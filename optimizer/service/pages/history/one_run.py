"""The page of one run: all that is known of it, and the forms that correct, withdraw and reinstate
it."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial
from typing import Any

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.campaign import Batch, Trial
from optimizer.errors import HighsideError, HistoryError, ValueRefused
from optimizer.history.changes import Changes
from optimizer.operations.corrections import correct, reinstate, withdraw
from optimizer.plant.run_columns import DECK_STATES
from optimizer.plant.site import Site
from optimizer.service.exchange.problems import Problem, status_of
from optimizer.service.exchange.queries import LONGEST_NAME
from optimizer.service.exchange.typed_numbers import whole
from optimizer.service.pages.history.columns import RunField, run_address
from optimizer.service.pages.history.found_run import FoundRun, came_with, find_run, mark_of
from optimizer.service.pages.history.told_change import compared, with_times
from optimizer.service.pages.shared.forms import check_form, read_form, result_row, signature
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.parts import Parts, parts_of, require_recorder, sender_of
from optimizer.text.trial_numbers import batch_of_trial

VALUE = "v."
"""Beginning of the names of the fields that hold values of the run."""
ANYWHERE = ""
"""Key of a fault that belongs to no field."""
DEEDS = {"correct": correct, "withdraw": withdraw, "reinstate": reinstate}
"""What the forms do."""
MEANWHILE = (
    "Not stored: this run was changed after you opened this page. What it is now, and who changed "
    "it, stands below; what you typed is kept. Look at it, then send it again."
)
SAME = "Nothing would change: every value is as it is stored."
OWN_HINTS = ("withdrawn-run", "not-withdrawn", "unknown-run", "no-value", "nothing-changes")
"""Codes of errors whose hints name options of a command, which do not help on a page."""

SHOWN = 20
"""Largest number of changes on the page of a run, the newest; a link leads to all."""

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@dataclass
class Sent:
    """A form that was sent, and what is wrong with it.

    Attributes:
        deed: one of ``DEEDS``.
        typed: the fields as they were typed, by name.
        faults: what is wrong, by name of the field, or ``ANYWHERE``.
        hint: what to do about a fault that belongs to no field.
    """

    deed: str
    typed: dict[str, str]
    faults: dict[str, str] = field(default_factory=dict)
    hint: str = ""

    def refuse(self, error: HighsideError) -> None:
        """Add the faults of an error to the fields that they belong to."""
        found = error.faults if isinstance(error, ValueRefused) else {}
        for name, said in found.items():
            known = f"{VALUE}{name}" in self.typed
            self.faults.setdefault(f"{VALUE}{name}" if known else ANYWHERE, said)
        if error.code == "no-reason":
            self.faults["reason"] = error.message
        if not self.faults:
            self.faults[ANYWHERE] = error.message
            self.hint = "" if error.code in OWN_HINTS else error.hint


@routes.get("/runs/{run_id:path}")
async def run(request: Request, run_id: str) -> Response:
    """The page of a run, or of the lines whose runs have its id."""
    query = request.query_params
    as_of = whole(query["as_of"], "as_of") if query.get("as_of", "").strip() else None
    return await _page(request, _id(request, run_id), as_of)


@routes.post("/runs/{run_id:path}")
async def change(request: Request, run_id: str) -> Response:
    """Correct, withdraw or reinstate a run, and show it; or show the form with what is wrong."""
    parts, given = parts_of(request), await read_form(request)
    check_form(request, given)
    require_recorder(request)
    deed = given.get("deed", "")
    if deed not in DEEDS:
        raise Problem(422, "the form names nothing that can be done.", code="no-deed")
    run_id = _id(request, run_id)
    found = await _found(request, run_id, None)
    if isinstance(found, tuple):
        raise Problem(422, f"several lines have a run '{run_id}'.", code="several-lines")
    sent, status = Sent(deed, given), 422
    values = _values(sent, found, parts) if deed == "correct" else None
    sender = sender_of(request, signed=signature(given))
    if not sent.typed.get("reason", "").strip():
        sent.faults["reason"] = "Say why."
    if not sent.faults and given.get("mark", "") != found.mark:
        _meanwhile(sent, found, parts)
        status = 409
    if not sent.faults and values is not None and not values:
        sent.faults[ANYWHERE], status = SAME, 409
    if sent.faults:
        return await _page(request, run_id, None, sent, status)
    by = sender["signed"] or sender["who"]
    work = partial(_made, parts, found, sent, values, by)
    try:
        await parts.recorder.change(work, sender)
    except HistoryError:
        raise
    except HighsideError as error:
        sent.refuse(error)
        return await _page(request, run_id, None, sent, status_of(error))
    return RedirectResponse(f"{run_address(found.line, run_id)}", 303)


def _made(
    parts: Parts, found: FoundRun, sent: Sent, values: Mapping[str, Any] | None, by: str | None
) -> Changes:
    """The change, unless somebody changed the run meanwhile."""
    change_run, history = DEEDS[sent.deed], parts.history
    given = () if values is None else (values,)
    reason = sent.typed["reason"]
    with history.lock():
        if mark_of(history.at().events, found.line, found.run_id) != found.mark:
            raise Problem(409, MEANWHILE, code="changed-meanwhile")
        how = {"reason": reason, "by": by, "line": found.line}
        made: Changes = change_run(history, parts.site, found.run_id, *given, **how)  # type: ignore[operator]
        return made


def _values(sent: Sent, found: FoundRun, parts: Parts) -> dict[str, Any]:
    """The new values of those fields that differ from what the page showed; faults are added to
    ``sent``."""
    shown = found.texts(parts.site)
    values: dict[str, Any] = {}
    for column in found.corrigible:
        name = f"{VALUE}{column.name}"
        text = sent.typed.get(name, shown[column.name])
        if text.strip() == shown[column.name].strip():
            continue
        try:  # one field at a time, so that each fault is found with its field
            values[column.name] = _value(column, text, found.line, parts.site)
        except Problem as error:
            sent.faults[name] = f"{error.message} {error.hint}".strip()
    return values


def _value(column: RunField, text: str, line: str, site: Site) -> Any:
    """The value of a field; a time is read as in the form for a result."""
    value = column.value(text)
    if column.kind != "time" or value is None:
        return value
    return result_row({"line": line, column.name: value}, site)[column.name]


def _meanwhile(sent: Sent, found: FoundRun, parts: Parts) -> None:
    """Say that a run was changed, and give the fields that were left alone their present value."""
    sent.faults[ANYWHERE] = MEANWHILE
    seen = sent.typed.get("mark", "").split(",")
    earlier = dict(found.cells)
    for each in reversed(found.changes):
        if str(each.version) not in seen:
            earlier |= each.before
    for name, text in found.texts(parts.site, with_times(earlier)).items():
        if sent.typed.get(f"{VALUE}{name}", "").strip() == text.strip():
            sent.typed.pop(f"{VALUE}{name}", None)


# -- the page --------------------------------------------------------------------------------


def _id(request: Request, run_id: str) -> str:
    """The id of the run that an address names."""
    return run_id or request.query_params.get("run_id", "")


async def _found(request: Request, run_id: str, as_of: int | None) -> FoundRun | tuple[str, ...]:
    parts = parts_of(request)
    line = request.query_params.get("line", "")[: LONGEST_NAME + 1] or None
    table = await parts.run_tables.of(as_of)
    return await asyncio.to_thread(find_run, table, parts.site, run_id, line, as_of)


async def _page(
    request: Request, run_id: str, as_of: int | None, sent: Sent | None = None, status: int = 200
) -> Response:
    """The page of a run.

    Args:
        request: the request to answer.
        run_id: id of the run.
        as_of: version of the history; None for the latest.
        sent: the form that was sent and could not be done.
        status: HTTP status of the answer.
    """
    parts = parts_of(request)
    found = await _found(request, run_id, as_of)
    if isinstance(found, tuple):
        lines = [(line, run_address(line, run_id, as_of)) for line in found]
        return render_for(request, "which_run.html", "runs", run_id=run_id, lines=lines)
    table = await parts.run_tables.of(as_of)
    came = await asyncio.to_thread(came_with, parts.history, found, table.version)
    batch, trial = (None, None) if as_of is not None else await _trial(parts, found)
    return render_for(
        request, "run.html", "runs", status, run=found, came=came, latest=table.latest,
        batch=batch, trial=trial, sent=sent, shown=found.texts(parts.site), states=DECK_STATES,
        zone=parts.site.time_zone, address=run_address(found.line, run_id),
        changes=[(each, compared(each, parts.site)) for each in found.changes[: -SHOWN - 1 : -1]],
        lost=None if sent is None else _lost(sent, found),
        open_access=parts.access.open,
    )  # fmt: skip


def _lost(sent: Sent, found: FoundRun) -> str:
    """What is said of a form that the page no longer has, since the run is withdrawn or was
    reinstated by now; empty where the page has it."""
    if (sent.deed == "reinstate") == found.withdrawn:
        return ""
    left = ("form_token", "mark", "deed")
    kept = [f"{n.removeprefix(VALUE)} {text}" for n, text in sent.typed.items()
            if text and n not in left]  # fmt: skip
    return f"{' '.join(sent.faults.values())} What you typed was not stored: {', '.join(kept)}."


async def _trial(parts: Parts, found: FoundRun) -> tuple[Batch | None, Trial | None]:
    """The batch and the trial whose result a run is; None for another run."""
    batch_id = batch_of_trial(found.run_id)
    if batch_id not in await parts.issued.ids(found.line):
        return None, None
    batch = await parts.issued.one(batch_id)
    for trial in batch.trials:
        if trial.issued.trial == found.run_id and trial.issued.run is not None:
            return batch, trial
    return None, None
