"""Writes rejected rows as text: each fault is named once, with the rows that have it."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from cli.show.text import WIDTH

MOST_SHOWN = 8
"""Most groups of rows that are shown."""
MOST_STRETCHES = 5
"""Most rows, or ranges of rows, that a group names."""
_NUMBER = re.compile(r"[-+]?\d[\d.,]*")

Reject = Mapping[str, Any]


def rejects(document: Mapping[str, Any]) -> list[str]:
    """Lines about the rejected rows of a ``highside.load/1`` document, in groups.

    The rows of a group are from one file and have the same fault in the same field; their faulty
    values may differ. A last line says how many rows are not listed.
    """
    groups: dict[tuple[str, str, str], list[Reject]] = {}
    for reject in document["rejects"]:
        if reject["row"]:  # row 0 is a file as a whole, which is reported elsewhere
            groups.setdefault(_fault(reject), []).append(reject)
    shown = list(groups.values())[:MOST_SHOWN]
    lines = [
        textwrap.fill(_sentence(group), WIDTH, initial_indent="  - ", subsequent_indent="    ")
        for group in shown
    ]
    left = document["rejected"] - sum(map(len, shown))
    return [*lines, f"  ... and {left} more."] if left > 0 else lines


def _fault(reject: Reject) -> tuple[str, str, str]:
    """What the rows of a group have in common: file, field, and reason without numbers."""
    reason, value = reject["reason"], reject["value"].strip()
    return (
        reject["file"],
        reject["field"],
        _NUMBER.sub("#", reason.replace(value, "#") if value else reason),
    )


def _sentence(group: Sequence[Reject]) -> str:
    """The rows, the field, the first faulty value and the reason of a group."""
    first = group[0]
    values = dict.fromkeys(reject["value"] for reject in group)
    value = f" '{first['value']}'" if first["value"] else ""
    if len(values) > 1:
        value += f" and {len(values) - 1} other{'s' if len(values) > 2 else ''}"
    rows = rows_in_words(sorted({reject["row"] for reject in group}))
    return f"{first['file']} {rows}, {first['field']}{value}: {first['reason']}"


def rows_in_words(numbers: Sequence[int]) -> str:
    """Row numbers in words.

    >>> rows_in_words([3]), rows_in_words([3, 4, 5, 9])
    ('row 3', 'rows 3-5, 9')
    """
    if len(numbers) == 1:
        return f"row {numbers[0]}"
    stretches = list(_stretches(numbers))
    named = stretches[:MOST_STRETCHES]
    listed = ", ".join(f"{a}-{b}" if b > a else str(a) for a, b in named)
    left = len(numbers) - sum(b - a + 1 for a, b in named)
    return f"rows {listed}" + (f" and {left} more" if left else "")


def _stretches(numbers: Sequence[int]) -> Iterator[tuple[int, int]]:
    """The first and the last of each series of consecutive numbers."""
    first = last = numbers[0]
    for number in numbers[1:]:
        if number > last + 1:
            yield first, last
            first = number
        last = number
    yield first, last
