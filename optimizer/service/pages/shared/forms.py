"""Converts the fields of the pages' forms to a brief or a row of a log."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

import pyarrow as pa
from starlette.requests import Request

from optimizer.history.start_times import latest_start, utc_now
from optimizer.intake.checking.dates import Reading
from optimizer.intake.checking.times import times, with_dates
from optimizer.intake.reading.long_texts import LONGEST_TEXT
from optimizer.plant.run_columns import DECK_STATES, EXPECTED
from optimizer.plant.site import Site
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import (
    LABEL,
    LONGEST_NAME,
    MOST_QUERY,
    check_query,
    parse_fields,
    unique_fields,
)
from optimizer.service.exchange.typed_numbers import fraction, measured, number, whole
from optimizer.service.pages.brief_form.fields import MATERIAL as MATERIAL
from optimizer.service.pages.brief_form.fields import is_of_brief
from optimizer.service.pages.brief_form.reading import read_form_of_brief
from optimizer.service.parts import parts_of
from optimizer.text.figures import exact_percent, level
from optimizer.text.names import normal_name
from optimizer.text.setting_names import setting_words

SETTING = "s."
LONGEST_SIGNATURE = 60
OF_MIDDLINGS = {
    "middlings_share": "Middlings, % of the feed",
    "middlings_grade": "Grade of middlings",
}
"""Characters."""


def check_form(request: Request, given: Mapping[str, Any]) -> None:
    """Refuse a form that does not come from a page which was sent to this browser.

    Raises:
        Problem: with status 403.
    """
    token = str(given.get("form_token", ""))
    if not parts_of(request).access.check_form(token, request.state.cookies):
        request.state.refused = "other-form"  # pages that show the form again say no code
        raise Problem(
            403, "this form does not come from a page given to this browser, or is too old.",
            code="other-form", hint="Open the page again, and fill it in once more.",
        )  # fmt: skip


async def read_form(request: Request) -> dict[str, str]:
    """The fields of a form without files.

    Raises:
        Problem: when the form is malformed, or has a field twice.
    """
    return unique_fields(parse_fields(await request.body(), "the form"), "the form")


def filled_fields(query: Mapping[str, str]) -> dict[str, str]:
    """The fields of a brief that are filled in, with the line and the version to compare with.
    Where the name of a new line is typed, it replaces the line that is chosen.

    Raises:
        Problem: when the form was sent without a line.
    """
    known = ("line", "new_line", "since")
    found = {
        name: value.strip()
        for name, value in query.items()
        if value.strip() and (name in known or is_of_brief(name))
    }
    if "new_line" in found:
        found["line"] = found.pop("new_line")
    if "line" in found:
        found["line"] = _text(found["line"], "Line", LONGEST_NAME)
    elif "line" in query or "new_line" in query:
        raise Problem(
            422, "no line is named.", code="no-line",
            hint="Choose one, or write the name of a new one.",
        )  # fmt: skip
    return found


def address_back(given: Mapping[str, str], version: int | None) -> str:
    """The address to return to after a result is recorded: the plan, compared with the one before.

    Args:
        given: fields of the form, which include the query of the page that contains the form.
        version: version of the history before the result.

    Raises:
        Problem: when the query is malformed.
    """
    address = given.get("again", "")[: MOST_QUERY + 1].encode()
    check_query(address)
    back = filled_fields(dict(parse_fields(address, "the form's address")))
    back.pop("since", None)
    if version is not None:
        back["since"] = str(version)
    return f"/?{urlencode(back)}"


def brief_of_form(asked: Mapping[str, str], site: Site) -> dict[str, Any]:
    """The brief from the fields of today's form, in which shares are in per cent.

    Raises:
        Problem: when a field cannot be used; the message is that of the first such field.
    """
    form = read_form_of_brief(asked, site)
    for said in form.faults.values():
        raise Problem(422, said, code="invalid-value")
    return form.brief


def asked_of_brief(brief: Mapping[str, Any]) -> dict[str, str]:
    """The fields of today's form that ask for the plan of a brief, as far as it has them."""
    found = {"line": str(brief.get("line", ""))}
    if (grade := brief.get("goal", {}).get("min_grade")) is not None:
        found["min_grade"] = exact_percent(grade)
    if (count := brief.get("trials", {}).get("count")) is not None:
        found["trials"] = str(count)
    material = brief.get("material", {})
    plain = {name: value for name, value in material.items() if isinstance(value, int | float)}
    return {**found, **{f"{MATERIAL}{name}": level(value) for name, value in plain.items()}}


