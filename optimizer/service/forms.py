"""What a query or a form says, read strictly: fields once, text that is text, numbers that are.

Every query passes ``check_query``; what the pages' own forms send becomes a brief or a row here.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from typing import Any
from urllib.parse import parse_qsl, urlencode

import pyarrow as pa
from starlette.requests import Request

from optimizer.history.started import latest_start, utc_now
from optimizer.intake.checking.times import times
from optimizer.intake.reading.texts import LONGEST_TEXT
from optimizer.plant.deck_states import DECK_STATES, EXPECTED
from optimizer.plant.documents import LARGEST
from optimizer.plant.shares import number_and_unit
from optimizer.plant.site import Site
from optimizer.service.problems import Problem
from optimizer.service.texts import carried, shown

MOST_FIELDS = 200
MOST_QUERY = 1 << 14
"""Bytes of a query."""
REPEATABLE = ("lines", "material")
"""What a query may name more than once."""
MATERIAL, SETTING = "m.", "s."
LABEL = "material"
"""The material's own name, beside its measured properties."""
LONGEST_NAME, LONGEST_SIGNATURE = 255, 60
"""Characters; a line's name may be no longer anywhere."""

_NUMBER = re.compile(r"[+-]?(\d{1,30}[.,]?\d{0,30}|[.,]\d{1,30})([eE][+-]?\d{1,3})?", re.ASCII)
_WHOLE = re.compile(r"\d{1,15}", re.ASCII)


def check_query(query: bytes) -> None:
    """That a query can be read in one way.

    Raises:
        Problem: when it holds what is no text, names a parameter twice, or has no end.
    """
    if len(query) > MOST_QUERY:
        raise Problem(414, f"the query is longer than {MOST_QUERY} bytes.", code="too-long")
    _once(_pairs(query, "the query"), "the query", REPEATABLE)


def _pairs(text: bytes, what: str) -> list[tuple[str, str]]:
    """Names and values of a query or form.

    Raises:
        Problem: when it holds what is no text, or too many fields.
    """
    try:
        found = parse_qsl(
            text.decode(), keep_blank_values=True, max_num_fields=MOST_FIELDS, errors="strict"
        )
    except ValueError:
        raise Problem(
            422, f"{what} is not percent-encoded UTF-8 of at most {MOST_FIELDS} fields.",
            code="not-text",
        ) from None  # fmt: skip
    for name, value in found:
        if not carried(name) or not carried(value):
            raise Problem(
                422,
                f"{what}, '{shown(name[:40])}': it holds a control character, or what is no text.",
                code="not-text",
                hint="Type it again; copied text can hold what is not seen.",
            )
    return found


def _once(
    found: list[tuple[str, str]], what: str, repeatable: Iterable[str] = ()
) -> dict[str, str]:
    """Fields as a mapping.

    Raises:
        Problem: when one stands there twice that may not.
    """
    for name, count in Counter(name for name, _ in found).items():
        if count > 1 and name not in repeatable:
            raise Problem(422, f"{what} gives '{name[:40]}' twice.", code="given-twice")
    return dict(found)


async def read_form(request: Request) -> dict[str, str]:
    """Fields of a form without files.

    Raises:
        Problem: when it is not one.
    """
    return _once(_pairs(await request.body(), "the form"), "the form")


