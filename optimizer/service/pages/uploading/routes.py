"""The pages of uploads: choose a file, see what is understood, correct it, load it, see what
became of it."""

from __future__ import annotations

import asyncio
import io
import json
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
from fastapi import APIRouter, Request
from starlette.datastructures import UploadFile
from starlette.responses import RedirectResponse, Response

from optimizer.intake.settling.rejects import PLACE, RejectsStore, csv_of_rejects
from optimizer.plant.moments import DATE_ORDERS
from optimizer.service.exchange.problems import Problem
from optimizer.service.pages.shared import waiting
from optimizer.service.pages.shared.forms import check_form
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.pages.uploading.choices import (
    AS_HEADED,
    chosen,
    read_fields,
    still_known,
)
from optimizer.service.pages.uploading.view import (
    corrected_rows,
    faulty_rows,
    fields_by_kind,
    heads_of,
    in_page_words,
    key_of,
    obstacles,
    unread,
)
from optimizer.service.parts import parts_of, require_recorder, sender_of
from optimizer.service.recording.kept_files import MOST_DAYS, Choices, KeptFile
from optimizer.service.recording.uploads import SHOWN_ROWS

LISTED = 50
"""Largest number of uploads on the page, newest first."""
REJECTED_ROWS = "rejected.csv"

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/upload")
async def choose_file(request: Request) -> Response:
    """The page on which a file is chosen, with the uploads that are kept."""
    require_recorder(request)
    return await _choose_page(request)


async def _choose_page(request: Request, fault: str = "", status: int = 200) -> Response:
    parts = parts_of(request)
    files = await asyncio.to_thread(parts.uploads.files.all)
    listed = await asyncio.to_thread(
        lambda: [(kept, parts.uploads.result(kept)) for kept in files[:LISTED]]
    )
    return render_for(
        request, "upload.html", "runs", status, uploads=listed, fault=fault, days=MOST_DAYS,
        zone=parts.site.time_zone, most=parts.configuration.upload_bytes >> 20,
        rejected=await asyncio.to_thread(_number_of_rejects, request),
    )  # fmt: skip


def _number_of_rejects(request: Request) -> int:
    return RejectsStore(parts_of(request).history.rejects_folder).count()


@routes.post("/upload")
async def upload(request: Request) -> Response:
    """Keep a file, and show what is understood."""
    parts = parts_of(request)
    async with request.form(max_files=1, max_fields=5) as given:
        check_form(request, given)
        require_recorder(request)
        file = given.get("file")
        if not isinstance(file, UploadFile) or not file.filename:
            return await _choose_page(request, "Choose a file first.", 422)
        try:
            kept = await asyncio.to_thread(
                parts.uploads.files.add, file.file, file.filename, sender_of(request)["who"]
            )
        except Problem as error:
            return await _choose_page(request, error.message.capitalize(), 422)
    return RedirectResponse(f"/uploads/{kept.id}", 303)


@routes.post("/uploads/rejected")
async def correct_all_rejects(request: Request) -> Response:
    """Make an upload of all rejected rows, to correct them on its page."""
    await _checked_form(request)
    return await _rejects_as_upload(request, None, Choices())


@routes.get("/uploads/{upload}")
async def one_upload(request: Request, upload: str) -> Response:
    """What is understood of an upload; once it is loaded, what became of it."""
    require_recorder(request)
    parts = parts_of(request)
    kept = await asyncio.to_thread(parts.uploads.files.one, upload)
    if (await asyncio.to_thread(parts.uploads.result, kept)) is not None:
        return RedirectResponse(f"/uploads/{kept.id}/result", 303)
    return await _check_page(request, kept)


@routes.post("/uploads/{upload}/check")
async def check_again(request: Request, upload: str) -> Response:
    """Keep the choices and corrections of the form, and show what is understood with them."""
    kept, faults, typed = await _with_choices(request, upload)
    if faults:
        return await _check_page(request, kept, faults, typed)
    return RedirectResponse(f"/uploads/{kept.id}", 303)


@routes.post("/uploads/{upload}/load")
async def load(request: Request, upload: str) -> Response:
    """Load an upload with the choices and corrections of the form."""
    kept, faults, typed = await _with_choices(request, upload)
    if faults:
        return await _check_page(request, kept, faults, typed)
    parts = parts_of(request)
    version = parts.jobs.versions.latest()[1]
    done = await parts.uploads.load(kept, version, sender_of(request))
    result = "?unusable=1" if done is None else "/result"
    return RedirectResponse(f"/uploads/{kept.id}{result}", 303)


@routes.get("/uploads/{upload}/result")
async def result(request: Request, upload: str) -> Response:
    """What became of an upload."""
    require_recorder(request)
    parts = parts_of(request)
    kept = await asyncio.to_thread(parts.uploads.files.one, upload)
    done = await asyncio.to_thread(parts.uploads.result, kept)
    if done is None:
        return RedirectResponse(f"/uploads/{kept.id}", 303)
    return render_for(request, "upload_result.html", "runs", kept=kept, result=done,
                      report=done["report"], shown=SHOWN_ROWS, zone=parts.site.time_zone,
                      warnings=_told(done["report"]), words=in_page_words)  # fmt: skip


