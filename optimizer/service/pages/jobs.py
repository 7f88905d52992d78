"""The pages of the jobs that make long answers: the list of all, and one for each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.service.answers.job_files import UNDER_WAY
from optimizer.service.answers.kinds import MEDIA_TYPES
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import parse_fields
from optimizer.service.pages.shared.forms import (
    address_back,
    brief_of_form,
    check_form,
    filled_fields,
    read_form,
)
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.pages.shared.waiting import progress_page
from optimizer.service.parts import asker_of, cancel_job, parts_of
from optimizer.service.recording.bodies import JSON

SHOWN = {
    "plan": ("plan", "trials"),
    "plan to issue": ("plan", "trials"),
    "comparison": ("comparison", "lines"),
    "diagnosis": ("diagnosis", "diagnosis"),
    "look": ("pictures", "look"),
    "report": ("report", "trials"),
    "sheet.pdf": ("trial sheet", "trials"),
    "sheet.html": ("trial sheet", "trials"),
    "sheet.csv": ("trial sheet", "trials"),
}
"""What people call the answer of each kind, and its entry of the navigation."""
MOST_SHOWN = 50
"""Largest number of jobs on the list, the latest first."""

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/jobs")
async def jobs(request: Request) -> Response:
    """The list of the answers that are being made and of those lately made."""
    queue = parts_of(request).jobs
    shown = [
        {**state, "what": SHOWN.get(state["kind"], (state["kind"], ""))[0],
         "address": shown_at(state, queue.files.page(state["id"]))}
        for state in queue.jobs()[:MOST_SHOWN]
    ]  # fmt: skip
    return render_for(request, "jobs.html", "jobs", jobs=shown, active=UNDER_WAY,
                      zone=parts_of(request).site.time_zone)  # fmt: skip


@routes.get("/jobs/{key}")
async def job(request: Request, key: str) -> Response:
    """The page of a job: its progress, its answer once that is made, or how it ended."""
    queue = parts_of(request).jobs
    state = queue.job(key)
    what, here = SHOWN.get(state["kind"], (state["kind"], "jobs"))
    page = own_address(request.query_params.get("page", "")) or queue.files.page(key) or ""
    if state["state"] in UNDER_WAY:
        return progress_page(request, key, page, what, here)
    if state["state"] == "done":
        return RedirectResponse(shown_at(state, page), 303)
    return render_for(request, "ended.html", here, job=state, address=page, what=what)


@routes.post("/report")
async def report(request: Request) -> Response:
    """Begin the report of the plan of a page, and show how far it is."""
    parts, given = parts_of(request), await read_form(request)
    check_form(request, given)
    page = address_back(given, None)
    asked = filled_fields(dict(parse_fields(page.partition("?")[2].encode(), "the address")))
    if "line" not in asked:
        raise Problem(422, "no line is named.", code="no-line", hint="Plan trials of a line first.")
    order = parts.jobs.order("report", brief_of_form(asked, parts.site))
    parts.jobs.begin(order, asker_of(request))
    if parts.jobs.kept(order.key) is not None:
        return RedirectResponse(f"/v1/results/{order.key}", 303)
    parts.jobs.files.note_page(order.key, page)
    return RedirectResponse(f"/jobs/{order.key}", 303)


@routes.post("/jobs/cancel")
async def cancel(request: Request) -> Response:
    """Cancel a job, and show how it ended."""
    given = await read_form(request)
    check_form(request, given)
    key, page = given.get("job", ""), own_address(given.get("page", ""))
    await cancel_job(request, key)
    return RedirectResponse(f"/jobs/{key}" + (f"?{urlencode({'page': page})}" if page else ""), 303)


def shown_at(state: Mapping[str, Any], page: str | None) -> str:
    """The address at which the answer of a job is shown.

    Args:
        state: the ``highside.job/1`` document of the job.
        page: address of the page that asked for the answer, where it is known.
    """
    if page and MEDIA_TYPES[state["kind"]] == JSON:
        return page
    return f"/v1/results/{state['id']}"  # a document to be read as it is


def own_address(text: str) -> str:
    """The address of a page of this service that a query names; empty where it names none.

    Raises:
        Problem: when the address leads to another site.
    """
    if text and (not text.startswith("/") or text[1:2] in ("/", "\\")):
        raise Problem(422, "page: expected an address of this service.", code="other-address")
    return text
