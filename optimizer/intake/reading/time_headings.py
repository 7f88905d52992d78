"""Columns that tell when a run started: which headings name them, and what their brackets say.

A log gives the start of a run in one column or in two, a date and a time of day. A bracket after
the heading may say the time zone (``Time [UTC]``), the order of a date (``Date (dd/mm/yyyy)``), or
that the cells count from a day (``Time [s since 1970-01-01]``).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from optimizer.errors import InputError
from optimizer.plant.moments import DateOrder
from optimizer.plant.time_zone import TimeZone
from optimizer.text.headings import name_key, split_unit

START, DATE = "started_at", "date"
"""The start of a run; and the day of those starts that are a time of day alone."""
JOIN = "+"
"""Mark between the headings of a date and a time that a mapping joins, as in ``Date+Time``."""

# Words in English, Spanish, Portuguese, German, French, Italian and Dutch (from memory).
_MOMENTS = """
    datetime dateandtime timestamp start started startdatetime startdateandtime starttimestamp
    fechahora fechayhora datahora dataehora datumuhrzeit dateheure dataora
"""
_TIMES = """
    time starttime timeofday clock clocktime sampletime samplingtime sampledat measuredat
    hora horainicio horadeinicio uhrzeit zeit startzeit heure heuredebut ora tijd
"""
_DATES = """
    date day startdate rundate testdate sampledate samplingdate fecha data datum tag jour dia
    giorno dag
"""
_WORDS = tuple(frozenset(words.split()) for words in (_MOMENTS, _TIMES, _DATES))

_ORDERS: Mapping[str, DateOrder] = {
    "dmy": "day-first", "mdy": "month-first", "ymd": "year-first",
    "tmj": "day-first", "jmt": "year-first", "jma": "day-first", "dma": "day-first",
    "gma": "day-first",
}  # fmt: skip
_OFFSET = re.compile(r"^(?:utc|gmt)? ?([+-])(\d{1,2})(?::?(\d{2}))?$", re.I)
_SINCE = re.compile(r"^(?P<unit>[a-z]+) since (?P<day>\d{4}(?:-\d{2}-\d{2})?)", re.I)
_ABBREVIATION = re.compile(r"^[A-Z]{2,5}$")
_SAYS_NOTHING = ("LOCAL", "HH", "HHMM", "HHMMSS", "ISO")
_MICROSECONDS = {
    "day": 86_400_000_000, "d": 86_400_000_000, "h": 3_600_000_000, "hour": 3_600_000_000,
    "min": 60_000_000, "minute": 60_000_000, "s": 1_000_000, "sec": 1_000_000,
    "second": 1_000_000, "ms": 1000, "millisecond": 1000, "us": 1, "microsecond": 1,
}  # fmt: skip


@dataclass(frozen=True)
class Count:
    """Cells that count from a day.

    Attributes:
        step: microseconds of one unit.
        origin: the day from whose beginning is counted.
        utc: whether that beginning is in UTC; else it is by the clocks of the plant, as a
            spreadsheet counts days.
    """

    step: int
    origin: date
    utc: bool


@dataclass(frozen=True)
class Notation:
    """What the bracket of a heading says of the times below it; None where it does not say it."""

    zone: TimeZone | None = None
    order: DateOrder | None = None
    count: Count | None = None


NOTHING = Notation()


def notation_of(bracket: str | None) -> Notation:
    """What a bracket says of the times below it; ``NOTHING`` for what does not tell of times.

    Raises:
        InputError: when it names a time zone in a way that can mean several.

    >>> notation_of("dd/mm/yyyy").order, notation_of("UTC").zone.name, notation_of("lab")
    ('day-first', 'UTC', Notation(zone=None, order=None, count=None))
    """
    text = (bracket or "").strip()
    if text.upper() in ("UTC", "GMT", "Z"):
        return Notation(zone=TimeZone())
    if match := _OFFSET.match(text):
        return Notation(zone=TimeZone.fixed(match[1], int(match[2]), int(match[3] or 0)))
    if match := _SINCE.match(text):
        unit = match["unit"].lower()
        step = _MICROSECONDS.get(unit, _MICROSECONDS.get(unit.removesuffix("s")))
        if step is not None:
            day = match["day"] if "-" in match["day"] else f"{match['day']}-01-01"
            return Notation(count=_count(step, day, text))
    letters = re.sub("[^a-z]", "", text.split(" ")[0].lower())
    order = _ORDERS.get(re.sub(r"(.)\1+", r"\1", letters))
    if order is not None and len(letters) > 3:
        return Notation(order=order)
    if "/" in text:
        return Notation(zone=TimeZone(text))
    if _ABBREVIATION.match(text) and text not in _SAYS_NOTHING:
        raise InputError(
            f"'{text}' can be the abbreviation of several time zones.",
            hint="Write UTC, an offset such as +02:00, or a name such as America/Bogota.",
        )
    return NOTHING


def _count(step: int, day: str, text: str) -> Count:
    try:
        origin = date.fromisoformat(day)
    except ValueError:
        raise InputError(
            f"'{text}' counts from a day that no calendar has.", hint="Write s since 1970-01-01."
        ) from None
    return Count(step, origin, step < _MICROSECONDS["d"])


def joined_headings(heading: str) -> tuple[str, ...]:
    """The headings of a date and a time that a mapping joins; one heading where it joins none.

    >>> joined_headings("Date + Time"), joined_headings("Air")
    (('Date', 'Time'), ('Air',))
    """
    parts = tuple(part.strip() for part in heading.split(JOIN))
    return parts if len(parts) == 2 and all(parts) else (heading,)


def seen(free: Iterable[tuple[int, str]], has: Iterable[str]) -> dict[str, int]:
    """The columns that their headings show to be a start or its date, by field.

    A heading whose bracket is not about times (``Time [min]``) names neither. Where several columns
    could be one of the two, none is taken.

    Args:
        free: index and heading of the columns that fill no field.
        has: fields that have a column.
    """
    kinds: tuple[list[int], ...] = ([], [], [])
    for index, heading in free:
        name, bracket = split_unit(heading)
        for words, kind in zip(_WORDS, kinds, strict=True):
            if name_key(name) in words and _is_of_times(bracket):
                kind.append(index)
    moments, times, dates = kinds
    found: dict[str, int] = {}
    if START not in has:
        starts = next((each for each in (moments, times) if each), [])
        if not starts and DATE not in has:
            starts, dates = dates, []
        if len(starts) == 1:
            found[START] = starts[0]
    if DATE not in has and len(dates) == 1 and {START} & {*has, *found}:
        found[DATE] = dates[0]
    return found


def _is_of_times(bracket: str | None) -> bool:
    try:
        return bracket is None or notation_of(bracket) != NOTHING or _plain(bracket)
    except InputError:
        return True  # the binding says what is wrong with it


def _plain(bracket: str) -> bool:
    """Whether a bracket only says that there is a time: ``hh:mm``, ``local``."""
    return re.sub(r"[^A-Z]", "", bracket.upper()) in (*_SAYS_NOTHING, "LOCALTIME", "HM", "HMS")
