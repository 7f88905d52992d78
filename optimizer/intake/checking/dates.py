"""Dates in all notations as ISO 8601 text; whole columns are converted at once.

A date is converted where it can mean only one day: the year comes first, the month is a name, or
the day is above twelve. ``03/04/2025`` is read in the order of day and month that other dates of
its column with the same separator prove, provided that they all prove one order, or in an order
that is stated. A year of two digits is read only where an order is stated.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask
from optimizer.intake.checking.date_words import MONTHS
from optimizer.intake.reading.source import Decimal
from optimizer.intake.reading.time_headings import Count
from optimizer.plant.moments import DateOrder
from optimizer.plant.time_zone import UTC_ZONE, TimeZone

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]

_MONTH_WORDS = pa.array(list(MONTHS))
_MONTH_OF_WORD = pa.array([str(number) for number in MONTHS.values()])

MARKS = "/.-"
DAY_FIRST, MONTH_FIRST = (16, 32, 64), (128, 256, 512)
"""Flags for what the dates of a column prove, for each separator of day, month and year."""

_REST = r"(?P<rest>,?[T ].*)?$"
_DAY_OR_MONTH = r"^(?P<a>\d{1,2})(?P<mark>[/.-])(?P<b>\d{1,2})(?P<same>[/.-])(?P<y>\d{4})" + _REST
_SHORT_YEAR = r"^(?P<a>\d{1,2})(?P<mark>[/.-])(?P<b>\d{1,2})(?P<same>[/.-])(?P<c>\d{2})" + _REST
_PARTS = {"day-first": "cba", "month-first": "cab", "year-first": "abc"}
"""For each order, which of three numbers are year, month and day."""
_YEAR_FIRST = r"^(?P<y>\d{4})[/.-](?P<m>\d{1,2})[/.-](?P<d>\d{1,2})" + _REST
_WORD = r"(?P<m>\p{L}{3,10})\.?"
_OF = r"(?:[. -]+(?i:de |of |d'|do )?)"
_NAMED = rf"^(?P<d>\d{{1,2}}){_OF}{_WORD}(?:[ ,-]+(?i:de |do |del )?)(?P<y>\d{{4}})" + _REST
_NAMED_FIRST = rf"^{_WORD}[ -]+(?P<d>\d{{1,2}})[, -]+(?P<y>\d{{4}})" + _REST
_CLOCK = (
    r"^,?[T ]+(?P<h>\d{1,2})(?P<m>[:.]\d{2}(?:[:.]\d{2}(?:\.\d+)?)?)? ?"
    r"(?P<half>[AaPp]\.?[Mm]\.?)?(?P<zone> ?Z|[+-]\d{2}(?::?\d{2})?)?$"
)


class Reading(NamedTuple):
    """How times are read that do not say everything themselves.

    Args:
        zone: time zone of the times without one.
        stated: order of day, month and year that somebody stated for this log. It counts as much as
            a date of the log: where one proves another order, no order is known.
        usual: order of day, month and year that holds where neither the log nor anybody tells one.
        counted: how the cells count from a day, where they do.
        decimal: notation of numbers in such cells.
    """

    zone: TimeZone = UTC_ZONE
    stated: DateOrder | None = None
    usual: DateOrder | None = None
    counted: Count | None = None
    decimal: Decimal = "point"


class Dates:
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
                    place = pc.index_in(pc.utf8_lower(m), _MONTH_WORDS)
                    m = _MONTH_OF_WORD.take(place)
                    matched &= as_mask(m.is_valid())
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
    minutes = pc.replace_substring_regex(minutes, r"^[:.](\d\d)", r":\1")
    minutes = pc.replace_substring_regex(minutes, r"^(:\d\d)[:.]", r"\1:")
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
