"""Cells to numbers and points in time, a column at a time.

A clean column is one cast. Only a column that the cast refuses is looked at by pattern, and what
is still not a number or a date is named, never guessed: ``1,500`` may be a decimal comma or a
thousand and a half, ``03/04/2025`` may be March or April.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.intake.schema import TIMESTAMP

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]
    Floats = NDArray[np.float64]

Decimal = Literal["point", "comma", "never"]
"""How a log writes numbers: with a decimal point, a decimal comma, or (in a comma-separated log)
never with a comma."""

# What spreadsheets and scripts write where a value is missing.
ABSENT = ("", "na", "n/a", "#n/a", "nan", "null", "none", "nil", "-", "--")

_EXPONENT = r"([eE][+-]?\d{1,3})?$"
_POINT = r"^[+-]?(\d+\.?\d*|\.\d+)" + _EXPONENT
_COMMA = r"^[+-]?(\d+,\d*|,\d+)" + _EXPONENT
_INFINITE = r"(?i)^[+-]?inf(inity)?$"
_GROUPED = {"comma": r"^[+-]?[1-9]\d{0,2}(\.\d{3})+$", "point": r"^[+-]?[1-9]\d{0,2}(,\d{3})+$"}

_ISO = r"^\d{4}-\d{2}-\d{2}([T ]\d{2}(:\d{2}(:\d{2}(\.\d+)?)?)?)?"
_ZONE = r"( ?Z|[+-]\d{2}(:?\d{2})?)$"
_DAY_OR_MONTH = r"^(?P<a>\d{1,2})[/.-](?P<b>\d{1,2})[/.-](?P<y>\d{4})(?P<rest>[T ].*)?$"


@dataclass
class Numbers:
    """A column as numbers, shape (n,).

    Args:
        values: NaN where the cell is empty or at fault.
        percent: cells that carry a per cent sign, or None when none does.
        faults: what could not be read: a mask and the reason, ``{value}`` being the cell.
    """

    values: Floats
    percent: Mask | None = None
    faults: list[tuple[Mask, str]] = field(default_factory=list)


def as_mask(condition: pa.ChunkedArray | pa.Array) -> Mask:
    """An Arrow condition as a numpy mask, null meaning no."""
    filled = pc.fill_null(condition, False)
    return np.asarray(filled.to_numpy(zero_copy_only=False), dtype=bool)


def plain(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """The column with dictionary encoding undone."""
    return column.cast(column.type.value_type) if pa.types.is_dictionary(column.type) else column


def as_text(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column of any type as text; whole floating numbers lose their ``.0``.

    A whole-number column with gaps often arrives as floating point, and run 17 is not '17.0'.
    """
    column = plain(column)
    if pa.types.is_string(column.type):
        return column
    if pa.types.is_floating(column.type):
        text = column.cast(pa.float64()).cast(pa.string())
        return pc.replace_substring_regex(text, r"\.0$", "")
    try:
        return column.cast(pa.string())
    except (pa.ArrowNotImplementedError, pa.ArrowInvalid):
        texts = [None if v is None else str(v) for v in column.to_pylist()]
        return pa.chunked_array([pa.array(texts, pa.string())])


def is_number(kind: pa.DataType) -> bool:
    """Whether a column type holds numbers."""
    return bool(
        pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_decimal(kind)
    )


def numbers(column: pa.ChunkedArray, decimal: Decimal) -> Numbers:
    """Cells of one column as numbers."""
    column = plain(column)
    if is_number(column.type):
        return Numbers(_floats(column.cast(pa.float64(), safe=False)))
    if decimal != "comma":  # then 1.500 is no plain number either
        try:
            return Numbers(_floats(column.cast(pa.float64())))
        except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
            pass
    return _numbers_by_pattern(as_text(column), decimal)


def _floats(column: pa.ChunkedArray) -> Floats:
    return np.asarray(column.to_numpy(), dtype=np.float64)


def _numbers_by_pattern(column: pa.ChunkedArray, decimal: Decimal) -> Numbers:
    text = pc.utf8_trim_whitespace(column)
    percent = as_mask(pc.ends_with(text, "%"))
    if percent.any():
        text = pc.utf8_rtrim_whitespace(pc.utf8_rtrim(text, "%"))
    absent = as_mask(pc.is_in(pc.utf8_lower(text), pa.array(ABSENT))) | as_mask(pc.is_null(text))
    comma = as_mask(pc.match_substring_regex(text, _COMMA))
    good = as_mask(pc.match_substring_regex(text, _POINT))
    infinite = as_mask(pc.match_substring_regex(text, _INFINITE))
    faults = []
    if decimal == "never":
        reason = (
            "'{value}' has a decimal comma, which a comma-separated log cannot have (write a "
            "decimal point, or separate the columns with semicolons)"
        )
        faults.append((comma, reason))
    else:
        grouped = as_mask(pc.match_substring_regex(text, _GROUPED[decimal]))
        reason = (
            "'{value}' can be read with a decimal mark or with a thousands mark (write no "
            "thousands mark, and decimals with a point)"
        )
        faults.append((grouped, reason))
        good = good | comma
        text = pc.replace_substring(text, ",", ".")
    named = np.logical_or.reduce([mask for mask, _ in faults])
    faults.append((~(good | infinite | absent | named), "'{value}' is not a number"))
    values = _floats(pc.if_else(pa.array(good), text, None).cast(pa.float64()))
    values = np.where(infinite, np.inf, values)
    found = [(mask, reason) for mask, reason in faults if mask.any()]
    return Numbers(values, percent if percent.any() else None, found)