def result_row(given: Mapping[str, str], site: Site) -> dict[str, Any]:
    """The result of a trial as a row of a log: the settings of the trial and the fields typed.

    Readings are in per cent. Where the time is empty, the present time is used.

    Raises:
        Problem: when a field cannot be used; the message names the field.
    """
    line = _text(given.get("line", ""), "Line", LONGEST_NAME)
    row: dict[str, Any] = {
        "line": line,
        "started_at": _moment(given.get("started_at", ""), site),
    }
    for key, value in given.items():
        if key.startswith(SETTING) and value.strip():
            name = key.removeprefix(SETTING)
            if name not in site.setting_names:
                raise _unknown(key)
            row[name] = number(value, setting_words(name))
    row |= _material(given, site)
    if nonce := given.get("nonce", ""):  # a form that is sent twice is recorded once
        if not re.fullmatch("[0-9a-f]{1,16}", nonce):
            raise Problem(422, "nonce: it is not one that this service draws.", code="no-nonce")
        row["run_id"] = f"{line}-{nonce}"
    for field in ("grade", "recovery"):
        if given.get(field, "").strip():
            row[field] = fraction(given[field], field.capitalize())
    for field, label in OF_MIDDLINGS.items():
        if written := given.get(field, "").strip():
            # Less than one per cent of the feed may go to the middlings, unlike to the product.
            row[field] = round(number(written.removesuffix("%"), label) / 100.0, 11)
    if given.get("grade_count", "").strip():
        row["grade_count"] = whole(given["grade_count"], "Particles counted")
    if state := given.get("deck_state", ""):
        if state not in DECK_STATES:
            raise Problem(422, f"Deck: '{state[:40]}': {EXPECTED}.", code="no-deck-state")
        row["deck_state"] = state
    if given.get("note", "").strip():
        row["note"] = _text(given["note"], "Note", LONGEST_TEXT)
    return row


def signature(given: Mapping[str, str]) -> str:
    """The name with which a form was signed; empty where it was not signed.

    Raises:
        InputError: when the name is too long, or holds a mark of writing direction.
    """
    name = given.get("name", "").strip()
    return normal_name(name, "Your name", LONGEST_SIGNATURE) if name else ""


def _material(given: Mapping[str, str], site: Site) -> dict[str, float | str]:
    """The properties of the material that were typed, by name."""
    found: dict[str, float | str] = {}
    for key, value in given.items():
        if not key.startswith(MATERIAL) or not value.strip():
            continue
        name = key.removeprefix(MATERIAL)
        if name == LABEL:
            found[name] = _text(value, "Material", LONGEST_NAME)
            continue
        if name not in site.material:
            raise _unknown(key)
        found[name] = measured(value, name)
    return found


def _unknown(key: str) -> Problem:
    return Problem(422, f"the form has no field '{key[:60]}'.", code="no-such-field")


def _text(text: str, field: str, most: int) -> str:
    found = text.strip()
    if not 0 < len(found) <= most:
        raise Problem(422, f"{field}: expected 1 to {most} characters.", code="too-long")
    return found


def _moment(text: str, site: Site) -> str:
    """The start of a run in ISO 8601 with its offset.

    A time without an offset is a clock time of the plant, and a time of day alone is one of today.

    Raises:
        Problem: when the text is not a time, or can be read as two times.
    """
    written = text.strip()
    if not written:
        return datetime.now(UTC).isoformat(timespec="seconds")
    now, how = utc_now(), Reading(site.time_zone, usual=site.date_order)
    cells, _ = with_dates(
        pa.chunked_array([[written]], pa.string()), None, site.time_zone.today(now)
    )
    read = times(cells, latest_start(now), proof=0, how=how)
    try:
        value = read.values[0].as_py()
    except (OverflowError, ValueError):  # not a date of the calendar
        value = None
    if value is None or read.faults:
        reason = read.faults[0][1] if read.faults else "'{value}' is not a date"
        said = reason.partition(":")[0].format(value=written[:40])
        raise Problem(
            422, f"Started: {said}.", code="not-a-time",
            hint="Write year-month-day and the time, such as 2026-03-02 06:30+02:00.",
        )  # fmt: skip
    return str(value.isoformat())
