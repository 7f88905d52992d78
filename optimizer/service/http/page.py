"""The pages: a form for today's material, the plan, runs, and what a result changed."""

from __future__ import annotations

import asyncio
import io
import json
import secrets
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.datastructures import UploadFile
from starlette.responses import RedirectResponse, Response

from optimizer.campaign import Batch
from optimizer.errors import QuestionError
from optimizer.intake.settling.rejects import RejectsStore
from optimizer.plant.deck_states import DECK_STATES
from optimizer.service.admission.access import SESSION, SESSION_SECONDS, set_cookie
from optimizer.service.answers.job_queue import JobQueue
from optimizer.service.answers.order import Order
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.typed_numbers import fraction, whole
from optimizer.service.http.forms import (
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
from optimizer.service.http.parts import parts_of, require_recorder, sender_of
from optimizer.service.http.rendering import SCRIPT, render, render_for
from optimizer.service.recording.bodies import CSV, JSON, PARQUET
from optimizer.service.recording.recorder import Upload

PATIENCE = 4.0
"""Seconds that a page waits for a plan before it shows the progress of the plan instead."""
SHOWN_REJECTS = 100
"""Largest number of rejected rows on the page, newest first."""

routes = APIRouter(include_in_schema=False, default_response_class=Response)


# -- trials ----------------------------------------------------------------------------------


@routes.get("/")
async def trials(request: Request) -> Response:
    """The page with today's form and, once the form is filled in, open batches and the plan."""
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
        "lines": [entry["line"] for entry in summary["lines"]], "asked": asked,
        "material": parts.site.material, "plan": None, "waiting": None, "change": None,
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
    content = await _answer_in_time(parts.jobs, order)
    if content is None:
        values["waiting"] = _waiting(parts.jobs, order, f"/?{values['again']}")
        return render_for(request, "main.html", "trials", status, **values)
    values["plan"] = plan = json.loads(content)["plan"]
    values["report"] = query_of_brief(brief)
    if since is not None and since < (order.version or 0):
        earlier = parts.jobs.order("plan to issue", brief, as_of=since)
        before = await _answer_in_time(parts.jobs, earlier)
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


# -- runs ------------------------------------------------------------------------------------


@routes.get("/runs")
async def runs(request: Request) -> Response:
    """The page with a summary of the history and the rejected rows."""
    parts = parts_of(request)
    summary = json.loads((await parts.summaries.of())[1])
    rejects = await asyncio.to_thread(RejectsStore(parts.history.rejects_folder).read)
    newest = rejects.slice(max(0, len(rejects) - SHOWN_REJECTS)).to_pylist()[::-1]
    return render_for(request, "runs.html", "runs", history=summary,
                      zone=parts.site.time_zone, rejects=newest,
                      rejected=len(rejects), report=None)  # fmt: skip


@routes.get("/rejected.csv")
async def rejected(request: Request) -> Response:
    """The file of rejected rows, which a person corrects and adds again."""
    path = RejectsStore(parts_of(request).history.rejects_folder).csv
    content = await asyncio.to_thread(path.read_bytes) if path.exists() else b""
    headers = {"Content-Disposition": 'attachment; filename="rejected.csv"'}
    return Response(content, headers=headers, media_type="text/csv; charset=utf-8")


@routes.post("/upload")
async def upload(request: Request) -> Response:
    """Add the runs of a file, and show what became of its rows."""
    parts = parts_of(request)
    async with request.form(max_files=1, max_fields=5) as given:
        check_form(request, given)
        require_recorder(request)
        file = given.get("file")
        if not isinstance(file, UploadFile):
            raise Problem(422, "no file was chosen.", code="no-file")
        kind = PARQUET if await file.read(4) == b"PAR1" else CSV
        report = await parts.recorder.add(Upload(file.file, kind), sender_of(request))
    summary = json.loads((await parts.summaries.of())[1])
    return render_for(request, "runs.html", "runs", history=summary,
                      zone=parts.site.time_zone, rejects=report.rejects,
                      rejected=report.rejected, report=report.as_dict())  # fmt: skip


# -- lines -----------------------------------------------------------------------------------


@routes.get("/lines")
async def lines(request: Request) -> Response:
    """The page that compares the lines."""
    jobs = parts_of(request).jobs
    typed = request.query_params.get("min_grade", "").strip()
    brief = {"goal": {"min_grade": fraction(typed, "Grade")}} if typed else {}
    order = jobs.order("comparison", brief, more={"lines": None, "feed_rate": None})
    content = await _answer_in_time(jobs, order)
    address = "/lines?" + urlencode({"min_grade": typed})
    return render_for(request, "lines.html", "lines", min_grade=typed,
                      comparison=None if content is None else json.loads(content),
                      waiting=_waiting(jobs, order, address) if content is None else None,
                      )  # fmt: skip


# -- signing in and out ----------------------------------------------------------------------


@routes.get("/sign-in")
async def sign_in() -> Response:
    """The page with the sign-in form, which takes a token."""
    return render("sign_in.html", failed=False)


@routes.post("/sign-in")
async def signed_in(request: Request) -> Response:
    """Start a session for the sender of a valid token."""
    parts = parts_of(request)
    person = parts.access.by_token((await read_form(request)).get("token", "").strip())
    if person is None:
        return render("sign_in.html", 403, failed=True)
    session, secure = parts.access.session(person), parts.configuration.secure
    answer = RedirectResponse("/", 303)
    answer.headers.append("Set-Cookie", set_cookie(SESSION, session, SESSION_SECONDS, secure))
    parts.audit.add(did="sign-in", **{**sender_of(request), "who": person.name})
    return answer


@routes.post("/sign-out")
async def sign_out(request: Request) -> Response:
    """End a session."""
    check_form(request, await read_form(request))
    answer = RedirectResponse("/sign-in", 303)
    secure = parts_of(request).configuration.secure
    answer.headers.append("Set-Cookie", set_cookie(SESSION, "", 0, secure))
    return answer


@routes.get("/static/page.js")
async def script() -> Response:
    """The script of the pages."""
    return Response(SCRIPT, media_type="text/javascript; charset=utf-8")


# -- answers that take long ------------------------------------------------------------------


async def _answer_in_time(jobs: JobQueue, order: Order) -> bytes | None:
    """The answer to an order if it is ready within ``PATIENCE``, else None."""
    if (kept := jobs.kept(order.key)) is not None:
        return kept
    jobs.begin(order)
    await asyncio.sleep(0)  # continues as a job, whose progress can be shown
    try:
        return await asyncio.wait_for(jobs.answer(order), PATIENCE)
    except TimeoutError:
        return None


def _waiting(jobs: JobQueue, order: Order, address: str) -> dict[str, str]:
    """What a page shows about an answer that is still being made, and the address of the answer.

    The address is explicit, because a page whose own address has a fragment would not reload
    without one.
    """
    stages = jobs.job(order.key)["progress"]
    said = stages[-1] if stages else "waiting"
    return {"job": order.key, "said": said, "address": address}
