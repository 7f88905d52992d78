"""Numbers as people read them. One way for each kind, so that paper and screen agree."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

UNKNOWN = "?"


def level(value: float) -> str:
    """A setting's level, with the decimals it was declared with.

    >>> level(2.4), level(450.0)
    ('2.4', '450')
    """
    return f"{value:.10g}"


def percent(fraction: float | None, places: int = 1) -> str:
    """A fraction in per cent.

    >>> percent(0.98549), percent(0.91, 0), percent(None)
    ('98.5', '91', '?')
    """
    return UNKNOWN if fraction is None else f"{100.0 * fraction:.{places}f}"


def at_least(chance: float | None) -> str:
    """A chance in per cent, rounded down: one that falls short must not read as if it did not.

    >>> at_least(0.8996), at_least(0.29), at_least(None)
    ('89', '29', '?')
    """
    return UNKNOWN if chance is None else str(math.floor(100.0 * chance + 1e-9))


def tonnes(value: float | None) -> str:
    """Tonnes, or tonnes an hour."""
    return UNKNOWN if value is None else f"{value:.2f}"


def worth(value: float | None) -> str:
    """A value an hour, to four digits and never as a power of ten.

    >>> worth(2481.143399), worth(31.178671), worth(123456.7)
    ('2,481', '31.18', '123,457')
    """
    if value is None:
        return UNKNOWN
    return f"{value:,.0f}" if abs(value) >= 1000.0 else f"{value:.4g}"


def minutes(value: float | None) -> str:
    """Minutes."""
    return UNKNOWN if value is None else f"{value:g}"


def plain(value: Any) -> str:
    """A value of the material or the brief: a number short, a text as it is."""
    return level(value) if isinstance(value, int | float) else str(value)


def by_order(plan: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The trials of a plan in the order they are run."""
    return sorted(plan["recommendations"], key=lambda trial: trial["order"])
