"""The page of the plant: a welcome for the first visitor, the plant as a form, and the demo."""

from __future__ import annotations

import asyncio
from collections.abc import Mapping
from functools import partial

from fastapi import APIRouter, Request
from starlette.responses import RedirectResponse, Response

from optimizer.errors import HighsideError, HistoryError
from optimizer.operations.site_check import SiteCheck, check_site
from optimizer.plant.mass import MASSES
from optimizer.plant.site import Site
from optimizer.plant.time_zone import zone_names
from optimizer.service.exchange.problems import Problem, status_of
from optimizer.service.exchange.queries import parse_fields, unique_fields
from optimizer.service.pages.plant.gate_fields import gates_in_form
from optimizer.service.pages.plant.plant_form import (
    ANYWHERE,
    MOST_LINES,
    MOST_PROPERTIES,
    PAIRS,
    PlantForm,
    add_row,
    earlier_units,
    read_plant,
    rows_of,
    unit_field,
)
from optimizer.service.pages.plant.shown_plant import assumed_in, fields_of, told
from optimizer.service.pages.shared.forms import check_form, read_form, signature
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.parts import Parts, parts_of, require_recorder, sender_of
from optimizer.service.recording.site_recorder import SiteMixes

MOST_FIELDS = 4000
"""Largest number of fields of the form: those of 60 lines."""
ROWS = {"line": ("lines", MOST_LINES), "property": ("properties", MOST_PROPERTIES)}
"""Buttons that add a row, with the field that counts the rows."""
DEMO = "/?line=deck-1"

routes = APIRouter(include_in_schema=False, default_response_class=Response)


@routes.get("/plant")
async def plant(request: Request) -> Response:
    """The page with the plant as its site file describes it."""
    parts = parts_of(request)
    form = PlantForm(await _fields_now(parts))
    if not request.query_params.get("saved") or not parts.plant.exists:
        return await _page(request, form)
    check = await asyncio.to_thread(check_site, parts.history, parts.site)
    return await _page(request, form, saved=True, check=check)


@routes.post("/plant")
async def describe(request: Request) -> Response:
    """Save or check the plant as a form describes it, or add a row to the form."""
    fields = parse_fields(await request.body(), "the form", MOST_FIELDS)
    given = unique_fields(fields, "the form")
    check_form(request, given)
    require_recorder(request)
    parts, act = parts_of(request), given.get("act", "check")
    if act in ROWS:
        return await _page(request, PlantForm(add_row(given, *ROWS[act])))
    form = read_plant(given, parts.site, parts.plant.content)
    if form.faults:
        return await _page(request, form, 422)
    sender = sender_of(request, signed=signature(given))
    try:
        if act == "save":
            await parts.site_recorder.save(form.wish, given.get("fingerprint", ""), sender)
            return RedirectResponse("/plant?saved=yes", 303)
        check = await parts.site_recorder.check(form.wish)
        if check.mixes:
            raise SiteMixes(check)
    except SiteMixes as error:
        _say_mixed(form, error.check)
        return await _page(request, form, 422, check=error.check)
    except HistoryError:
        raise
    except HighsideError as error:
        form.faults[ANYWHERE] = str(error)
        newer = isinstance(error, Problem) and error.code == "site-changed"
        theirs = told(await _fields_now(parts)) if newer else None
        return await _page(request, form, status_of(error), theirs=theirs)
    return await _page(request, form, check=check)


@routes.post("/plant/demo")
async def demo(request: Request) -> Response:
    """Load the bundled season with its site file, and show the plan of its first line."""
    given = await read_form(request)
    check_form(request, given)
    require_recorder(request)
    await parts_of(request).site_recorder.demo(sender_of(request))
    return RedirectResponse(DEMO, 303)


async def _fields_now(parts: Parts) -> dict[str, str]:
    """The fields of the form for the plant as it stands, with the lines of its history."""
    # No run is read: a site file whose units the runs do not have is mended on this page.
    snapshot = await asyncio.to_thread(parts.history.at, parts.jobs.versions.latest()[1])
    lines = parts.site.lines_with(snapshot.lines)
    return fields_of(parts.site, lines, new=not parts.plant.exists)


