"""From cells to points in time; whole columns are converted at once.

ISO 8601 cells are converted by one cast. Other cells are read when they can mean only one day: the
year comes first, the month is a name, or the day is above twelve. ``03/04/2025`` is read in the
order of day and month that other dates of its column with the same separator prove, provided that
they all prove one order, or in an order that is stated. Otherwise the cell is rejected with a
reason that names both days. A year of two digits is read only where an order is stated.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask, matches, one_array, placed, plain
from optimizer.history.schema import TIMESTAMP
from optimizer.history.start_times import TOO_EARLY, TOO_LATE, early_and_late, instants
from optimizer.intake.reading.values import ABSENT, as_text
from optimizer.plant.moments import DateOrder
from optimizer.plant.time_zone import UTC_ZONE, TimeZone

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]

MARKS = "/.-"
DAY_FIRST, MONTH_FIRST = (16, 32, 64), (128, 256, 512)
"""Flags for what the dates of a column prove, for each separator of day, month and year."""

_ISO = r"^\d{4}-\d{2}-\d{2}([T ]\d{2}(:\d{2}(:\d{2}(\.\d+)?)?)?)?"
_ZONE = r"( ?Z|[+-]\d{2}(:?\d{2})?)$"
_TIME_OF_DAY = (
    r"^(\d{1,2}:\d{2}(:\d{2}(\.\d+)?)?( ?[AaPp]\.?[Mm]\.?)?|\d{1,2} ?[AaPp]\.?[Mm]\.?)"
    r"( ?Z|[+-]\d{2}(:?\d{2})?)?$"
)
_SHORTEST = len("2025-03-04")
_REST = r"(?P<rest>,?[T ].*)?$"
_DAY_OR_MONTH = r"^(?P<a>\d{1,2})(?P<mark>[/.-])(?P<b>\d{1,2})(?P<same>[/.-])(?P<y>\d{4})" + _REST
_SHORT_YEAR = r"^(?P<a>\d{1,2})(?P<mark>[/.-])(?P<b>\d{1,2})(?P<same>[/.-])(?P<c>\d{2})" + _REST
_PARTS = {"day-first": "cba", "month-first": "cab", "year-first": "abc"}
"""For each order, which of three numbers are year, month and day."""
_YEAR_FIRST = r"^(?P<y>\d{4})[/.-](?P<m>\d{1,2})[/.-](?P<d>\d{1,2})" + _REST
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH = (
    r"(?P<m>(?i:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec))"
    r"(?i:uary|ruary|ch|il|e|y|ust|t|tember|ober|ember)?\.?"
)
_NAMED = r"^(?P<d>\d{1,2})[. -]+" + _MONTH + r"[ ,-]+(?P<y>\d{4})" + _REST
_NAMED_FIRST = "^" + _MONTH + r"[ -]+(?P<d>\d{1,2})[, -]+(?P<y>\d{4})" + _REST
_CLOCK = (
    r"^,?[T ]+(?P<h>\d{1,2})(?P<m>:\d{2}(?::\d{2}(?:\.\d+)?)?)? ?(?P<half>[AaPp]\.?[Mm]\.?)?"
    r"(?P<zone> ?Z|[+-]\d{2}(?::?\d{2})?)?$"
)

TWO_DAYS = (
    "'{value}' is a different day when the day comes first and when the month does: "
    "write year-month-day, such as {iso}"
)
NO_DATE = (
    "'{value}' is not a date: write year-month-day and the time, such as "
    "2025-03-04 16:30 or 2025-03-04T16:30+02:00"
)
NO_DAY = (
    "'{value}' is a time of day without a date: write the date, too, such as 2025-03-04 08:30, or "
    "add a column date"
)


class Reading(NamedTuple):
    """How times are read that do not say everything themselves.

    Args:
        zone: time zone of the times without one.
        stated: order of day, month and year that somebody stated for this log. It counts as much as
            a date of the log: where one proves another order, no order is known.
        usual: order of day, month and year that holds where neither the log nor anybody tells one.
    """

    zone: TimeZone = UTC_ZONE
    stated: DateOrder | None = None
    usual: DateOrder | None = None


def means_two_days(reason: str) -> bool:
    """Whether a row is rejected for this reason because its date can mean two days."""
    return TWO_DAYS.partition("}'")[2].partition(":")[0] in reason


@dataclass
class Times:
    """A column as points in time (microseconds, UTC); the other fields are those of ``Numbers``.

    ``skipped`` is the mask of times that no clock showed, since clocks were set forward over them;
    None when there are none.
    """

    values: pa.Array
    faults: list[tuple[Mask, str]] = field(default_factory=list)
    unsure: Mask | None = None
    proof: int = 0
    settled: int = 0
    skipped: Mask | None = None


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
) -> pa.ChunkedArray:
    """A column whose times of day have a date before them, where a date is known.

    Args:
        column: the cells, of any type, shape (n,).
        dates: the date of each row, of any type, shape (n,); None where the log has none.
        day: date of the rows without one; None where that is not known.
    """
    kind = column.type
    if pa.types.is_timestamp(kind) or pa.types.is_date(kind) or (dates is None and day is None):
        return column
    text = pc.utf8_trim_whitespace(one_array(as_text(column)))
    alone = matches(text, _TIME_OF_DAY)
    if not alone.any():
        return column
    known = pa.nulls(len(text), pa.string())
    if dates is not None:
        known = pc.utf8_trim_whitespace(one_array(as_text(dates)))
        known = pc.replace_substring_regex(known, r"[T ]00:00(:00(\.0+)?)?$", "")
        known = pc.if_else(pc.is_in(pc.utf8_lower(known), pa.array(ABSENT)), None, known)
    if day is not None:
        known = pc.fill_null(known, day.isoformat())
    dated = pc.binary_join_element_wise(known, text, " ")
    return pa.chunked_array([pc.if_else(pa.array(alone), pc.coalesce(dated, text), text)])


def _out_of_span(values: pa.Array, latest: int) -> list[tuple[Mask, str]]:
    masks = zip(early_and_late(values, latest), (TOO_EARLY, TOO_LATE), strict=True)
    return [(mask, reason) for mask, reason in masks if mask.any()]


def _read(column: pa.ChunkedArray, proof: int | None, how: Reading) -> Times:
    """A column of any type as points in time, without limits on the time."""
    if pa.types.is_date(column.type) or pa.types.is_timestamp(column.type):
        read = Times(instants(one_array(column)))
        clock = pa.types.is_date(column.type) or column.type.tz is None
        return _from_clock(read, np.full(len(column), clock), how.zone)
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
    numbers = pc.fill_null(read.values.cast(pa.int64()), 0).to_numpy(zero_copy_only=False).copy()
    missing = np.asarray(read.values.is_null())
    clock = clock & ~missing
    numbers[clock], skipped = zone.to_utc(numbers[clock])
    read.values = pa.array(numbers, mask=missing).cast(TIMESTAMP)
    if skipped.any():
        read.skipped = np.zeros(len(clock), bool)
        read.skipped[np.flatnonzero(clock)[skipped]] = True
    return read


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
    dates = _Dates(shown, proof, how)
    # Decimals of a second beyond six are cut, because the history stores microseconds.
    text = pc.replace_substring_regex(dates.text, r"(\.\d{6})\d+", r"\1")
    text = pc.replace_substring_regex(text, r" Z$", "Z")
    iso, zoned = matches(text, _ISO + "$"), matches(text, _ISO + _ZONE)
    naive_part = _cast_or_null(pc.if_else(pa.array(iso), text, None), pa.timestamp("us"))
    zoned_part = _cast_or_null(pc.if_else(pa.array(zoned), text, None), TIMESTAMP)
    result = pc.coalesce(naive_part.cast(TIMESTAMP), zoned_part)
    absent = as_mask(pc.is_in(pc.utf8_lower(shown), pa.array(ABSENT))) | as_mask(pc.is_null(shown))
    unread = as_mask(pc.is_null(result)) & ~absent & ~dates.ambiguous
    dayless = unread & matches(shown, _TIME_OF_DAY)
    faults = [
        (dates.ambiguous if proof is not None else unread & False, TWO_DAYS),
        (dayless, NO_DAY),
        (unread & ~dayless, NO_DATE),
    ]
    read = Times(
        result,
        [(mask, reason) for mask, reason in faults if mask.any()],
        dates.ambiguous if proof is None and dates.ambiguous.any() else None,
        dates.proof,
        dates.settled,
    )
    return read, as_mask(naive_part.is_valid())


class _Dates:
    """Dates in all notations as ISO text, where they can mean only one day.

    Args:
        text: trimmed cells.
        proof, how: see ``times``.
    """

    def __init__(self, text: pa.Array, proof: int | None, how: Reading) -> None:
        self.text, self.proof, self.settled = text, 0, 0
        self.ambiguous = np.zeros(len(text), bool)
        if order := how.stated or how.usual:
            self._short_years(order)
        self._numbered(proof, how)
        for pattern in (_YEAR_FIRST, _NAMED, _NAMED_FIRST):
            parts = pc.extract_regex(text, pattern)
            matched = as_mask(parts.is_valid())
            if matched.any():
                y, m, d, rest = (pc.struct_field(parts, [k]) for k in ("y", "m", "d", "rest"))
                if pattern is not _YEAR_FIRST:
                    place = pc.index_in(pc.utf8_lower(m), pa.array(_MONTHS))
                    m = pc.add(place, 1).cast(pa.string())
                self._write(matched, y, m, d, rest)

    def _short_years(self, order: DateOrder) -> None:
        """Read dates whose year has two digits, 20 standing before them."""
        parts = pc.extract_regex(self.text, _SHORT_YEAR)
        mark, same = (pc.struct_field(parts, [k]) for k in ("mark", "same"))
        matched = as_mask(pc.equal(mark, same))
        if matched.any():
            y, m, d = (pc.struct_field(parts, [k]) for k in _PARTS[order])
            y = pc.binary_join_element_wise("20", pc.utf8_lpad(y, 2, "0"), "")
            self._write(matched, y, m, d, pc.struct_field(parts, ["rest"]))

    def _numbered(self, proof: int | None, how: Reading) -> None:
        """Read dates that have day and month, in either order, as numbers before the year."""
        parts = pc.extract_regex(self.text, _DAY_OR_MONTH)
        a, b, y, rest = (pc.struct_field(parts, [k]) for k in ("a", "b", "y", "rest"))
        mark, same = (pc.struct_field(parts, [k]) for k in ("mark", "same"))
        matched = as_mask(pc.equal(mark, same))
        if not matched.any():
            return
        first, second = (pc.fill_null(x.cast(pa.int64()), 0).to_numpy() for x in (a, b))
        day_first = matched & (first > 12)
        either = matched & (first <= 12) & (second <= 12) & (first != second)
        for k, sign in enumerate(MARKS):
            here = as_mask(pc.equal(mark, sign))
            for days, months, flags in ((first, second, DAY_FIRST), (second, first, MONTH_FIRST)):
                proved = here & matched & (days > 12) & (days <= 31) & (months <= 12)
                self.proof |= flags[k] if proved.any() else 0
            found = _proved(proof, how, k)
            if found in (DAY_FIRST[k], MONTH_FIRST[k]):
                if (proof or 0) & found:  # other dates tell, not only the stated order
                    self.settled += int((either & here).sum())
                day_first |= either & here & (found == DAY_FIRST[k])
                either &= ~here
        self.ambiguous = either
        order = pa.array(day_first)
        month, day = pc.if_else(order, b, a), pc.if_else(order, a, b)
        self._write(matched & ~either, y, month, day, rest)

    def _write(self, where: Mask, y: pa.Array, m: pa.Array, d: pa.Array, rest: pa.Array) -> None:
        """Write ISO text for the cells whose date was understood."""
        m, d = pc.utf8_lpad(m, 2, "0"), pc.utf8_lpad(d, 2, "0")
        iso = pc.binary_join_element_wise(y, m, d, "-")
        iso = pc.binary_join_element_wise(iso, _clock(pc.fill_null(rest, "")), "")
        self.text = pc.if_else(pa.array(where), iso, self.text)


def _proved(proof: int | None, how: Reading, mark: int) -> int:
    """The flags of what is known about the order of day and month with one separator."""
    if proof is None:
        return 0
    flags = {"day-first": DAY_FIRST[mark], "month-first": MONTH_FIRST[mark]}
    found = proof & (DAY_FIRST[mark] | MONTH_FIRST[mark]) | flags.get(how.stated or "", 0)
    return found or flags.get(how.usual or "", 0)


def _clock(rest: pa.Array) -> pa.Array:
    """Times of day as ISO text, such as T16:30 for 4:30 PM; other text is returned unchanged."""
    parts = pc.extract_regex(rest, _CLOCK)
    hour, minutes, half, zone = (pc.struct_field(parts, [k]) for k in ("h", "m", "half", "zone"))
    number = hour.cast(pa.int64())
    late = pc.starts_with(pc.utf8_lower(half), "p")
    turned = pc.add(pc.if_else(pc.equal(number, 12), 0, number), pc.if_else(late, 12, 0))
    # 16:30 PM is not a time of day, and 4 without minutes is a time of day only with AM or PM.
    halved = pc.not_equal(half, "")
    valid = pc.if_else(halved, pc.less_equal(number, 12), pc.not_equal(minutes, ""))
    turned = pc.if_else(halved, turned, number)
    minutes = pc.if_else(pc.equal(minutes, ""), ":00", minutes)
    text = pc.binary_join_element_wise(pc.utf8_lpad(turned.cast(pa.string()), 2, "0"), minutes, "")
    text = pc.binary_join_element_wise("T", text, zone, "")
    return pc.if_else(pc.fill_null(valid, False), text, rest)


def both_days(cells: pa.Array) -> pa.Array:
    """The two days that ambiguous dates can mean, as ISO dates.

    >>> both_days(pa.array(["03/04/2025"])).to_pylist()
    ['2025-04-03 or 2025-03-04']
    """
    parts = pc.extract_regex(cells, _DAY_OR_MONTH)
    a, b = (pc.utf8_lpad(pc.struct_field(parts, [k]), 2, "0") for k in ("a", "b"))
    y = pc.struct_field(parts, ["y"])
    first, second = (pc.binary_join_element_wise(y, *pair, "-") for pair in ((b, a), (a, b)))
    return pc.binary_join_element_wise(first, second, " or ")


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
