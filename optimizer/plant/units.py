"""Conversion between the units that people write and the units of the history.

The unit registry is built only when a unit differs from the stored one, because building it takes
longer than reading most logs.
"""

from __future__ import annotations

import re
from fractions import Fraction
from functools import cache
from math import lcm
from typing import TYPE_CHECKING

import numpy as np

from optimizer.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pint import UnitRegistry

    Floats = NDArray[np.float64]

PERCENT_UNITS = ("%", "percent")

STORED_UNITS = {
    "feed_rate": ("t/h",),
    "end_raise": ("deg", "mm"),
    "side_tilt": ("deg", "mm"),
    "eccentric_speed": ("rpm",),
}
"""The units in which the history can store each setting; the first one that the declared unit
converts to is used.

A tilt that is measured as a height is stored as a height, because the length of the deck is not
declared. Other settings (such as the air knob), and all that are read on a scale, are stored in the
unit that their line declares."""

SCALES = ("turn", "mark", "notch", "division", "percent")
"""Scales on which a control is read: no formula converts them to a unit, nor to each other."""

_EXAMPLES = {
    "t/h": "a mass rate such as t/h, kg/h, lb/h or short_ton/h",
    "deg": "an angle such as deg or rad",
    "mm": "a height such as mm, cm or in",
    "rpm": "a speed of rotation such as rpm or Hz",
}
_OWN_SCALE = ", or a scale: turn, mark, notch, division or %."
_FEED_SCALE = (
    '. A feeder that is set on a scale: declare the mass rate, and was = [{ unit = "mark", '
    "at = [[0, 0], [10, 4.5]] }] with what its marks give."
)
# In the headings of logs and of trial sheets, a unit follows the name in brackets.
_IN_A_HEADING = re.compile(r"^[^\[\]\x00-\x1f\x7f]{0,40}$")

# Spellings of units in logs that pint does not know, or interprets as another unit ("t" is a tonne
# here, "h" an hour, "turn" a turn of the knob and not an angle to convert).
SPELLINGS = {
    "°": "degree",
    "º": "degree",
    "deg": "degree",
    "degs": "degree",
    "degrees": "degree",
    "turns": "turn",
    "marks": "mark",
    "notches": "notch",
    "divisions": "division",
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
    "°c": "degree_Celsius",
    "deg c": "degree_Celsius",
    "°f": "degree_Fahrenheit",
    "deg f": "degree_Fahrenheit",
    "%": "percent",
    "": "dimensionless",
    "fraction": "dimensionless",
    "1": "dimensionless",
    "-": "dimensionless",
}


# Depending on country and trade, a ton is a short ton, a long ton or a tonne.
_TON = re.compile(r"\btons?\b")
# Pattern of an acceptable unit. The registry evaluates its argument as a formula, so powers of
# powers and long numbers, which no unit has, are refused beforehand.
_UNIT = re.compile(r"^(?!.*(\*\*|\^).*(\*\*|\^))(?!.*\d{4})[\w°%‰/·*^.()\[\] -]{0,40}$")
# A power as logs write it: the registry reads ft**3 and not ft3.
_POWER = re.compile(r"(?<=[A-Za-z])([23])(?!\w)")
# Two zeros of temperature differ by a simple fraction of a degree; sums in floating point do not.
_SIMPLE, _FAR = 1_000_000, 1e6


@cache
def _registry() -> UnitRegistry[float]:
    from pint import UnitRegistry  # noqa: PLC0415 - building it takes half a second

    return UnitRegistry(cache_folder=None)


def _spelled(unit: str) -> str:
    """The one spelling of a unit that is known without the registry; other units as written."""
    return SPELLINGS.get(unit.strip().lower(), unit.strip())


def same_unit(unit: str, other: str) -> bool:
    """Whether two spellings mean the same unit, decided without the unit registry."""
    return _spelled(unit) == _spelled(other)


def unit_factor(unit: str, to: str) -> float:
    """Factor from ``unit`` to ``to``; per cent and known spellings need no unit registry.

    Raises:
        InputError: when a unit is unknown, or the two do not measure the same thing.
    """
    if same_unit(unit, to):
        return 1.0
    if unit.strip().lower() in PERCENT_UNITS and same_unit(to, ""):
        return 0.01
    return factor(unit, to)


@cache
def stored_unit_of(setting: str, declared: str) -> str:
    """The unit in which the history stores a setting whose line declares the unit ``declared``.

    Raises:
        InputError: when the setting cannot be measured in ``declared``; the hint lists accepted
            units.
    """
    if not _IN_A_HEADING.match(declared):
        raise not_in_a_heading(declared)
    if setting != "feed_rate" and _spelled(declared) in SCALES:
        return declared
    kinds = STORED_UNITS.get(setting, (declared,))
    for kind in [k for k in kinds if same_unit(declared, k)] or kinds:
        try:
            unit_factor(declared, kind)
        except InputError:
            continue
        return kind
    raise InputError(
        f"'{declared}' is not a unit of {setting}.",
        code="setting-unit",
        hint=f"Accepted: {', or '.join(_EXAMPLES[k] for k in kinds)}"
        + (_OWN_SCALE if setting != "feed_rate" else _FEED_SCALE),
    )


def share_factor(unit: str) -> float:
    """Factor from the declared unit of a share to a fraction: 1, or 0.01 for per cent.

    Raises:
        InputError: when it is not a unit of a share; the hint lists accepted units.
    """
    try:
        return unit_factor(unit, "")
    except InputError:
        raise InputError(
            f"'{unit}' is not a unit of a share.",
            code="share-unit",
            hint='Accepted: "fraction" or "%".',
        ) from None


