"""Bodies of requests: the kinds that are accepted, and the checks of their content."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import IO, Any

from optimizer.errors import nearest, reason_of
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.queries import LONGEST_NAME
from optimizer.text.visible_text import printable

JSON, CSV, PARQUET = "application/json", "text/csv", "application/vnd.apache.parquet"
NAMES = {JSON: "rows", CSV: "upload.csv", PARQUET: "upload.parquet"}
"""Media types of uploads, with the file name that the report uses for each; a name chosen by a
sender is never used on the disk."""
MOST_ROWS = 100_000
"""Largest number of rows of a JSON body."""
MOST_COLUMNS = 500
"""Largest number of different keys of the rows of a JSON body."""
MOST_LEVELS = 16
"""Largest number of lists and objects in one another in a JSON body; a brief has five. Deeper ones
would exhaust the stack of what looks at their values one in another."""
BEGINNING = 4096
"""Number of first bytes of a body by which an empty or packed body is recognized."""
PACKED = (b"\x1f\x8b", b"PK\x03\x04", b"\xd0\xcf\x11\xe0")


def check_body(body: IO[bytes], media_type: str) -> None:
    """Refuse a body that is empty or packed, or of a media type that is not read.

    Args:
        body: an open file, which is read from its start and then set back to its start.
        media_type: media type that the sender states.

    Raises:
        Problem: when the body is refused; its status is that of the answer.
    """
    if media_type not in NAMES:
        raise Problem(
            415, f"'{media_type[:60]}' is not read here.", code="media-type",
            hint=f"Send {', '.join(NAMES)}.",
        )  # fmt: skip
    body.seek(0)
    start = body.read(BEGINNING)
    if not start.strip() and not body.read(1):
        raise Problem(400, "the body is empty.", code="empty-body")
    if media_type == CSV and start.startswith(PACKED):
        raise Problem(
            415, "a packed file or workbook is not text.", code="packed",
            hint="Send the plain text, or load the file with 'highside load'.",
        )  # fmt: skip
    body.seek(0)


def read_json(body: bytes) -> Any:
    """The parsed value of a JSON body.

    Raises:
        Problem: when the body is not JSON, has a key twice, is nested too deeply, or holds a number
            that is not finite.
    """
    try:
        found = json.loads(
            body.decode("utf-8-sig"),
            parse_constant=_refuse,
            parse_float=_finite,
            parse_int=_whole,
            object_pairs_hook=_once,
        )
    except (ValueError, RecursionError) as error:
        said = "nested too deeply" if isinstance(error, RecursionError) else reason_of(error)
        raise Problem(400, f"the body is not JSON: {said}.", code="not-json") from None
    level = [found]
    for _ in range(MOST_LEVELS):
        level = [each for value in level if isinstance(value, dict | list) for each in _in(value)]
    if any(isinstance(value, dict | list) for value in level):
        said = f"the body has more than {MOST_LEVELS} lists and objects in one another."
        hint = "Send the document as /openapi.json describes it; a brief has five levels."
        raise Problem(400, said, code="not-json", hint=hint)
    return found


def _in(value: dict[str, Any] | list[Any]) -> Iterable[Any]:
    return value.values() if isinstance(value, dict) else value


def _refuse(name: str) -> Any:
    raise ValueError(f"{name} is not a JSON number")


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text[:40]} is larger than any number here")
    return value


def _whole(text: str) -> int:
    _finite(text)
    return int(text)


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key stands twice in one object")
    return found


OF_RESULT = (
    "grade", "grade_se", "recovery", "recovery_se", "grade_count", "middlings_share",
    "middlings_share_se", "middlings_grade", "middlings_grade_se", "settings", "material",
    "started_at", "deck_state", "note", "sure",
)  # fmt: skip
"""Keys of the result of a trial."""
BY_NAME = ("settings", "material")
"""Those of them that hold values by name."""


def read_result(body: bytes) -> dict[str, Any]:
    """The result of a trial from a JSON body.

    Raises:
        Problem: when the body is not an object, has an unknown key, or a value that a log cannot
            hold; the message names the key.
    """
    found = read_object(body, OF_RESULT)
    for name in BY_NAME:
        if not isinstance(found.get(name, {}), dict | None):
            raise Problem(422, f"{name}: expected an object of values by name.", code="not-values")
    if not isinstance(found.get("sure", False), bool):
        raise Problem(422, "sure: expected true or false.", code="not-values")
    plain = {name: value for name, value in found.items() if name not in (*BY_NAME, "sure")}
    for part in (plain, *(found.get(name) or {} for name in BY_NAME)):
        for name, value in part.items():
            if isinstance(value, bool) or not isinstance(value, str | int | float | None):
                said = "expected text, a number or null"
            elif not is_text(name) or (isinstance(value, str) and not is_text(value)):
                said = "it holds bytes that are not text"
            else:
                continue
            raise Problem(422, f"{printable(name[:60])}: {said}.", code="not-values")
    return found


def read_object(body: bytes, known: Sequence[str]) -> dict[str, Any]:
    """The object of a JSON body, which has no other keys than those known.

    Raises:
        Problem: when the body is not an object or has another key; the hint names the nearest key.
    """
    found = read_json(body)
    if not isinstance(found, dict):
        raise Problem(422, "expected a JSON object.", code="not-an-object")
    for key in found:
        if key not in known:
            said = f"unknown key '{printable(key[:60])}'."
            raise Problem(422, said, code="unknown-key", hint=nearest(key[:60], known))
    return found


def read_brief(body: bytes) -> Mapping[str, Any]:
    """The brief of a JSON body; an empty body is an empty brief.

    Raises:
        Problem: when the body is not an object, or a text in it is too long or not text.
    """
    brief = read_json(body) if body.strip() else {}
    if not isinstance(brief, dict):
        raise Problem(422, "a brief is a JSON object.", code="not-a-brief")
    left: list[Any] = [brief]
    while left:
        value = left.pop()
        if isinstance(value, dict):
            left += [*value, *value.values()]
        elif isinstance(value, list):
            left += value
        elif isinstance(value, str) and not (is_text(value) and len(value) <= LONGEST_NAME):
            said = (
                f"'{printable(value[:40])}' is not text, or has more than {LONGEST_NAME} characters"
            )
            raise Problem(422, f"the brief: {said}.", code="not-text")
    return brief


def read_rows(body: bytes) -> Sequence[Mapping[str, Any]]:
    """The rows of a JSON body, which is an array of objects of plain values.

    Raises:
        Problem: when an element is not a row; the message names the first such row.
    """
    rows = read_json(body)
    if not isinstance(rows, list) or not rows:
        raise Problem(
            422, "expected a JSON array of rows, and at least one.", code="not-rows",
            hint='For example [{"line": "deck-1", "feed_rate": 2.0, "grade": 0.987}].',
        )  # fmt: skip
    if len(rows) > MOST_ROWS:
        raise Problem(413, f"more than {MOST_ROWS} rows.", code="too-many-rows")
    columns: set[str] = set()
    for number, row in enumerate(rows, 1):
        if not isinstance(row, dict) or not row:
            raise Problem(422, f"row {number} is not an object of values.", code="not-rows")
        columns |= row.keys()
        if len(columns) > MOST_COLUMNS:
            said = f"the rows up to row {number} have more than {MOST_COLUMNS} different keys."
            hint = "Give all rows the same keys, those of a log that /openapi.json describes."
            raise Problem(422, said, code="not-rows", hint=hint)
        for key, value in row.items():
            if not isinstance(value, str | int | float | None):
                raise Problem(
                    422, f"row {number}, {key[:60]!r}: expected text, a number or null.",
                    code="not-rows",
                )  # fmt: skip
            if not is_text(key) or (isinstance(value, str) and not is_text(value)):
                raise Problem(422, f"row {number} holds bytes that are not text.", code="not-rows")
    return rows


@dataclass(frozen=True)
class RunChange:
    """What a request asks to change of a run.

    Args:
        reason: why; empty or None where the request gives none.
        line: line of the run; None where the request names none.
        take_back: whether a withdrawn run is taken back.
        values: new values, by column of a log.
    """

    reason: str | None = None
    line: str | None = None
    take_back: bool = False
    values: Mapping[str, Any] = field(default_factory=dict)


def read_change(body: bytes, given: RunChange | None = None, *, plain: bool = False) -> RunChange:
    """The change that a JSON body asks for.

    Args:
        body: the body; it may be empty where the query gives the reason.
        given: what the query gives.
        plain: whether the body holds a reason and a line only.

    Raises:
        Problem: when the body is not such an object, or no reason is given.
    """
    given = given or RunChange()
    found = read_json(body) if body.strip() else {}
    if not isinstance(found, dict):
        raise Problem(422, "expected a JSON object.", code="not-a-change")
    _check_texts(found)
    values = {name: found[name] for name in found if name not in ("reason", "line", "withdrawn")}
    if plain and (values or "withdrawn" in found):
        raise Problem(422, "only reason and line can be given here.", code="not-a-change")
    reason, line = (found.get(name, getattr(given, name)) for name in ("reason", "line"))
    if not isinstance(reason, str) or not reason.strip():
        raise Problem(422, "a change of a run needs a reason, a text.", code="no-reason")
    if not isinstance(line, str | None):
        raise Problem(422, "line: expected text.", code="not-a-change")
    take_back = "withdrawn" in found
    if take_back and (found["withdrawn"] is not False or values):
        raise Problem(
            422, "'withdrawn' can only be false, and stands without other values.",
            code="not-a-change", hint="DELETE withdraws a run.",
        )  # fmt: skip
    return RunChange(reason, line, take_back, values)


def _check_texts(found: Mapping[str, Any]) -> None:
    """Refuse an object, or one level of objects in it, with bytes that are not text."""
    inner = [value for value in found.values() if isinstance(value, dict)]
    for name, value in (pair for each in (found, *inner) for pair in each.items()):
        if not is_text(name) or (isinstance(value, str) and not is_text(value)):
            raise Problem(422, "the body holds bytes that are not text.", code="not-text")


def is_text(value: str) -> bool:
    """Whether a text is valid Unicode without zeros, which every reader of the history can show."""
    return "\0" not in value and not any("\ud800" <= c <= "\udfff" for c in value)
