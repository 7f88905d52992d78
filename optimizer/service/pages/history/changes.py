"""The page of changed runs: who changed what, when, why, and from which value to which."""

from __future__ import annotations

import asyncio

from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.history.changes import Change, changes_in, told
from optimizer.history.stored_units import StoredUnits
from optimizer.plant.site import Site
from optimizer.service.answers.run_tables import RunTable
from optimizer.service.exchange.queries import LONGEST_NAME
from optimizer.service.pages.history.columns import run_address
from optimizer.service.pages.history.paging import SHOWN, Page, page_of
from optimizer.service.pages.history.told_change import compared
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.parts import parts_of

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/changes")
async def changes(request: Request) -> Response:
    """The changes of all runs, of those with an id, or of those of a line; newest first."""
    parts, query = parts_of(request), request.query_params
    asked = {name: query[name] for name in ("run", "line") if query.get(name, "").strip()}
    table = await parts.run_tables.of()
    page, found = await asyncio.to_thread(
        _chosen, table, parts.site, asked, query.get("page", "")[:LONGEST_NAME]
    )
    shown = [
        (each, compared(each, parts.site), run_address(each.line, each.run_id)) for each in found
    ]
    return render_for(
        request, "changes.html", "runs", asked=asked, page=page, changes=shown,
        zone=parts.site.time_zone,
    )  # fmt: skip


def _chosen(
    table: RunTable, site: Site, asked: dict[str, str], typed: str
) -> tuple[Page, list[Change]]:
    """One page of the changes that are asked for, newest first."""
    events = changes_in(table.snapshot.events, asked.get("run"))
    if "line" in asked:
        events = [event for event in events if event.about["line"] == asked["line"]]
    page = page_of("/changes", asked, len(events), typed)
    here = events[::-1][page.first : page.first + SHOWN]
    units = StoredUnits(site, table.snapshot.description)
    return page, list(told(here, units).changes)
