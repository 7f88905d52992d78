"""Masses as people read them: in the unit of mass of the plant, with the decimals that it needs.

Documents state feed and product in tonnes, and again in the plant's unit. Documents of earlier
programs state tonnes only, so where the unit is t those figures are read.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optimizer.text.figures import UNKNOWN

TONNE = "t"
_LABELS = {"short_ton": "short tons"}
_SYMBOLS = {"short_ton": "sh tn"}
_SMALL = ("kg", "lb")
"""Units so small that a tenth of one is never wanted."""


def mass_unit_of(document: Mapping[str, Any]) -> str:
    """The unit of mass that a plan or a lesson tells, as a site file writes it."""
    return str(document.get("mass_unit", TONNE))


def mass_label(unit: str) -> str:
    """A unit of mass for people.

    >>> mass_label("t"), mass_label("short_ton")
    ('t', 'short tons')
    """
    return _LABELS.get(unit, unit)


def mass_symbol(unit: str) -> str:
    """A unit of mass for the head of a narrow column.

    >>> mass_symbol("short_ton")
    'sh tn'
    """
    return _SYMBOLS.get(unit, unit)


def feed_key(unit: str) -> str:
    """The key under which a trial or a lesson states its feed in a unit of mass."""
    return "material_t" if unit == TONNE else "material_mass"


def product_key(unit: str) -> str:
    """The key under which the settings to run now state the rate of product, in a unit of mass per
    hour."""
    return "product_t_per_h" if unit == TONNE else "product_rate"


def mass_kind(unit: str) -> str:
    """The kind of figure of a mass in a unit: ``tonnes``, or ``pounds`` for a small unit."""
    return "pounds" if unit in _SMALL else "tonnes"


def pounds(value: float | None) -> str:
    """A mass in a small unit, or a rate in it, as a whole number.

    >>> pounds(1984.16), pounds(None)
    ('1984', '?')
    """
    return UNKNOWN if value is None else f"{value:.0f}"


def mass(value: float | None, unit: str) -> str:
    """A mass in a unit, or a rate in it per hour, without the unit.

    >>> mass(0.9, "t"), mass(900.0, "kg")
    ('0.90', '900')
    """
    if unit in _SMALL:
        return pounds(value)
    return UNKNOWN if value is None else f"{value:.2f}"
