"""Conversion between the units people write and the units the product works in.

Loaded only when a unit differs from the canonical one: building the registry takes longer than
reading most logs.
"""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING

from optimizer.errors import InputError

if TYPE_CHECKING:
    from pint import UnitRegistry

# Ways of writing a unit that a log uses and pint does not know, or reads as something else
# ("t" is a tonne here, "h" an hour, "turn" a turn of the knob and not an angle to convert).
SPELLINGS = {
    "°": "degree",
    "º": "degree",
    "deg": "degree",
    "degs": "degree",
    "degrees": "degree",
    "turns": "turn",
    "t/hr": "tonne/hour",
    "t/h": "tonne/hour",
    "tph": "tonne/hour",
    "mt/h": "tonne/hour",
    "tonnes/h": "tonne/hour",
    "metric ton/h": "tonne/hour",
    "metric tons/h": "tonne/hour",
    "kg/hr": "kilogram/hour",
    "kg/h": "kilogram/hour",
    "lb/h": "pound/hour",
    "lbs/h": "pound/hour",
    "lb/hr": "pound/hour",
    "lbs/hr": "pound/hour",
    "pph": "pound/hour",
    "rpm": "revolutions_per_minute",
    "r/min": "revolutions_per_minute",
    "1/min": "revolutions_per_minute",
    "min-1": "revolutions_per_minute",
    "1/s": "revolutions_per_second",
    "hz": "revolutions_per_second",
    "cycles/min": "revolutions_per_minute",
    "%": "percent",
    "": "dimensionless",
    "fraction": "dimensionless",
    "1": "dimensionless",
    "-": "dimensionless",
}


# A ton is a short one, a long one or a tonne, by country and trade.
_TON = re.compile(r"\btons?\b")
# What a unit is written with. The registry evaluates what it is given, so powers of powers and
# long numbers, which no unit has, are kept away from it.
_UNIT = re.compile(r"^(?!.*(\*\*|\^).*(\*\*|\^))(?!.*\d{4})[\w°%‰/·*^.()\[\] -]{0,40}$")


@cache
def _registry() -> UnitRegistry[float]:
    from pint import UnitRegistry  # noqa: PLC0415 - building it takes half a second

    return UnitRegistry(cache_folder=None)


@cache
def factor(unit: str, to: str) -> float:
    """Factor that turns a number in ``unit`` into one in ``to``.

    Raises:
        InputError: when a unit is unknown, or the two do not measure the same thing.

    >>> round(factor("lb/h", "t/h") * 2204.62262, 6)
    1.0
    """
    if unit == to:
        return 1.0
    if "turn" in (SPELLINGS.get(unit.strip().lower(), unit), SPELLINGS.get(to.lower(), to)):
        # A turn of the knob is how far a gate is open, not an angle: it converts to nothing.
        if SPELLINGS.get(unit.strip().lower(), unit) == SPELLINGS.get(to.lower(), to):
            return 1.0
        raise _unlike(unit, to)
    spelled = [SPELLINGS.get(u.strip().lower(), u.strip()) for u in (unit, to)]
    for word in spelled:
        if _TON.search(word.lower()):
            raise InputError(
                f"unit '{word}' can be a tonne, a short ton or a long ton.",
                code="ambiguous-unit",
                hint="Write t/h, short_ton/h or long_ton/h.",
            )
        if not _UNIT.match(word):
            raise _unknown(word, to)
    registry = _registry()
    try:
        source, target = (registry.Unit(word) for word in spelled)
        alike = source.dimensionality == target.dimensionality
        # A shifted scale (a temperature) has no single factor.
        if not alike or registry.Quantity(0.0, source).to(target).magnitude != 0:
            raise _unlike(unit, to)
        found = float(registry.Quantity(1.0, source).to(target).magnitude)
    except InputError:
        raise
    except Exception as error:
        # The registry evaluates a unit as a formula, and fails in as many ways.
        if type(error).__name__ == "OffsetUnitCalculusError":
            raise _unlike(unit, to) from None
        raise _unknown(unit, to) from None
    if not 0 < found < float("inf"):
        raise _unknown(unit, to)
    return found


def _unknown(unit: str, to: str) -> InputError:
    return InputError(
        f"unit '{unit}' is not known.", code="unknown-unit", hint=f"Expected '{to}' or alike."
    )


def _unlike(unit: str, to: str) -> InputError:
    return InputError(
        f"unit '{unit}' cannot be turned into '{to}'.",
        code="unlike-units",
        hint=f"Write the column in '{to}', or declare '{unit}' in the site file.",
    )