@routes.post("/uploads/{upload}/rejects")
async def correct_rejects(request: Request, upload: str) -> Response:
    """Make an upload of the rejected rows of another one, which is read as that one was."""
    await _checked_form(request)
    parts = parts_of(request)
    kept = await asyncio.to_thread(parts.uploads.files.one, upload)
    done = await asyncio.to_thread(parts.uploads.result, kept)
    choices = replace(kept.choices, logs=None, edits={})
    return await _rejects_as_upload(request, (done or {}).get("report"), choices)


@routes.post("/uploads/{upload}/remove")
async def remove(request: Request, upload: str) -> Response:
    """Remove an upload; runs that were loaded from it stay."""
    await _checked_form(request)
    files = parts_of(request).uploads.files
    kept = await asyncio.to_thread(files.one, upload)
    await asyncio.to_thread(files.remove, kept)
    return RedirectResponse("/upload", 303)


# -- what the routes share -------------------------------------------------------------------


async def _checked_form(request: Request) -> dict[str, str]:
    given = read_fields(await request.body())
    check_form(request, given)
    require_recorder(request)
    return given


async def _with_choices(
    request: Request, upload: str
) -> tuple[KeptFile, dict[str, str], dict[str, str]]:
    """An upload with the choices of the form, what is wrong with these, and the form."""
    given, parts = await _checked_form(request), parts_of(request)
    files = parts.uploads.files
    kept = await asyncio.to_thread(files.one, upload)
    stored = await asyncio.to_thread(files.document, kept, "checked")
    done = await asyncio.to_thread(parts.uploads.result, kept)
    if stored is None or done is not None:
        return kept, {}, given
    choices, faults = chosen(given, kept.choices, stored["preview"], parts.site)
    return await asyncio.to_thread(files.choose, kept, choices), faults, given


async def _check_page(
    request: Request,
    kept: KeptFile,
    faults: Mapping[str, str] | None = None,
    typed: Mapping[str, str] | None = None,
) -> Response:
    parts = parts_of(request)
    choices = still_known(kept.choices, parts.site)
    kept = await asyncio.to_thread(parts.uploads.files.choose, kept, choices)
    version = parts.jobs.versions.latest()[1]
    checked = await parts.uploads.check(kept, version, waiting.PATIENCE)
    about: dict[str, Any] = {"kept": kept, "zone": parts.site.time_zone, "checked": checked}
    if checked is None:
        return render_for(request, "upload_check.html", "runs", **about)
    summary = json.loads((await parts.summaries.of())[1])
    report, faults = checked["report"], faults or {}
    lines = [entry["line"] for entry in summary["lines"]]
    return render_for(
        request, "upload_check.html", "runs", 422 if faults else 200, **about,
        choices=choices, report=report, faults=faults, typed=typed or {}, shown=SHOWN_ROWS,
        orders=DATE_ORDERS,
        heads=heads_of(checked, choices), fields=fields_by_kind(parts.site), as_headed=AS_HEADED,
        lines=list(dict.fromkeys([*parts.site.file.lines, *lines])), key_of=key_of,
        obstacles=obstacles(checked, choices, parts.site),
        unread=unread(checked, choices, parts.site), warnings=_told(report), words=in_page_words,
        rejects=faulty_rows(checked, choices, "rejects", "r"),
        doubts=faulty_rows(checked, choices, "questions", "q"),
        corrected=corrected_rows(checked, choices),
        unusable="unusable" in request.query_params and report["read"] == report["rejected"],
        site_order=parts.site.date_order,
    )  # fmt: skip


def _told(report: Mapping[str, Any]) -> list[str]:
    """The warnings of a load, without those that the page shows as columns."""
    return [in_page_words(w) for w in report["warnings"] if ": columns not read: " not in w]


async def _rejects_as_upload(
    request: Request, report: Mapping[str, Any] | None, choices: Choices
) -> Response:
    parts = parts_of(request)
    content = await asyncio.to_thread(_rejects_csv, request, report)
    if content is None:
        raise Problem(
            409, "no row of it is rejected any more.", code="no-rejects",
            hint="Somebody else may have corrected them. Runs lists all rejected rows.",
        )  # fmt: skip
    kept = await asyncio.to_thread(
        parts.uploads.files.add, content, REJECTED_ROWS, sender_of(request)["who"], choices
    )
    return RedirectResponse(f"/uploads/{kept.id}", 303)


def _rejects_csv(request: Request, report: Mapping[str, Any] | None) -> io.BytesIO | None:
    """The rejected rows as a file; of one report only, where it is given. None without rows."""
    rejects = RejectsStore(parts_of(request).history.rejects_folder).read()
    if report is not None:
        told = report["rejects"]
        files = {entry["file"] for entry in (*report["files"], *told)}
        rejects = rejects.filter(pc.is_in(rejects["file"], pa.array(sorted(files))))
        if report["rejected"] <= len(told):  # it tells of each
            known = {tuple(entry[name] for name in PLACE) for entry in told}
            places = zip(*(rejects[name].to_pylist() for name in PLACE), strict=True)
            rejects = rejects.filter(pa.array([place in known for place in places], pa.bool_()))
    return io.BytesIO(b"".join(csv_of_rejects(rejects))) if len(rejects) else None
