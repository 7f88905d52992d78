"""From cells to points in time; whole columns are converted at once.

ISO 8601 cells are converted by one cast. Other cells are read when they can mean only one moment
(see ``dates`` and ``date_words``). Otherwise the cell is rejected with a reason that says why.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask, matches, one_array, placed, plain
from optimizer.history.schema import TIMESTAMP
from optimizer.history.start_times import TOO_EARLY, TOO_LATE, early_and_late, instants
from optimizer.intake.checking.date_words import ABBREVIATED_ZONE, TIME_OF_DAY, spelled
from optimizer.intake.checking.dates import Dates, Reading
from optimizer.intake.reading.time_headings import Count
from optimizer.intake.reading.values import ABSENT, as_text, numbers
from optimizer.plant.time_zone import TimeZone

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]

_ISO = r"^\d{4}-\d{2}-\d{2}([T ]\d{2}(:\d{2}(:\d{2}(\.\d+)?)?)?)?"
_ZONE = r"( ?Z|[+-]\d{2}(:?\d{2})?)$"
_SHORTEST = len("2025-03-04")
_DAY = 86_400_000_000
_FARTHEST = 2.0**61
"""Microseconds from 1970 to a time that no log has."""
_SHORT_YEAR = r"^\d{1,2}[/.-]\d{1,2}[/.-]\d{1,2}($|[ ,T])"
_DAYS_COUNTED, _SECONDS_COUNTED = r"^[2-6]\d{4}([.,]\d+)?$", r"^1\d{9}(\d{3})?([.,]\d+)?$"

TWO_DAYS = (
    "'{value}' is a different day when the day comes first and when the month does: "
    "write year-month-day, such as {iso}"
)
NO_DATE = (
    "'{value}' is not a date: write year-month-day and the time, such as "
    "2025-03-04 16:30 or 2025-03-04T16:30+02:00"
)
NO_DAY = (
    "'{value}' is a time of day without a date: write the date, too, such as 2025-03-04 08:30, "
    "add a column date, or write the date above the headings"
)
ABBREVIATED = (
    "'{value}' has an abbreviated time zone, and several zones can have that: write the offset, "
    "such as 2025-03-04T16:30+02:00, or none for clocks of the plant"
)
SHORT_YEAR = (
    "'{value}' has a year of two digits: say in which order day, month and year stand "
    "(--date-order day-first, or date_order under [site] in the site file), or write year-month-day"
)
COUNTED_DAYS = (
    "'{value}' counts days from one that it does not tell: write the heading as "
    "'started_at [days since 1899-12-30]' if that is the one, or dates such as 2025-03-04 16:30"
)
COUNTED_SECONDS = (
    "'{value}' counts from a moment that it does not tell: write the heading as "
    "'started_at [s since 1970-01-01]' (or ms) if that is the one, or times such as "
    "2025-03-04 16:30"
)


def means_two_days(reason: str) -> bool:
    """Whether a row is rejected for this reason because its date can mean two days."""
    return TWO_DAYS.partition("}'")[2].partition(":")[0] in reason


@dataclass
class Times:
    """A column as points in time (microseconds, UTC); the other fields are those of ``Numbers``.

    ``skipped`` is the mask of times that no clock showed, since clocks were set forward over them,
    and ``twice`` that of times that clocks showed twice, since they were set back; None when there
    are none.
    """

    values: pa.Array
    faults: list[tuple[Mask, str]] = field(default_factory=list)
    unsure: Mask | None = None
    proof: int = 0
    settled: int = 0
    skipped: Mask | None = None
    twice: Mask | None = None


def times(
    column: pa.ChunkedArray,
    latest: int,
    proof: int | None = None,
    how: Reading = Reading(),  # noqa: B008 - a named tuple never changes
) -> Times:
    """The cells of one column as points in time, with unreadable and impossible cells.

    A time with a zone is converted to UTC. A time without a zone is a clock time of the plant, so
    that a log gives equal runs wherever it is read.

    Args:
        column: the cells, of any type.
        latest: latest possible start of a run, see ``latest_start``.
        proof: what the whole column proves about the order of day and month. None while that is not
            known; dates that it could decide are then unsure.
        how: the time zone of the plant, and the order of day and month where that is known.
    """
    read = _read(plain(column), proof, how)
    for mask, reason in _out_of_span(read.values, latest):
        read.faults.append((mask, reason))
        read.values = pc.if_else(pa.array(mask), pa.scalar(None, TIMESTAMP), read.values)
    return read


def impossible(column: pa.ChunkedArray, latest: int) -> list[tuple[Mask, str]]:
    """Cells of one column with a time at which no run can have started, and the reason."""
    return _out_of_span(_read(plain(column), None, Reading()).values, latest)


def with_dates(
    column: pa.ChunkedArray, dates: pa.ChunkedArray | None, day: date | None
) -> tuple[pa.ChunkedArray, Mask]:
    """A column whose times of day have a date before them, where a date is known.

    Args:
        column: the cells, of any type, shape (n,).
        dates: the date of each row, of any type, shape (n,); None where the log has none.
        day: date of the rows without one; None where that is not known.

    Returns:
        The column, and which cells took their date from ``day``, shape (n,).
    """
    kind = column.type
    if pa.types.is_timestamp(kind) or pa.types.is_date(kind) or (dates is None and day is None):
        return column, np.zeros(len(column), bool)
    text = pc.utf8_trim_whitespace(one_array(as_text(column)))
    clock = spelled(text)
    alone = matches(clock, TIME_OF_DAY)
    known = pa.nulls(len(text), pa.string())
    if dates is not None:
        known = pc.utf8_trim_whitespace(one_array(as_text(dates)))
        known = pc.replace_substring_regex(known, r"[T ]00:00(:00(\.0+)?)?$", "")
        known = pc.if_else(pc.is_in(pc.utf8_lower(known), pa.array(ABSENT)), None, known)
        # In a log that gives the time before the date, each stands in the column of the other.
        other = spelled(known)
        swapped = ~alone & matches(other, TIME_OF_DAY) & as_mask(text.is_valid())
        if swapped.any():
            mask = pa.array(swapped)
            clock, known = pc.if_else(mask, other, clock), pc.if_else(mask, text, known)
            alone |= swapped
    if not alone.any():
        return column, np.zeros(len(text), bool)
    of_sheet = alone & as_mask(known.is_null())
    if day is not None:
        known = pc.fill_null(known, day.isoformat())
    dated = pc.binary_join_element_wise(known, clock, " ")
    found = pc.if_else(pa.array(alone), pc.coalesce(dated, text), text)
    return pa.chunked_array([found]), of_sheet & (day is not None)


def _out_of_span(values: pa.Array, latest: int) -> list[tuple[Mask, str]]:
    masks = zip(early_and_late(values, latest), (TOO_EARLY, TOO_LATE), strict=True)
    return [(mask, reason) for mask, reason in masks if mask.any()]


def _read(column: pa.ChunkedArray, proof: int | None, how: Reading) -> Times:
    """A column of any type as points in time, without limits on the time."""
    if pa.types.is_date(column.type) or pa.types.is_timestamp(column.type):
        read = Times(instants(one_array(column)))
        clock = pa.types.is_date(column.type) or column.type.tz is None
        return _from_clock(read, np.full(len(column), clock), how.zone)
    if how.counted is not None:
        return _counted(column, how.counted, how)
    text = one_array(as_text(column))
    values, clock = _iso_times(text)
    odd = np.flatnonzero(as_mask(values.is_null()) & as_mask(text.is_valid()))
    if not len(odd):
        return _from_clock(Times(values), clock, how.zone)
    text = pc.utf8_trim_whitespace(text)
    read, odd_clock = _times_by_pattern(text.take(pa.array(odd)), proof, how)

    def whole(mask: Mask) -> Mask:
        wide = np.zeros(len(text), bool)
        wide[odd] = mask
        return wide

    read.values = pc.coalesce(values, placed(read.values, whole(np.ones(len(odd), bool))))
    read.faults = [(whole(mask), reason) for mask, reason in read.faults]
    read.unsure = None if read.unsure is None else whole(read.unsure)
    clock[odd] = odd_clock
    return _from_clock(read, clock, how.zone)


def _from_clock(read: Times, clock: Mask, zone: TimeZone) -> Times:
    """The times with those of a mask, which are clock times of the plant, as points in time."""
    if zone.is_utc or not clock.any():
        return read
    moments = pc.fill_null(read.values.cast(pa.int64()), 0).to_numpy(zero_copy_only=False).copy()
    missing = np.asarray(read.values.is_null())
    clock = clock & ~missing
    found = zone.to_utc(moments[clock])
    moments[clock] = found.moments
    read.values = pa.array(moments, mask=missing).cast(TIMESTAMP)
    read.skipped = _within(clock, found.skipped)
    read.twice = _within(clock, found.twice)
    return read


def _within(mask: Mask, part: Mask) -> Mask | None:
    """A mask of some of the cells of a mask, in order, as one of all cells; None where none is."""
    if not part.any():
        return None
    whole = np.zeros(len(mask), bool)
    whole[np.flatnonzero(mask)[part]] = True
    return whole


def _counted(column: pa.ChunkedArray, count: Count, how: Reading) -> Times:
    """A column of numbers that count from a day, as points in time."""
    read = numbers(column, how.decimal)
    origin = (count.origin - date(1970, 1, 1)).days * _DAY
    tick = 1_000_000.0 if count.step >= _DAY else 1000.0
    with np.errstate(invalid="ignore", over="ignore"):
        moments = origin + np.rint(read.values * count.step / tick) * tick
    known = np.isfinite(moments) & (np.abs(moments) < _FARTHEST)
    values = pa.array(np.where(known, moments, 0).astype(np.int64), mask=~known).cast(TIMESTAMP)
    faults = list(read.faults)
    beyond = ~known & ~np.isnan(moments)
    if beyond.any():
        faults.append((beyond, NO_DATE))
    clock = np.full(len(values), not count.utc)
    return _from_clock(Times(values, faults), clock, how.zone)


def _iso_times(text: pa.Array) -> tuple[pa.Array, Mask]:
    """The ISO dates and times of a column, null elsewhere, and which state no offset; (n,) each.

    In a column that has times with and without an offset, those with one are null.
    """
    first = text.drop_null()[:1].to_pylist()
    # A cast to UTC takes only times with an offset, and the other cast only times without one.
    zoned = bool(first and re.search(_ZONE, first[0]))
    # Marks for a missing date are shorter than a date, and the first cast ignores them.
    dated = pc.greater_equal(pc.binary_length(text), _SHORTEST)
    long = pc.if_else(dated, text, None)
    try:
        values = long.cast(TIMESTAMP if zoned else pa.timestamp("us")).cast(TIMESTAMP)
    except pa.ArrowInvalid:
        iso = matches(text, _ISO + "$")
        naive = pc.if_else(pa.array(iso), text, None)
        values, zoned = _cast_or_null(naive, pa.timestamp("us")).cast(TIMESTAMP), False
    return values, np.full(len(text), not zoned)


def _times_by_pattern(shown: pa.Array, proof: int | None, how: Reading) -> tuple[Times, Mask]:
    """Convert the cells that are not plain ISO dates, and say which state no offset."""
    alike = spelled(shown)
    dates = Dates(alike, proof, how)
    # Decimals of a second beyond six are cut, because the history stores microseconds.
    text = pc.replace_substring_regex(dates.text, r"(\.\d{6})\d+", r"\1")
    text = pc.replace_substring_regex(text, r" Z$", "Z")
    iso, zoned = matches(text, _ISO + "$"), matches(text, _ISO + _ZONE)
    naive_part = _cast_or_null(pc.if_else(pa.array(iso), text, None), pa.timestamp("us"))
    zoned_part = _cast_or_null(pc.if_else(pa.array(zoned), text, None), TIMESTAMP)
    result = pc.coalesce(naive_part.cast(TIMESTAMP), zoned_part)
    absent = as_mask(pc.is_in(pc.utf8_lower(shown), pa.array(ABSENT))) | as_mask(pc.is_null(shown))
    unread = as_mask(pc.is_null(result)) & ~absent & ~dates.ambiguous
    faults = [(dates.ambiguous if proof is not None else unread & False, TWO_DAYS)]
    for pattern, reason in (
        (TIME_OF_DAY, NO_DAY),
        (ABBREVIATED_ZONE, ABBREVIATED),
        *(() if how.stated or how.usual else ((_SHORT_YEAR, SHORT_YEAR),)),
        (_DAYS_COUNTED, COUNTED_DAYS),
        (_SECONDS_COUNTED, COUNTED_SECONDS),
        ("", NO_DATE),
    ):
        here = unread & matches(alike if reason is NO_DAY else shown, pattern)
        faults.append((here, reason))
        unread = unread & ~here
    read = Times(
        result,
        [(mask, reason) for mask, reason in faults if mask.any()],
        dates.ambiguous if proof is None and dates.ambiguous.any() else None,
        dates.proof,
        dates.settled,
    )
    return read, as_mask(naive_part.is_valid())


def _cast_or_null(text: pa.Array, kind: pa.DataType) -> pa.Array:
    """The cast of a column, null where a cell has the form of a date but is none (30 February).

    The column is halved repeatedly around bad cells, which are few where the form is right.
    """
    try:
        return text.cast(kind)
    except pa.ArrowInvalid:
        if len(text) == 1:
            return pa.nulls(1, kind)
    half = len(text) // 2
    return pa.concat_arrays([_cast_or_null(part, kind) for part in (text[:half], text[half:])])