def times(column: pa.ChunkedArray) -> tuple[pa.ChunkedArray, list[tuple[Mask, str]]]:
    """Cells of one column as points in time (microseconds, UTC), and what could not be read.

    ISO 8601 dates and times are read, as are day and month in either order when only one order
    makes a date. A zone is converted to UTC; a time without one is taken as UTC, so that a log
    read twice in two places gives the same run.
    """
    column = plain(column)
    if pa.types.is_date(column.type):
        column = column.cast(pa.timestamp("us"))
    if pa.types.is_timestamp(column.type):
        return column.cast(pa.timestamp("us", column.type.tz), safe=False).cast(TIMESTAMP), []
    text = as_text(column)
    for kind in (pa.timestamp("us"), TIMESTAMP):
        try:
            return text.cast(kind).cast(TIMESTAMP), []
        except pa.ArrowInvalid:
            continue
    return _times_by_pattern(pc.utf8_trim_whitespace(text))


def _times_by_pattern(text: pa.ChunkedArray) -> tuple[pa.ChunkedArray, list[tuple[Mask, str]]]:
    shown = text
    text, ambiguous = _day_and_month(text)
    # More than six decimals of a second are cut: the history keeps microseconds.
    text = pc.replace_substring_regex(text, r"(\.\d{6})\d+", r"\1")
    text = pc.replace_substring_regex(text, r" Z$", "Z")
    iso = as_mask(pc.match_substring_regex(text, _ISO + "$"))
    zoned = as_mask(pc.match_substring_regex(text, _ISO + _ZONE))
    naive_part = _cast_or_null(pc.if_else(pa.array(iso), text, None), pa.timestamp("us"))
    zoned_part = _cast_or_null(pc.if_else(pa.array(zoned), text, None), TIMESTAMP)
    result = pc.coalesce(naive_part.cast(TIMESTAMP), zoned_part)
    absent = as_mask(pc.is_in(pc.utf8_lower(shown), pa.array(ABSENT))) | as_mask(pc.is_null(shown))
    unread = as_mask(pc.is_null(result)) & ~absent & ~ambiguous
    faults = [
        (
            ambiguous,
            "'{value}' is a different day when the day comes first and when the month does: "
            "write year-month-day, such as {iso}",
        ),
        (
            unread,
            "'{value}' is not a date: write year-month-day and the time, such as "
            "2025-03-04 16:30 or 2025-03-04T16:30+02:00",
        ),
    ]
    return result, [(mask, reason) for mask, reason in faults if mask.any()]


def _day_and_month(text: pa.ChunkedArray) -> tuple[pa.ChunkedArray, Mask]:
    """Day-month-year dates as ISO where one order alone fits; a mask of those where both do."""
    parts = pc.extract_regex(text, _DAY_OR_MONTH)
    matched = as_mask(pc.is_valid(parts))
    if not matched.any():
        return text, matched
    a, b, year, rest = (pc.struct_field(parts, [name]) for name in ("a", "b", "y", "rest"))
    first, second = (pc.fill_null(x.cast(pa.int64()), 0).to_numpy() for x in (a, b))
    ambiguous = matched & (first <= 12) & (second <= 12) & (first != second)
    day_first = pa.array(first > 12)
    month = pc.utf8_lpad(pc.if_else(day_first, b, a), 2, "0")
    day = pc.utf8_lpad(pc.if_else(day_first, a, b), 2, "0")
    iso = pc.binary_join_element_wise(year, month, day, "-")
    iso = pc.binary_join_element_wise(iso, pc.fill_null(rest, ""), "")
    return pc.if_else(pa.array(matched & ~ambiguous), iso, text), ambiguous


def both_readings(cell: str) -> str:
    """The two days an ambiguous date can mean, as ISO dates.

    >>> both_readings("03/04/2025")
    '2025-04-03 or 2025-03-04'
    """
    match = pc.extract_regex(pa.scalar(cell.strip()), _DAY_OR_MONTH).as_py()
    a, b = match["a"].zfill(2), match["b"].zfill(2)
    return f"{match['y']}-{b}-{a} or {match['y']}-{a}-{b}"


def _cast_or_null(text: pa.ChunkedArray, kind: pa.DataType) -> pa.ChunkedArray:
    """Cast, with null where a cell has the right form and is still no date (30 February).

    Halves the column around the bad cells; they are few once the form is right.
    """
    try:
        return text.cast(kind)
    except pa.ArrowInvalid:
        if len(text) == 1:
            return pa.chunked_array([pa.nulls(1, kind)])
    half = len(text) // 2
    parts = [_cast_or_null(part, kind) for part in (text[:half], text[half:])]
    return pa.chunked_array([chunk for part in parts for chunk in part.chunks], kind)