def asked_of(query: Mapping[str, str]) -> dict[str, str]:
    """What the page's own form asks, without empty fields; a new line's name, where one is
    written, stands in the place of the line that is chosen.

    Raises:
        Problem: when a line is asked for and none is named.
    """
    known = ("line", "new_line", "min_grade", "trials", "since")
    found = {
        name: value.strip()
        for name, value in query.items()
        if value.strip() and (name in known or name.startswith(MATERIAL))
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


def address_again(given: Mapping[str, str], version: int | None) -> str:
    """Where a form that recorded leads back to: the same question, and the version before.

    Raises:
        Problem: when the form's own address is none.
    """
    address = given.get("again", "")[: MOST_QUERY + 1].encode()
    check_query(address)
    back = asked_of(dict(_pairs(address, "the form's address")))
    back.pop("since", None)
    if version is not None:
        back["since"] = str(version)
    return f"/?{urlencode(back)}"


def brief_of(asked: Mapping[str, str], site: Site) -> dict[str, Any]:
    """The brief that the page's own form asks for: grade in per cent.

    Raises:
        Problem: naming the field that is not a number.
    """
    brief: dict[str, Any] = {"line": asked["line"]}
    if material := _material(asked, site):
        brief["material"] = material
    if "min_grade" in asked:
        brief["goal"] = {"min_grade": fraction(asked["min_grade"], "Grade")}
    if "trials" in asked:
        brief["trials"] = {"count": whole(asked["trials"], "Trials")}
    return brief


def query_of_report(brief: Mapping[str, Any]) -> str:
    """The same question as the API's report and sheet are asked it."""
    found = [("line", brief["line"])]
    found += [("material", f"{key}={value}") for key, value in brief.get("material", {}).items()]
    if "goal" in brief:
        found.append(("min_grade", repr(brief["goal"]["min_grade"])))
    if "trials" in brief:
        found.append(("trials", str(brief["trials"]["count"])))
    return urlencode(found)


def result_row(given: Mapping[str, str], site: Site) -> dict[str, Any]:
    """A trial's result as a row: the settings of the trial, and of all else only what was typed.

    Readings are in per cent. A time that was left empty is now.

    Raises:
        Problem: naming the field that cannot be used.
    """
    line = _text(given.get("line", ""), "Line", LONGEST_NAME)
    row: dict[str, Any] = {"line": line, "started_at": _moment(given.get("started_at", ""))}
    for key, value in given.items():
        if key.startswith(SETTING) and value.strip():
            name = key.removeprefix(SETTING)
            if name not in site.space.names:
                raise _unknown(key)
            row[name] = number(value, name)
    row |= _material(given, site)
    if nonce := given.get("nonce", ""):  # sent twice is recorded once
        if not re.fullmatch("[0-9a-f]{1,16}", nonce):
            raise Problem(422, "nonce: it is not that of a form of ours.", code="no-nonce")
        row["run_id"] = f"{line}-{nonce}"
    for field in ("grade", "recovery"):
        if given.get(field, "").strip():
            row[field] = fraction(given[field], field.capitalize())
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
    """Who signed a form; '' where nobody did.

    Raises:
        Problem: when it is too long for a name.
    """
    name = given.get("name", "").strip()
    return _text(name, "Your name", LONGEST_SIGNATURE) if name else ""


def _material(given: Mapping[str, str], site: Site) -> dict[str, float | str]:
    """The material as far as it was typed."""
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


def number(text: str, field: str) -> float:
    """A number as people write it, with a decimal point or comma.

    Raises:
        Problem: when it is none, or larger than any of a plant.
    """
    written = text.strip()
    value = float(written.replace(",", ".")) if _NUMBER.fullmatch(written) else math.nan
    if not abs(value) <= LARGEST:
        name = field.replace("_", " ")
        raise Problem(422, f"{name}: '{written[:40]}' is not a number.", code="not-a-number")
    return value


def measured(text: str, field: str) -> float | str:
    """A number, or a number with a unit as the brief and the log read it: ``95.5%``.

    Raises:
        Problem: when it is neither, or larger than any of a plant.
    """
    parts = number_and_unit(text)
    if parts is not None and parts[1] and abs(parts[0]) <= LARGEST:
        return text.strip()
    return number(text, field)


def whole(text: str, field: str) -> int:
    """A whole number, not below 0.

    Raises:
        Problem: when it is none.
    """
    written = text.strip()
    if not _WHOLE.fullmatch(written):
        raise Problem(422, f"{field}: '{written[:40]}' is not a whole number.", code="not-a-number")
    return int(written)


def fraction(text: str, field: str) -> float:
    """Per cent as written on the page, as a fraction.

    Raises:
        Problem: when it is no number of per cent.
    """
    value = number(text.strip().removesuffix("%"), field)
    if not 1.0 < value <= 100.0:
        said = f"{field}: {value:g} % cannot be; write per cent, such as 98.7."
        raise Problem(422, said, code="not-per-cent")
    return round(value / 100.0, 9)


def _moment(text: str) -> str:
    """When a run started, with its offset; a time without one is UTC, as in a log.

    Raises:
        Problem: when it can be read as no time, or as two.
    """
    written = text.strip()
    if not written:
        return datetime.now(UTC).isoformat(timespec="seconds")
    latest = latest_start(utc_now())
    read = times(pa.chunked_array([[written]], pa.string()), latest, proof=0)
    try:
        value = read.values[0].as_py()
    except (OverflowError, ValueError):  # a date that no calendar has
        value = None
    if value is None or read.faults:
        reason = read.faults[0][1] if read.faults else "'{value}' is not a date"
        said = reason.partition(":")[0].format(value=written[:40])
        raise Problem(
            422, f"Started: {said}.", code="not-a-time",
            hint="Write year-month-day and the time, such as 2026-03-02 06:30+02:00.",
        )  # fmt: skip
    return str(value.isoformat())