def check_heading_unit(unit: str) -> None:
    """Refuse a unit that cannot be read back from a heading.

    Raises:
        InputError: when the unit cannot be read back.
    """
    if not _IN_A_HEADING.match(unit):
        raise not_in_a_heading(unit)


def not_in_a_heading(unit: str) -> InputError:
    """The error for a unit that cannot be read back from a heading."""
    return InputError(
        f"unit {unit[:60]!r} cannot stand in the heading of a log.",
        code="unit-text",
        hint="Accepted: up to 40 characters without square brackets and line breaks.",
    )


def scaled(values: Floats, by: float | Floats) -> Floats:
    """``values * by``, computed as a division where ``by`` is the reciprocal of a whole number.

    In floating point 97.2 / 100 is the number nearest 0.972, but 97.2 * 0.01 is not. A log in per
    cent and an equal log in fractions must give equal runs.

    Args:
        values: numbers, shape (n,).
        by: one factor for all values, or one factor for each value, shape (n,).
    """
    if np.ndim(by) == 0 and by == 1.0:
        return values
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        inverse = 1.0 / np.asarray(by, dtype=float)
        whole = np.isfinite(inverse) & (inverse == np.rint(inverse))
        return np.where(whole, values / np.rint(inverse), values * by)


# Largest number of digits that people type, and the relative error of a conversion to another unit
# and back.
_TYPED_DIGITS, _STRAY = 14, 8.0 * float(np.finfo(float).eps)


def as_typed(values: Floats) -> Floats:
    """Numbers without the rounding errors of a conversion in their last digits; shape kept.

    A number is replaced by the nearest number of at most 14 digits where the two differ by no more
    than a few roundings; other numbers are not changed.

    >>> as_typed(np.array([3499.9999999999995, 0.1 + 0.2, 1 / 3])).tolist()
    [3500.0, 0.3, 0.3333333333333333]
    """
    values = np.asarray(values, dtype=float)
    size = np.abs(values)
    usual = (size > 1e-7) & (size < 1e15)  # within this range powers of ten are exact
    digits = _TYPED_DIGITS - 1 - np.floor(np.log10(size, where=usual, out=np.zeros_like(size)))
    up, down = 10.0 ** np.clip(digits, 0, 22), 10.0 ** np.clip(-digits, 0, 22)
    with np.errstate(invalid="ignore", over="ignore"):
        near = np.rint(values * up / down) / up * down
        return np.where(usual & (np.abs(near - values) <= _STRAY * size), near, values)


@cache
def factor(unit: str, to: str) -> float:
    """Factor that converts a number in ``unit`` to a number in ``to``.

    Raises:
        InputError: when a unit is unknown, or the two do not measure the same thing.

    >>> round(factor("lb/h", "t/h") * 2204.62262, 6)
    1.0
    """
    if unit == to:
        return 1.0
    if {_spelled(unit), _spelled(to)} & {*SCALES[:-1]}:
        # A turn of the knob measures how far a gate is open and is not an angle, so it has no
        # conversion; nor has a mark on a scale.
        if _spelled(unit) == _spelled(to):
            return 1.0
        raise _unlike(unit, to)
    spelled = [_spelled(u) for u in (unit, to)]
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
        source, target = (registry.Unit(_POWER.sub(r"**\1", word)) for word in spelled)
        # Root units are compared rather than dimensions, because an angle and a bare number have
        # the same dimension.
        alike = registry.get_root_units(source)[1] == registry.get_root_units(target)[1]
        # A shifted scale (a temperature) has no single factor.
        if not alike or registry.Quantity(0.0, source).to(target).magnitude != 0:
            raise _unlike(unit, to)
        found = float(registry.Quantity(1.0, source).to(target).magnitude)
    except InputError:
        raise
    except Exception as error:
        # The registry evaluates a unit as a formula and can raise any error.
        if type(error).__name__ == "OffsetUnitCalculusError":
            raise _unlike(unit, to) from None
        raise _unknown(unit, to) from None
    if not 0 < found < float("inf"):
        raise _unknown(unit, to)
    return float(as_typed(np.array(found)))


def shifted_scale(unit: str, to: str) -> tuple[float, float, float] | None:
    """How numbers of a scale with another zero, such as a temperature, are converted.

    Args:
        unit, to: units that the registry knows.

    Returns:
        ``(a, b, c)`` such that ``(x * a + b) / c`` is the number x of ``unit`` in ``to``, with
        whole numbers where the scales are simple fractions of each other; None where ``unit`` and
        ``to`` are no such scales.

    >>> shifted_scale("degF", "degC")
    (5.0, -160.0, 9.0)
    """
    if {_spelled(unit), _spelled(to)} & {*SCALES}:
        return None
    registry = _registry()
    try:
        source, target = (registry.Unit(_spelled(u)) for u in (unit, to))
        zero, far = (float(registry.Quantity(x, source).to(target).magnitude) for x in (0.0, _FAR))
    except Exception:  # the registry evaluates a unit as a formula and can raise any error
        return None
    plus = Fraction(zero).limit_denominator(_SIMPLE)
    by = Fraction((far - zero) / _FAR).limit_denominator(_SIMPLE)
    if plus == 0 or by <= 0:
        return None
    per = lcm(by.denominator, plus.denominator)
    return float(by * per), float(plus * per), float(per)


def _unknown(unit: str, to: str) -> InputError:
    return InputError(
        f"unit '{unit}' is not known.",
        code="unknown-unit",
        hint=f"Expected '{to}' or a unit like it.",
    )


def _unlike(unit: str, to: str) -> InputError:
    return InputError(
        f"unit '{unit}' cannot be turned into '{to}'.",
        code="unlike-units",
        hint=f"Write the column in '{to}', or declare '{unit}' in the site file.",
    )
