"""The page of all runs: a summary by line, and the runs that a person chose, page by page."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Sequence
from functools import partial
from typing import Any

import pyarrow as pa
from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.history.exporting import table_bytes
from optimizer.history.start_times import unmarked
from optimizer.intake.settling.rejects import RejectsStore
from optimizer.plant.site import Site
from optimizer.service.answers.run_tables import WITHDRAWN, RunTable
from optimizer.service.exchange.problems import Problem
from optimizer.service.pages.history.choice import (
    SHOWN,
    STATES,
    Choice,
    chosen,
    in_order,
    read_choice,
)
from optimizer.service.pages.history.columns import RunField, listed_fields, run_address
from optimizer.service.pages.shared.rendering import render_for, rendered_part
from optimizer.service.parts import Parts, parts_of
from optimizer.service.recording.bodies import CSV, PARQUET
from optimizer.text.figures import percent
from optimizer.text.visible_text import fits_in_a_page

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/runs")
async def runs(request: Request) -> Response:
    """The page with a summary of the history and the runs that the address chooses."""
    parts = parts_of(request)
    choice = read_choice(request.query_params, parts.site)
    table = await parts.run_tables.of(choice.as_of)
    question = tuple(choice.typed.items())
    values = await table.made.of(question, partial(_shown, table, choice, parts.site))
    rejected = await asyncio.to_thread(RejectsStore(parts.history.rejects_folder).count)
    return render_for(
        request, "runs.html", "runs", 422 if choice.faults else 200,
        history=await _summary(parts, table, choice), choice=choice, table=table, states=STATES,
        zone=parts.site.time_zone, rejected=rejected, **values,
    )  # fmt: skip


@routes.get("/runs.csv")
async def as_csv(request: Request) -> Response:
    """The chosen runs of all pages as CSV."""
    return await _file(request, ".csv", f"{CSV}; charset=utf-8")


@routes.get("/runs.parquet")
async def as_parquet(request: Request) -> Response:
    """The chosen runs of all pages as Parquet."""
    return await _file(request, ".parquet", PARQUET)


async def _file(request: Request, suffix: str, media_type: str) -> Response:
    """The chosen runs as a file with the columns of ``highside history --export``.

    Without another order they stand in that of an export. Where withdrawn runs are shown, a last
    column says which they are.
    """
    parts = parts_of(request)
    choice = read_choice(request.query_params, parts.site)
    for name, fault in choice.faults.items():
        raise Problem(422, f"{name}: {fault}", code="invalid-value")
    table = await parts.run_tables.of(choice.as_of)

    def made() -> bytes:
        found = chosen(table.runs, choice)
        if "sort" in choice.typed:
            found = found.take(in_order(found, choice))
        found = unmarked(found)
        if "withdrawn" not in choice.typed:
            found = found.drop_columns([WITHDRAWN])
        return table_bytes(found, suffix)

    headers = {"Content-Disposition": f'attachment; filename="runs{suffix}"'}
    return Response(await asyncio.to_thread(made), headers=headers, media_type=media_type)


async def _summary(parts: Parts, table: RunTable, choice: Choice) -> dict[str, Any]:
    """The ``highside.history/1`` document of the version."""
    if choice.as_of is not None:
        snapshot, site = table.snapshot, parts.site
        return (await asyncio.to_thread(snapshot.summary, site)).as_dict()
    found: dict[str, Any] = json.loads((await parts.summaries.of())[1])
    return found


def _shown(table: RunTable, choice: Choice, site: Site) -> dict[str, Any]:
    """The runs of one page of the list as they are shown, how many there are, and the lines."""
    lines = table.snapshot.lines
    values = {"lines": [line for line in lines if fits_in_a_page(line)]}
    if choice.faults:
        return {**values, "found": None}
    found = chosen(table.runs, choice)
    order = in_order(found, choice)
    if not len(found):
        return {**values, "found": 0}
    pages = -(-len(found) // SHOWN)
    first = SHOWN * (min(choice.page, pages) - 1)
    here = found.take(order.slice(first, SHOWN))
    named = [choice.typed["line"]] if "line" in choice.typed else lines
    fields = listed_fields(table.runs, site, named)
    listed = rendered_part(
        "run_rows.html", site.words, choice=choice, fields=fields, orders=_orders(fields, choice),
        rows=_rows(here, fields, choice, site), found=len(found), first=first, pages=pages,
    )  # fmt: skip
    return {**values, "found": len(found), "listed": listed}


def _orders(fields: Sequence[RunField], choice: Choice) -> dict[str, str]:
    """How the list is sorted by the columns that it is sorted by, for ``aria-sort``."""
    column, down = choice.sort
    names = [field.name for field in fields]
    return {column: "descending" if down else "ascending"} if column in names else {}


def _rows(
    here: pa.Table, fields: Sequence[RunField], choice: Choice, site: Site
) -> list[dict[str, Any]]:
    """The runs of a page as texts, each cell after the id with its field and style; the address of
    each leads to its own page."""
    others = [(field, _style(field)) for field in fields if field.name != "run_id"]
    return [
        {
            "address": run_address(run["line"], run["run_id"], choice.as_of),
            "run_id": run["run_id"],
            "withdrawn": run[WITHDRAWN],
            "cells": [
                (field, style, _cell(field, run[field.name], site)) for field, style in others
            ],
        }
        for run in here.to_pylist()
    ]


def _style(field: RunField) -> str:
    """The class of the cells of a column."""
    if field.is_number:
        return "number"
    return "short" if field.name in ("line", "started_at") else ""


def _cell(field: RunField, value: Any, site: Site) -> str:
    if field.kind == "share" and value is not None:
        return percent(value, 2)
    if field.kind == "time" and value is not None:
        return f"{site.time_zone.clock(value):%Y-%m-%d %H:%M}"
    return field.text(value, site.time_zone)
