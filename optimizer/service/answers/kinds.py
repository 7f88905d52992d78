"""The kinds of long answers, and how each is made, with the bytes that the command writes."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

from optimizer.comparison import ComparisonRequest, Prices, compare, read_fractions
from optimizer.diagnostics.diagnosis import diagnose
from optimizer.history.history import History
from optimizer.operations.issuing import plan_to_issue, with_line
from optimizer.operations.looking import look
from optimizer.operations.reporting import review
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.presentation.pages import sheet_html
from optimizer.presentation.sheet_csv import sheet_csv
from optimizer.presentation.sheet_pdf import sheet_pdf
from optimizer.service.answers.order import Order
from optimizer.text.visible_text import json_bytes

MEDIA_TYPES = {
    "plan": "application/json",
    "plan to issue": "application/json",
    "comparison": "application/json",
    "diagnosis": "application/json",
    "look": "application/json",
    "report": "text/html; charset=utf-8",
    "sheet.pdf": "application/pdf",
    "sheet.html": "text/html; charset=utf-8",
    "sheet.csv": "text/csv; charset=utf-8",
}
"""Media type of each kind of answer, by the name of the kind."""

STAGES = {
    "plan": 3,
    "plan to issue": 3,
    "comparison": 2,
    "diagnosis": 2,
    "look": 5,
    "report": 5,
    "sheet.pdf": 5,
    "sheet.html": 5,
    "sheet.csv": 3,
}
"""Largest number of stages that an answer of a kind reports, by the name of the kind; that of a
diagnosis holds for one line."""


def stages_of(order: Order) -> int | None:
    """Largest number of stages that an answer reports; None where it depends on the history."""
    every_line = order.kind == "diagnosis" and order.brief.get("line") is None
    return None if every_line else STAGES.get(order.kind)


def make(order: Order, history: str, progress: Callable[[str], None]) -> bytes:
    """Make the answer to an order.

    Args:
        order: the order, of a kind in ``MEDIA_TYPES``.
        history: path or URI of the history.
        progress: function that is called with a line of text at each stage.

    Raises:
        HighsideError: the errors of the library function that makes the answer.
    """
    plant, brief = Site.from_dict(order.site), Brief.from_dict(order.brief)
    snapshot = History(history).at(order.version)
    if order.kind == "comparison":
        request = comparison_request(order.more)
        compared = compare(
            snapshot, plant, brief, request, seed=order.seed, workers=1, progress=progress
        )
        return json_bytes(compared.as_dict())
    if order.kind == "diagnosis":
        found = diagnose(snapshot, plant, brief, seed=order.seed, progress=progress)
        return json_bytes(found.as_dict())
    if order.kind == "plan to issue":
        brief = with_line(brief, plant)
    situation = situation_of(snapshot, plant, brief, seed=order.seed, progress=progress)
    if order.kind == "plan":
        return as_printed(plan_of(situation).as_dict())
    if order.kind == "plan to issue":
        return as_printed(plan_to_issue(situation))
    if order.kind == "look":
        return json_bytes(look(situation, **order.more).as_dict())
    if order.kind == "sheet.csv":
        return sheet_csv(plan_of(situation).as_dict()).encode("utf-8-sig")
    reviewed = review(situation)
    if order.kind == "report":
        return reviewed.page(words=plant.words).encode()
    sheet, paper = reviewed.sheet(plant.words), order.more["paper"]
    if order.kind == "sheet.pdf":
        return sheet_pdf(sheet, paper)
    return sheet_html(sheet, paper).encode()


def comparison_request(more: Mapping[str, Any]) -> ComparisonRequest:
    """The request of a comparison from the further options of its order, in which prices are a
    mapping, and density fractions the path of their file.

    Raises:
        InputError: when the fractions cannot be read.
    """
    prices, fractions = more.get("prices"), more.get("fractions")
    read = {
        "prices": None if prices is None else Prices(**prices),
        "fractions": None if fractions is None else read_fractions(fractions),
    }
    return ComparisonRequest(**{**more, **read})


def as_printed(document: Mapping[str, Any]) -> bytes:
    """A plan as the bytes that ``highside suggest --json`` prints."""
    return (json.dumps(document, indent=1, allow_nan=False) + "\n").encode()
