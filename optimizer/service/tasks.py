"""What takes long, as functions of plain values: they run in a process of their own.

Each gives the bytes of an answer, the very ones that the command writes.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

from optimizer.comparison import compare
from optimizer.history.history import History
from optimizer.operations.reporting import look
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.report.pages import sheet_html
from optimizer.report.sheet_csv import sheet_csv
from optimizer.report.sheet_pdf import sheet_pdf
from optimizer.service.texts import as_json

Say = Callable[[str], None]

MEDIA_TYPES = {
    "plan": "application/json",
    "comparison": "application/json",
    "report": "text/html; charset=utf-8",
    "sheet.pdf": "application/pdf",
    "sheet.html": "text/html; charset=utf-8",
    "sheet.csv": "text/csv; charset=utf-8",
}
"""Kinds of answers, and what they are."""


def make(
    kind: str,
    history: str,
    site: Mapping[str, Any],
    wanted: Mapping[str, Any],
    more: Mapping[str, Any],
    seed: int,
    version: int | None,
    say: Say,
) -> bytes:
    """The answer of a kind.

    Args:
        kind: one of ``MEDIA_TYPES``.
        history: path or URI.
        site: content of the site file.
        wanted: the brief.
        more: of a comparison, ``lines`` and ``feed_rate``.
        seed: of everything random.
        version: of the history; None while there is none.
        say: called with a line of text at each stage.

    Raises:
        HighsideError: as the library function behind it.
    """
    plant, runs = Site.from_dict(site), History(history)
    if kind == "comparison":
        brief, asked = Brief.from_dict(wanted), {"seed": seed, "as_of": version, **more}
        found: Any = compare(runs, plant, brief, workers=1, progress=say, **asked)
        return as_json(found.as_dict())
    work = situation_of(
        runs, plant, Brief.from_dict(wanted), seed=seed, as_of=version, progress=say
    )
    if kind == "plan":
        return as_printed(plan_of(work).as_dict())
    if kind == "sheet.csv":
        return sheet_csv(plan_of(work).as_dict()).encode("utf-8-sig")
    found = look(work)
    if kind == "report":
        return found.page().encode()
    sheet = found.sheet()
    return sheet_pdf(sheet, "a4") if kind == "sheet.pdf" else sheet_html(sheet).encode()


def as_printed(document: Mapping[str, Any]) -> bytes:
    """A plan as ``highside suggest --json`` prints it."""
    return (json.dumps(document, indent=1, allow_nan=False) + "\n").encode()
