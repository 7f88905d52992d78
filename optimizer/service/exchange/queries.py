"""Strict reading of queries and forms: each field occurs once and contains only text."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from urllib.parse import parse_qsl, urlencode

from optimizer.service.exchange.problems import Problem
from optimizer.text.names import composed
from optimizer.text.visible_text import fits_in_a_page, printable

MOST_FIELDS = 200
MOST_QUERY = 1 << 14
"""Largest size of a query, bytes."""
REPEATABLE = ("lines", "material", "setting")
"""Parameters that a query may give more than once."""
LONGEST_NAME = 255
"""Largest number of characters of the name of a line or material."""
LABEL = "material"
"""Key of the name of the material, beside the keys of its measured properties."""


def check_query(query: bytes) -> bytes:
    """Refuse a query that can be read in more than one way.

    Returns:
        The query with its names and values in one spelling.

    Raises:
        Problem: when the query holds bytes that are not text, has a parameter twice, or is too
            long.
    """
    if len(query) > MOST_QUERY:
        raise Problem(414, f"the query is longer than {MOST_QUERY} bytes.", code="too-long")
    found = parse_fields(query, "the query")
    unique_fields(found, "the query", REPEATABLE)
    return query if _is_plain(query) else urlencode(found).encode()


def _is_plain(query: bytes) -> bool:
    """Whether a query holds no letter outside ASCII."""
    return re.search(b"%[89A-Fa-f]|[^\x00-\x7f]", query) is None


def parse_fields(text: bytes, what: str, most: int = MOST_FIELDS) -> list[tuple[str, str]]:
    """The names and values of a query or form of at most ``most`` fields, in one spelling.

    Raises:
        Problem: when the text holds bytes that are not UTF-8, or too many fields.
    """
    try:
        found = parse_qsl(
            text.decode(), keep_blank_values=True, max_num_fields=most, errors="strict"
        )
    except ValueError:
        raise Problem(
            422, f"{what} is not percent-encoded UTF-8 of at most {most} fields.",
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
    return [(composed(name), composed(value)) for name, value in found]


def unique_fields(
    found: list[tuple[str, str]], what: str, repeatable: Iterable[str] = ()
) -> dict[str, str]:
    """Fields as a mapping, with the last value of a field that may be repeated.

    Raises:
        Problem: when another field is given twice.
    """
    for name, count in Counter(name for name, _ in found).items():
        if count > 1 and name not in repeatable:
            raise Problem(422, f"{what} gives '{name[:40]}' twice.", code="given-twice")
    return dict(found)
