"""How figures are written for people: one format for each kind, so that all outputs agree.

The terminal, the report, the sheet, the page and the sentences in a plan all use these functions.
The caller writes the unit or the per cent sign, after a space.
"""

from __future__ import annotations

import math
from typing import Any

UNKNOWN = "?"


def level(value: float) -> str:
    """The level of a setting, with the decimals it was declared with.

    >>> level(2.4), level(450.0)
    ('2.4', '450')
    """
    return f"{value:.10g}"


def percent(fraction: float | None, places: int = 1) -> str:
    """A measured or expected fraction in per cent, rounded.

    >>> percent(0.98549), percent(0.91, 0), percent(None)
    ('98.5', '91', '?')
    """
    return UNKNOWN if fraction is None else f"{100.0 * fraction:.{places}f}"


def exact_percent(fraction: float | None) -> str:
    """A fraction that a user chose (a grade to reach, a confidence), in per cent, without rounding.

    >>> exact_percent(0.9), exact_percent(0.975), exact_percent(0.985)
    ('90', '97.5', '98.5')
    """
    return UNKNOWN if fraction is None else level(round(100.0 * fraction, 6))


def whole_percent(probability: float | None) -> str:
    """A probability in whole per cent, rounded down.

    Rounding down ensures that a probability below the requested confidence does not read as if it
    reached it.

    >>> whole_percent(0.8996), whole_percent(0.29), whole_percent(None)
    ('89', '29', '?')
    """
    return UNKNOWN if probability is None else str(math.floor(100.0 * probability + 1e-9))


def points(difference: float | None, places: int = 2) -> str:
    """A difference of two fractions, in percentage points.

    >>> points(0.0123), points(-0.004, 1)
    ('1.23', '-0.4')
    """
    return percent(difference, places)


def tonnes(value: float | None) -> str:
    """A mass in tonnes, or a rate in tonnes an hour."""
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
    """A duration in minutes."""
    """Minutes."""
    return UNKNOWN if value is None else f"{value:g}"


def plain(value: Any) -> str:
    """A value of the material or the brief: a number in short form, a text unchanged."""
    return level(value) if isinstance(value, int | float) else str(value)
