"""Queries and forms, read strictly: each field once, and nothing in it but text."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from urllib.parse import parse_qsl

from optimizer.service.exchange.problems import Problem
from optimizer.text.visible_text import fits_in_a_page, printable

MOST_FIELDS = 200
MOST_QUERY = 1 << 14
"""Bytes of a query."""
REPEATABLE = ("lines", "material")
"""Parameters that a query may give more than once."""
LONGEST_NAME = 255
"""Characters of the name of a line or material, wherever it is given."""
LABEL = "material"
"""The name of the material, which stands beside its measured properties."""


def check_query(query: bytes) -> None:
    """Refuses a query that could be read in more than one way.

    Raises:
        Problem: when it holds bytes that are not text, names a parameter twice, or is too long.
    """
    if len(query) > MOST_QUERY:
        raise Problem(414, f"the query is longer than {MOST_QUERY} bytes.", code="too-long")
    unique_fields(parse_fields(query, "the query"), "the query", REPEATABLE)


def parse_fields(text: bytes, what: str) -> list[tuple[str, str]]:
    """Names and values of a query or form.

    Raises:
        Problem: when it holds bytes that are not text, or too many fields.
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
        if not fits_in_a_page(name) or not fits_in_a_page(value):
            raise Problem(
                422,
                f"{what}, '{printable(name[:40])}': it holds a control character, or bytes that "
                "are not text.",
                code="not-text",
                hint="Type it again; copied text can hold invisible characters.",
            )
    return found


def unique_fields(
    found: list[tuple[str, str]], what: str, repeatable: Iterable[str] = ()
) -> dict[str, str]:
    """Fields as a mapping; of a repeatable one, the last value.

    Raises:
        Problem: when another field is given twice.
    """
    for name, count in Counter(name for name, _ in found).items():
        if count > 1 and name not in repeatable:
            raise Problem(422, f"{what} gives '{name[:40]}' twice.", code="given-twice")
    return dict(found)