def _say_mixed(form: PlantForm, check: SiteCheck) -> None:
    """Put each unit that would mix beside its field, and ask for pairs where they are a remedy."""
    typed = dict(form.typed)
    for name, unit in _pairs_needed(check).items():
        form.faults[unit_field(typed, name)] = (
            f"The history has {name.replace('_', ' ')} in {_unit(unit)}, and no formula converts "
            f"that to {_unit(_common_unit(check.site, name))}. Say below what the old values are "
            f"now, or write {_unit(unit)} again."
        )
        typed[f"w.{name}.unit"] = unit
    form.typed = typed
    if not form.faults:
        form.faults[ANYWHERE] = next(each.text for each in check.differences if each.mixes)


def _pairs_needed(check: SiteCheck) -> dict[str, str]:
    """Columns whose stored unit needs pairs, with that unit; a line with a unit of its own is
    described in the site file alone."""
    return {
        column.column: column.stored or ""
        for column in check.columns
        if column.relation == "mixed" and column.declared == _common_unit(check.site, column.column)
    }


def _common_unit(site: Site, name: str) -> str:
    return site.material[name].unit if name in site.material else site.setting(name, None).unit


def _unit(unit: str) -> str:
    return f"'{unit}'" if unit.strip() else "no unit"


async def _page(
    request: Request,
    form: PlantForm,
    status: int = 200,
    *,
    check: SiteCheck | None = None,
    theirs: Mapping[str, str] | None = None,
    saved: bool = False,
) -> Response:
    """The page.

    Args:
        request: the request to answer.
        form: the form as it was sent, or as the plant fills it.
        status: HTTP status of the answer.
        check: the plant beside the history, where that was checked.
        theirs: what another person saved meanwhile, as ``told`` says it.
        saved: whether the plant was just saved.
    """
    parts, typed = parts_of(request), form.typed
    site, plant = parts.site, parts.plant
    named = [typed.get(f"l.{k}.name", "") for k in range(rows_of(typed, "lines"))]
    return render_for(
        request,
        "plant.html",
        "plant",
        status,
        typed=typed,
        faults=form.faults,
        lines=named,
        properties=rows_of(typed, "properties"),
        names=[setting.name for setting in site.wholes],
        gates_of=partial(gates_in_form, typed),
        own_units=[_own_units(site, line.strip()) for line in named],
        earlier=earlier_units(typed),
        pairs=range(PAIRS),
        assumed=assumed_in(plant.content),
        masses=MASSES,
        zones=zone_names(),
        new=not plant.exists,
        first=request.method == "GET" and parts.first_visit,
        file_fault=str(plant.fault) if plant.fault else "",
        fingerprint=plant.fingerprint,
        checked=check is not None and not form.faults and not saved,
        saved=saved,
        differences=_differences(check),
        theirs=_compared(told(typed), theirs),
    )


def _own_units(site: Site, line: str) -> dict[str, str]:
    """Units that differ on a line, by setting."""
    own = site.settings_of(line).whole
    return {s.name: own[s.name].unit for s in site.wholes if own[s.name].unit != s.unit}


def _differences(check: SiteCheck | None) -> list[str]:
    """What differs from the history and is worth saying when a plant was described."""
    if check is None:
        return []
    shown = [each for each in check.differences if each.what not in ("file", "description")]
    return [f"{each.text[0].upper()}{each.text[1:]}" for each in shown if not each.mixes]


def _compared(
    mine: Mapping[str, str], theirs: Mapping[str, str] | None
) -> list[tuple[str, str, str]]:
    """What two people want differently: what it is about, what stands there now, what was typed."""
    if theirs is None:
        return []
    return [
        (name, theirs.get(name, ""), mine.get(name, ""))
        for name in sorted({*mine, *theirs})
        if mine.get(name) != theirs.get(name)
    ]
