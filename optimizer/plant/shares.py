"""Numbers as people write them in briefs, options and forms: 0.985, "98.5%", "11.2 %", "11,2"."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, WithJsonSchema

from optimizer.errors import InputError
from optimizer.plant.units import PERCENT_UNITS, unit_factor

_NUMBER = re.compile(
    r"^\s*(?P<number>[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,2})?)\s*(?P<unit>\D.{0,40})?$",
    re.ASCII,
)
# A comma before just three digits may group thousands.
_EITHER_WAY = re.compile(r"^[+-]?[1-9]\d{0,2},\d{3}$")


def number_and_unit(text: str) -> tuple[Decimal, str] | None:
    """Number and unit of a text; None where it is not a number or can be read as two numbers."""
    found = _NUMBER.match(text)
    if found is None or _EITHER_WAY.match(found["number"]):
        return None
    return Decimal(found["number"].replace(",", ".")), (found["unit"] or "").strip()


def share(value: Any) -> Any:
    """A written share as a fraction; a value that is not a share is returned unchanged.

    >>> share("98.5%"), share("0.985"), share(0.985), share("much")
    (0.985, 0.985, 0.985, 'much')
    """
    parts = number_and_unit(value) if isinstance(value, str) else None
    if parts is None:
        return value
    number, unit = parts
    if unit.lower() in PERCENT_UNITS:
        return float(number / 100)
    return value if unit else float(number)


def measure(value: float | str, unit: str) -> float | None:
    """A written number, with or without a unit, in ``unit``; None where it is not a number.

    >>> measure("95.5%", ""), measure("95.5 %", "%"), measure("11,2", "%"), measure("wet", "%")
    (0.955, 95.5, 11.2, None)
    """
    if not isinstance(value, str):
        return float(value)
    parts = number_and_unit(value)
    if parts is None:
        return None
    number, own = parts
    try:
        by = Decimal(repr(unit_factor(own, unit))) if own else Decimal(1)
    except InputError:
        return None
    return float(number * by)


def _fraction(value: Any) -> Any:
    """A share as a fraction; a number of per cent without the sign is refused, with a
    suggestion."""
    found = share(value)
    signed = isinstance(value, str) and value.rstrip().endswith(PERCENT_UNITS)
    number = isinstance(found, int | float) and not isinstance(found, bool)
    if number and not signed and 1 < found <= 100:
        raise ValueError(f"must be a fraction between 0 and 1; {found:g} % is {found / 100:g}")
    return found


def _schema(**low: float) -> WithJsonSchema:
    number = {"type": "number", **low, "exclusiveMaximum": 1}
    text = {"type": "string", "pattern": r"^\d{1,2}([.]\d+)? ?%$", "examples": ["98.5%"]}
    return WithJsonSchema({"anyOf": [number, text]})


Fraction = Annotated[
    float, BeforeValidator(_fraction), Field(gt=0, lt=1), _schema(exclusiveMinimum=0)
]
"""A share such as 0.985; a text may state it in per cent: "98.5%"."""
Confidence = Annotated[float, BeforeValidator(_fraction), Field(ge=0.5, lt=1), _schema(minimum=0.5)]
"""A confidence that a user may request: at least 0.5."""
