"""Rows as they stood to runs in stored units, and the rows at fault with their reasons.

Each function checks one field of a chunk and gives its column for the run table, or None when it
is empty throughout. A fault never stops a check: a row gets all its reasons at once.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.config import DECK_STATES, FEED_GRADE
from optimizer.errors import nearest
from optimizer.intake.columns import is_percent
from optimizer.intake.fields import HIGHEST_SE, NEEDED, Fields, Log, Reason, one_array
from optimizer.intake.schema import FRACTIONS, declared_unit, schema_of, stored_factor
from optimizer.intake.source import Chunk
from optimizer.intake.values import as_mask, both_readings, times

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]
    Floats = NDArray[np.float64]

# A value on the end of its range may come back from a conversion with its last digit changed.
RANGE_TOLERANCE = 1e-6
# A computed recovery of exactly 1 may come out above it by rounding.
ROUNDING = 1e-9
# Whole numbers are exact in floating point up to here, and no sample has more particles.
MOST_COUNTED = 2.0**53


@dataclass
class Checked:
    """Outcome for one chunk.

    Args:
        runs: rows without fault, in the run table's schema, with run ids where given.
        index: position of each run in the chunk, shape (len(runs),).
        faults: position of each faulty row in the chunk to its first field and joined reasons.
    """

    runs: pa.RecordBatch
    index: NDArray[np.int64]
    faults: dict[int, tuple[str, str]] = field(default_factory=dict)


def check(chunk: Chunk, log: Log) -> Checked:
    """Checks a chunk of a log."""
    fields = Fields(chunk, log)
    columns: dict[str, pa.Array | None] = {
        "run_id": fields.text("run_id"),
        "line": _line(fields),
        "started_at": _started_at(fields),
        "material": fields.text("material"),
        "note": fields.text("note"),
        "source": _repeated(log.source, fields.n),
        "source_row": pa.array(chunk.rows),
    }
    for name in log.site.space.names:
        columns[name] = _setting(fields, name)
    columns["deck_state"] = _deck_state(fields)
    even = as_mask(pc.equal(columns["deck_state"], "even"))
    for name in FRACTIONS:
        columns[name] = _fraction(fields, name, even)
    columns["grade_count"] = _count(fields)
    for name in log.site.material_names:
        columns[name] = _material(fields, name)
    schema = schema_of(log.site)
    filled = {f.name: columns[f.name] for f in schema}
    arrays = [
        pa.nulls(fields.n, f.type) if filled[f.name] is None else filled[f.name] for f in schema
    ]
    runs = pa.RecordBatch.from_arrays(arrays, schema=schema)
    if not fields.bad.any():
        return Checked(runs, np.arange(fields.n))
    good = ~fields.bad
    return Checked(runs.filter(pa.array(good)), np.flatnonzero(good), fields.faults())


def _line(fields: Fields) -> pa.Array:
    missing = np.asarray(fields.line.is_null())
    reason = "is missing: fill it in, or give the line of the whole log with --line"
    fields.fault("line", missing, reason)
    return fields.line


def _started_at(fields: Fields) -> pa.Array | None:
    parsed = []
    for column in fields.columns("started_at"):
        values, faults = times(fields.chunk.table.column(column.index))
        parsed.append(values)
        for mask, reason in faults:
            fields.fault("started_at", mask, _date_reason(fields, reason))
    if not parsed:
        return None
    return one_array(parsed[0] if len(parsed) == 1 else pc.coalesce(*parsed))


def _date_reason(fields: Fields, reason: str) -> Reason:
    def said(row: int) -> str:
        cell = fields.cell("started_at", row)
        return reason.format(value=cell, iso=both_readings(cell) if "{iso}" in reason else "")

    return said


def _deck_state(fields: Fields) -> pa.Array:
    """The state of the deck; an empty one is even."""
    given = fields.text("deck_state")
    if given.null_count == fields.n:
        return _repeated("even", fields.n)
    state = pc.fill_null(pc.utf8_lower(given), "even")
    fields.fault(
        "deck_state",
        ~as_mask(pc.is_in(state, pa.array(DECK_STATES))),
        lambda row: (
            f"'{fields.cell('deck_state', row)}' is not known: expected one of "
            f"{', '.join(DECK_STATES)}. {nearest(state[row].as_py(), DECK_STATES)}"
        ),
    )
    return state


def _setting(fields: Fields, name: str) -> pa.Array | None:
    values, unread = fields.number(name)
    missing = np.isnan(values) & ~unread
    fields.fault(name, missing, fields.expecting(name, "is missing"))
    _in_range(fields, name, values, unread)
    return _column(values)


def _material(fields: Fields, name: str) -> pa.Array | None:
    if not fields.has(name):
        return None
    values, unread = fields.number(name)
    if name == FEED_GRADE and fields.site.feed_grade_scale == 1.0:
        unread = unread | _could_be_percent(fields, name, values, unread, 1.0)
    _in_range(fields, name, values, unread)
    return _column(values)


def _fraction(fields: Fields, name: str, even: Mask) -> pa.Array | None:
    needed = name in NEEDED
    if not fields.has(name) and not needed:
        return None
    values, unread = fields.number(name)
    values = np.where((values > 1) & (values <= 1 + ROUNDING), 1.0, values)
    if needed:
        missing = np.isnan(values) & ~unread & even
        reason = "is missing and the deck ran even: fill it in, or name the deck_state"
        fields.fault(name, missing, reason)
    top = 1.0 if needed else HIGHEST_SE
    unread = unread | _could_be_percent(fields, name, values, unread, top)
    outside = ((values < 0) | (values > top)) & ~unread
    fields.fault(name, outside, fields.expecting(name, "{value} is outside its range"))
    return _column(values)


def _could_be_percent(fields: Fields, name: str, values: Floats, unread: Mask, top: float) -> Mask:
    """Faults of bare numbers that make sense as per cent alone; which, shape (n,)."""
    if any(is_percent(c.unit) for c in fields.columns(name)):
        return np.zeros(fields.n, bool)
    could = (values > top) & (values <= 100.0 * top) & ~unread

    def said(row: int) -> str:
        cell = fields.cell(name, row)
        if cell.endswith("%"):
            return f"{cell} is outside its range: expected from 0 to {100 * top:g} %"
        return (
            f"{cell} could be per cent: write the heading as '{name} [%]' "
            f"or the number as {values[row] / 100:g}"
        )

    fields.fault(name, could, said)
    return could


def _count(fields: Fields) -> pa.Array | None:
    if not fields.has("grade_count"):
        return None
    values, unread = fields.number("grade_count")
    whole = (values >= 1) & (values <= MOST_COUNTED) & (np.floor(values) == values)
    wrong = ~np.isnan(values) & ~whole & ~unread
    reason = fields.expecting("grade_count", "{value} is not a count of particles")
    fields.fault("grade_count", wrong, reason)
    return pa.array(np.where(whole, values, 0).astype(np.int64), mask=~whole)


def _in_range(fields: Fields, name: str, values: Floats, unread: Mask) -> None:
    """Faults of values outside the range that the line or the material declares."""

    def end(which: int) -> float | Floats:
        return fields.by_line(
            lambda line: fields.limits(name, line)[which] * stored_factor(fields.site, name, line)
        )

    low, high = end(0), end(1)
    slack = RANGE_TOLERANCE * np.maximum(np.abs(low), np.abs(high))
    outside = ((values < low - slack) | (values > high + slack)) & ~unread
    fields.fault(name, outside, lambda row: _outside(fields, name, float(values[row]), row))


def _outside(fields: Fields, name: str, value: float, row: int) -> str:
    line, shown = fields.line_of(row), fields.cell(name, row)
    here = value / stored_factor(fields.site, name, line)
    if any(column.unit is not None for column in fields.columns(name)):
        shown = f"{shown}, which is {here:.6g} {declared_unit(fields.site, name, line)}".rstrip()
    where = f" on line '{line}'" if name in fields.site.space.names else ""
    sign = "is negative and outside" if here < 0 else "is outside"
    return (
        f"{shown} {sign} the declared range: expected {fields.expected(name, row)}{where}; "
        "correct the value, write its unit in the heading, or widen the range in the site file"
    )


def _column(values: Floats) -> pa.Array | None:
    """Numbers as a column with NaN as null; None when all are."""
    empty = np.isnan(values)
    return None if empty.all() else pa.array(values, pa.float64(), mask=empty)


def _repeated(text: str, n: int) -> pa.Array:
    return pa.repeat(pa.scalar(text, pa.string()), n)
