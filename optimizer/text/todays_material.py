"""Today's material as a plan tells it: values with their units, and ranges over the shift.

A share is told in per cent, whatever the unit in which the site declares it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optimizer.text.words import ENGLISH, Words

FRACTION = "fraction"
"""The unit of shares that are told in per cent."""


def todays_material(document: Mapping[str, Any], words: Words = ENGLISH) -> dict[str, str]:
    """Each property of the material by name, as text: its value, or its range.

    Args:
        document: a ``highside.plan/1`` document, or another with ``material``,
            ``material_units`` and, where the material varies, ``hold``. A plan of an older program
            has no units.
        words: how the reader is told things.

    >>> units = {"moisture": "%", "feed_grade": "fraction"}
    >>> over = {"moisture": {"low": 10.8, "high": 12.6}}
    >>> material = {"moisture": 11.7, "feed_grade": 0.93, "material": "washed"}
    >>> plan = {"material": material, "material_units": units, "hold": {"over": over}}
    >>> list(todays_material(plan).values())
    ['10.8 to 12.6 %', '93 %', 'washed']
    """
    over = (document.get("hold") or {}).get("over", {})
    units = document.get("material_units", {})
    return {
        name: property_text(over.get(name, value), units.get(name, ""), words)
        for name, value in document["material"].items()
    }


def property_text(value: Any, unit: str, words: Words = ENGLISH) -> str:
    """A property of the material, or its range, as text with its unit.

    >>> property_text(0.93, "fraction"), property_text(692.0, "kg/m3"), property_text(3.0, "")
    ('93 %', '692 kg/m3', '3')
    """
    if isinstance(value, Mapping):
        ends = {end: words.figure(value[end], _kind(unit)) for end in ("low", "high")}
        return f"{words.fill(words['figures']['range'], **ends)}{unit_text(unit, words)}"
    if isinstance(value, int | float):
        return f"{words.figure(value, _kind(unit))}{unit_text(unit, words)}"
    return str(value)


def unit_text(unit: str, words: Words = ENGLISH) -> str:
    """A unit as it follows a number, with the space before it."""
    return f" {'%' if unit == FRACTION else words.unit(unit)}" if unit else ""


def _kind(unit: str) -> str:
    return "goal" if unit == FRACTION else "level"
