"""Today's material as a plan tells it: values, and ranges where it varies over the shift."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optimizer.text.figures import level


def todays_material(plan: Mapping[str, Any]) -> dict[str, Any]:
    """Each property of the material by name: its value, or its range as text.

    Args:
        plan: a ``highside.plan/1`` document.

    >>> over = {"moisture": {"low": 10.8, "high": 12.6}}
    >>> todays_material({"material": {"moisture": 11.7, "kind": "washed"}, "hold": {"over": over}})
    {'moisture': '10.8 to 12.6', 'kind': 'washed'}
    """
    over = (plan.get("hold") or {}).get("over", {})
    return {**plan["material"], **{name: range_text(ends) for name, ends in over.items()}}


def range_text(ends: Mapping[str, float]) -> str:
    """A range as text."""
    return f"{level(ends['low'])} to {level(ends['high'])}"
