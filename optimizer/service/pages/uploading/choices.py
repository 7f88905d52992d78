"""What a person chose and corrected in the form of an upload."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import date
from typing import Any
from urllib.parse import parse_qsl

from optimizer.errors import InputError
from optimizer.intake.reading.columns import IGNORE, UNITLESS, Headings
from optimizer.plant.moments import DATE_ORDERS, day_of
from optimizer.plant.site import Site
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import LONGEST_NAME, unique_fields
from optimizer.service.pages.uploading.view import base_of, heads_of, key_of, one_line
from optimizer.service.recording.kept_files import Choices
from optimizer.text.headings import split_unit, with_unit

MOST_FIELDS = 30_000
"""Largest number of fields of a form: 400 rows of 50 cells, with some to spare."""
AS_HEADED = "as-headed"
"""Choice that a heading means what it says, after all."""
LONGEST_UNIT = 40
_BRACKETS = re.compile(r"[\[\]()]")


def read_fields(body: bytes) -> dict[str, str]:
    """The fields of the form, each on one line.

    Raises:
        Problem: when the form is malformed, too long, or has a field twice.
    """
    try:
        found = parse_qsl(
            body.decode(), keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict"
        )
    except ValueError:
        raise Problem(
            422, f"the form is not percent-encoded UTF-8 of at most {MOST_FIELDS} fields.",
            code="not-text",
        ) from None  # fmt: skip
    return unique_fields([(name, one_line(value)) for name, value in found], "the form")


def chosen(
    given: Mapping[str, str], before: Choices, checked: Mapping[str, Any], site: Site
) -> tuple[Choices, dict[str, str]]:
    """The choices of a form, and what is wrong with it by the name of the field.

    What the form does not show stays as it was.

    Args:
        given: fields of the form.
        before: choices before the form was sent.
        checked: the check that the form showed.
        site: the plant.
    """
    faults: dict[str, str] = {}
    line = given.get("new_line", "").strip() or given.get("line", "").strip() or None
    if line is not None and len(line) > LONGEST_NAME:
        faults["new_line"] = f"A line has a name of at most {LONGEST_NAME} characters."
        line = before.line
    order, day = given.get("date_order", ""), _day(given, before, faults)
    logs = tuple(log["log"] for log in checked["logs"])
    kept = tuple(log for log in logs if given.get(f"log.{key_of(log)}") == "yes")
    if len(logs) > 1 and not kept:
        faults["logs"] = "Choose at least one."
        kept = logs
    found = Choices(
        _mapping(given, before, checked, site),
        line,
        next((o for o in DATE_ORDERS if o == order), None),
        given.get("samples") == "yes",
        None if len(logs) < 2 or kept == logs else kept,
        _edits(given, before, checked),
        day,
    )
    return found, faults


def _day(given: Mapping[str, str], before: Choices, faults: dict[str, str]) -> date | None:
    """The date of times of day; that of before, with a fault, where the field holds none."""
    text = given.get("sheet_date", "").strip()
    try:
        return day_of(text, "The date") if text else None
    except InputError as error:
        faults["sheet_date"] = f"{error.message} {error.hint}"
        return before.sheet_date


def _mapping(
    given: Mapping[str, str], before: Choices, checked: Mapping[str, Any], site: Site
) -> dict[str, str]:
    mapping = dict(before.mapping)
    fields = set(Headings(site).fields.values())
    for head in heads_of(checked, before):
        wanted = given.get(f"is.{head.key}")
        unit = _BRACKETS.sub("", given.get(f"unit.{head.key}", "")).strip()[:LONGEST_UNIT]
        if wanted is None or f"{wanted}|{unit}" == given.get(f"was.{head.key}"):
            continue
        if wanted == IGNORE:
            mapping[head.heading] = IGNORE
        elif wanted in fields:
            mapping[head.heading] = wanted if wanted in UNITLESS else with_unit(wanted, unit)
        else:
            mapping.pop(head.heading, None)
    return mapping


def still_known(choices: Choices, site: Site) -> Choices:
    """The choices without headings that were mapped to a field which the site no longer has."""
    fields = {*Headings(site).fields.values(), IGNORE}
    kept = {h: to for h, to in choices.mapping.items() if split_unit(to)[0] in fields}
    return choices if len(kept) == len(choices.mapping) else replace(choices, mapping=kept)


def _edits(
    given: Mapping[str, str], before: Choices, checked: Mapping[str, Any]
) -> dict[tuple[str, int], tuple[str, ...]]:
    """The corrected rows: those before, those that the form changed, without those taken back."""
    logs = {key_of(log["log"]): log for log in checked["logs"]}
    edits = dict(before.edits)
    edits |= dict(_changed(given, logs))
    for name in given:
        if name.startswith("undo.") and (place := _place(name.removeprefix("undo."), logs)):
            edits.pop(place, None)
    return edits


def _changed(
    given: Mapping[str, str], logs: Mapping[str, Any]
) -> Iterator[tuple[tuple[str, int], tuple[str, ...]]]:
    for name, base in given.items():
        key = name.removeprefix("row.")
        if key == name or (place := _place(key, logs)) is None:
            continue
        log = logs[key.partition(".")[0]]
        shown = next((r["cells"] for r in log["asked"] if r["number"] == place[1]), None)
        width = len(log["meanings"])
        known = list(shown or [""] * width)
        texts = [given.get(f"c.{key}.{k}", one_line(known[k])) for k in range(width)]
        if base_of(texts) == base:
            continue
        # A cell that the form did not change keeps its line ends.
        pairs = zip(known, texts, strict=True)
        yield place, tuple(old if one_line(old) == new else new for old, new in pairs)


def _place(key: str, logs: Mapping[str, Any]) -> tuple[str, int] | None:
    """The log and number of the row with a key; None where there is no such log."""
    log, _, number = key.partition(".")
    if log not in logs or not re.fullmatch(r"[0-9]{1,15}", number):
        return None
    return logs[log]["log"], int(number)
