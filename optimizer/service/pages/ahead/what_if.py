"""The page on which five settings are moved to see what to expect.

Without JavaScript, a button shows one choice of settings at a time. With it, the script asks for
this same page after each move, and takes over its answer and what stands beside the fields.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.responses import Response

from optimizer.errors import HighsideError, HistoryError
from optimizer.landscape.what_if import Range, ranges_of
from optimizer.plant.brief import Brief
from optimizer.plant.region import Region
from optimizer.plant.site import Site
from optimizer.service.answers.expectations import of_fit
from optimizer.service.exchange.problems import status_of
from optimizer.service.exchange.typed_numbers import number
from optimizer.service.pages.brief_form.fields import fields_of
from optimizer.service.pages.brief_form.reading import read_form_of_brief
from optimizer.service.pages.brief_form.telling import told_field
from optimizer.service.pages.shared.forms import MATERIAL, SETTING, filled_fields
from optimizer.service.pages.shared.rendering import render_for
from optimizer.service.parts import Parts, parts_of
from optimizer.text.figures import level
from optimizer.text.setting_names import setting_words
from optimizer.text.todays_material import todays_material
from optimizer.text.visible_text import fits_in_a_page

SOON = 0.4
"""Seconds that the page waits for its figures before it says that the model is being fitted."""
routes = APIRouter(include_in_schema=False, default_response_class=Response)


@dataclass
class Asked:
    """What the fields of the page ask.

    Attributes:
        typed: the fields as they were typed, by name.
        brief: today's brief, as far as it can be used.
        settings: the settings that were chosen, by name.
        ranges: the range of each setting of the line, by name.
        faults: what is wrong, by name of the field.
        elsewhere: what the fields of today's form that this page does not show are called, by
            name.
        carried: those fields with what was typed into them, as sentences.
    """

    typed: dict[str, str]
    brief: dict[str, Any] = field(default_factory=dict)
    settings: dict[str, float] = field(default_factory=dict)
    ranges: Mapping[str, Range] = field(default_factory=dict)
    faults: dict[str, str] = field(default_factory=dict)
    elsewhere: dict[str, str] = field(default_factory=dict)
    carried: list[str] = field(default_factory=list)


@routes.get("/what-if")
async def what_if(request: Request) -> Response:
    """The page with the settings asked for, or with those to start from, and what to expect."""
    parts = parts_of(request)
    summary = json.loads((await parts.summaries.of())[1])
    lines = [entry["line"] for entry in summary["lines"] if fits_in_a_page(entry["line"])]
    asked = read_fields(request.query_params, parts.site, lines)
    found, error, status = None, None, 422 if asked.faults else 200
    askable = bool(asked.brief) and not asked.faults
    if askable:
        if not asked.settings:
            start_at_run_now(parts, asked)
        try:
            found = await expected_soon(parts, asked)
        except HistoryError:
            raise
        except HighsideError as refused:
            error, status = refused, status_of(refused)
    for name, value in (asked.settings if found is None else found["settings"]).items():
        asked.typed.setdefault(f"{SETTING}{name}", level(value))
    return render_for(
        request, "what_if.html", "what-if", status, asked=asked, lines=lines, found=found,
        error=error, waiting=askable and found is None and error is None,
        material=parts.site.material, mass=parts.site.mass,
        address=f"/what-if?{urlencode(asked.typed)}",
        used=None if found is None else _material(found, parts.site),
        today=urlencode({n: t for n, t in asked.typed.items() if not n.startswith(SETTING)}),
    )  # fmt: skip


def _material(found: Mapping[str, Any], site: Site) -> dict[str, str]:
    """The material of an expectation, as texts with units."""
    units = site.material_units(found["material"])
    return todays_material({**found, "hold": found, "material_units": units}, site.words)


def read_fields(query: Mapping[str, str], site: Site, lines: list[str]) -> Asked:
    """What the fields of a query ask, with a fault for each that cannot be used.

    Args:
        query: the fields by name.
        site: the plant.
        lines: the lines of the history; the first one is taken where the query names none.

    Raises:
        Problem: when the name of the line cannot be used.
    """
    typed = filled_fields({"line": next(iter(lines), ""), **query} if lines else query)
    typed.pop("since", None)
    asked = Asked(typed)
    if "line" not in typed:
        return asked
    form = read_form_of_brief(typed, site)
    asked.brief, asked.faults = form.brief, form.faults
    shown = {"line", "min_grade", *(f"{MATERIAL}{name}" for name in site.material)}
    called = fields_of(form.sections)
    elsewhere = [name for name in form.typed if name not in shown and name in called]
    asked.elsewhere = {name: called[name].called for name in elsewhere}
    asked.carried = [told_field(called[name], form.typed[name]) for name in elsewhere]
    if asked.faults:
        asked.ranges = ranges_of(Region.whole(site.space_of(form.line)))
    else:
        asked.ranges = ranges_of(Brief.from_dict(form.brief).region(site.space_of(form.line)))
    for name, each in asked.ranges.items():
        text = query.get(f"{SETTING}{name}", "").strip()
        if not text:
            continue
        typed[f"{SETTING}{name}"] = text
        try:
            value = number(text, setting_words(name))
        except HighsideError as error:
            asked.faults[f"{SETTING}{name}"] = f"{error.message} {error.hint}".strip()
            continue
        asked.settings[name] = value
        if fault := each.fault(value):
            asked.faults[f"{SETTING}{name}"] = fault
    return asked


def start_at_run_now(parts: Parts, asked: Asked) -> None:
    """Start at the settings to run now where the plan for today was made already; without it, the
    answer starts at the latest run."""
    plan = parts.jobs.kept(parts.jobs.order("plan to issue", asked.brief).key)
    run_now = None if plan is None else json.loads(plan)["plan"]["run_now"]
    if run_now is not None:
        asked.settings = dict(run_now["settings"])


async def expected_soon(parts: Parts, asked: Asked) -> dict[str, Any] | None:
    """What to expect at the settings asked for; None while the model is being fitted.

    Raises:
        HighsideError: those of ``model_process.expected``.
    """
    fit, grade = of_fit(asked.brief)
    order = parts.jobs.order("expected", fit)
    try:
        return await asyncio.wait_for(parts.expectations.of(order, asked.settings, grade), SOON)
    except TimeoutError:
        return None
