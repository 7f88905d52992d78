"""Numbers as people type them into forms and queries."""

from __future__ import annotations

import re

from optimizer.plant.documents import LARGEST
from optimizer.plant.shares import number_and_unit
from optimizer.service.exchange.problems import Problem

_WHOLE = re.compile(r"\d{1,15}", re.ASCII)


def number(text: str, field: str) -> float:
    """A number with a decimal point or comma.

    Args:
        text: the text as typed.
        field: name of the field, for messages.

    Raises:
        Problem: when the text is not a number, can be read as two numbers (``1,500``), or is larger
            than any number of a plant.
    """
    written = text.strip()
    parts = number_and_unit(written)
    if parts is None or parts[1] or not abs(parts[0]) <= LARGEST:
        name = field.replace("_", " ")
        raise Problem(
            422, f"{name}: '{written[:40]}' is not a number.", code="not-a-number",
            hint="Write it without a mark for thousands, such as 1500 or 1.5.",
        )  # fmt: skip
    return float(parts[0])


def measured(text: str, field: str) -> float | str:
    """A number, or a text that a brief can read: a number with a unit, ``95.5%``, or a range of two
    numbers, ``10.8 to 12.6 %``.

    Raises:
        Problem: when the text is neither, or is larger than any number of a plant.
    """
    low, _, high = text.partition(" to ")
    if high and " to " not in high:
        for end in (low, high):
            measured(end, field)
        return text.strip()
    parts = number_and_unit(text)
    if parts is not None and parts[1] and abs(parts[0]) <= LARGEST:
        return text.strip()
    return number(text, field)


def whole(text: str, field: str) -> int:
    """A whole number, 0 or above.

    Raises:
        Problem: when the text is not a whole number.
    """
    written = text.strip()
    if not _WHOLE.fullmatch(written):
        raise Problem(422, f"{field}: '{written[:40]}' is not a whole number.", code="not-a-number")
    return int(written)


def fraction(text: str, field: str) -> float:
    """A number of per cent, as typed on a page, converted to a fraction.

    Raises:
        Problem: when the text is not a number of per cent.
    """
    value = number(text.strip().removesuffix("%"), field)
    if not 1.0 < value <= 100.0:
        said = f"{field}: {value:g} % cannot be; write per cent, such as 98.7."
        raise Problem(422, said, code="not-per-cent")
    return round(value / 100.0, 9)
