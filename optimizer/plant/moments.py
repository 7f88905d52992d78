"""Moments that people write: a date or a time in ISO 8601, and the order of day, month and year in
numbers."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args

from pydantic import BeforeValidator, WithJsonSchema

from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.plant.time_zone import TimeZone

DateOrder = Literal["day-first", "month-first", "year-first"]
"""``day-first`` is 31/12/2025, ``month-first`` 12/31/2025, and ``year-first`` 2025-12-31."""
DATE_ORDERS: tuple[DateOrder, ...] = get_args(DateOrder)


def _iso(written: Any) -> Any:
    """The text of a moment, checked; TOML and JSON write it as a text or, in TOML, as a date."""
    if isinstance(written, date):
        return written.isoformat()
    try:
        _read(written)
    except (TypeError, ValueError):
        raise ValueError(
            "is neither a date nor a time in ISO 8601; write it like 2026-03-02 or 2026-03-02T06:30"
        ) from None
    return written


def _read(text: str) -> date | datetime:
    return (
        date.fromisoformat(text) if len(text) <= len("2026-03-02") else datetime.fromisoformat(text)
    )


Moment = Annotated[str, BeforeValidator(_iso), WithJsonSchema({"type": "string"})]
"""A date, which is its first moment, or a time; without an offset by the clocks of the plant."""


def day_of(text: str, where: str) -> date:
    """The day that a text in ISO 8601 names.

    Raises:
        InputError: when it names none.
    """
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise InputError(
            f"{where} '{text}' is not a date.", hint="Write it like 2026-03-02.", where=where
        ) from None


def instant_of(moment: str, zone: TimeZone, where: str) -> datetime:
    """The point in time, in UTC, that a checked moment stands for.

    Args:
        moment: text of a ``Moment``.
        zone: time zone of the plant.
        where: key of the moment, for messages.

    Raises:
        InputError: when the moment is outside the years that can be told.
    """
    try:
        return zone.instant(_read(moment))
    except OverflowError:
        raise InputError(
            f"{where}: '{moment}' is outside the years that a clock can show.",
            hint="Correct the year.",
            where=where,
        ) from None
