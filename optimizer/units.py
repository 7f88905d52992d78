"""Conversion between the units people write and the units the product works in.

Loaded only when a unit differs from the canonical one: building the registry takes longer than
reading most logs.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from optimizer.errors import InputError

if TYPE_CHECKING:
    from pint import UnitRegistry

# Ways of writing a unit that a log uses and pint does not know, or reads as something else
# ("t" is a tonne here, "h" an hour, "turn" a turn of the knob and not an angle to convert).
SPELLINGS = {
    "°": "degree",
    "deg": "degree",
    "degs": "degree",
    "degrees": "degree",
    "turns": "turn",
    "t/hr": "tonne/hour",
    "t/h": "tonne/hour",
    "tph": "tonne/hour",
    "mt/h": "tonne/hour",
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
    "hz": "revolutions_per_second",
    "cycles/min": "revolutions_per_minute",
    "%": "percent",
    "": "dimensionless",
    "fraction": "dimensionless",
    "1": "dimensionless",
    "-": "dimensionless",
}


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
    import pint  # noqa: PLC0415 - as above

    registry = _registry()
    try:
        source, target = (
            registry.Unit(SPELLINGS.get(u.strip().lower(), u.strip())) for u in (unit, to)
        )
        if source.dimensionality != target.dimensionality:
            raise _unlike(unit, to)
        if registry.Quantity(0.0, source).to(target).magnitude != 0:
            raise _unlike(unit, to)  # a shifted scale (a temperature) has no single factor
        return float(registry.Quantity(1.0, source).to(target).magnitude)
    except pint.OffsetUnitCalculusError:
        raise _unlike(unit, to) from None
    except (pint.PintError, ValueError, TypeError, AttributeError, AssertionError, SyntaxError):
        raise InputError(
            f"unit '{unit}' is not known.", code="unknown-unit", hint=f"Expected '{to}' or alike."
        ) from None


def _unlike(unit: str, to: str) -> InputError:
    return InputError(
        f"unit '{unit}' cannot be turned into '{to}'.",
        code="unlike-units",
        hint=f"Write the column in '{to}', or declare '{unit}' in the site file.",
    )
