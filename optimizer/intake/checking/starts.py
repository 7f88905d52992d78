"""The start of each row, from a column of times or from a date and a time of day."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import one_array
from optimizer.intake.checking.dates import Reading, both_days
from optimizer.intake.checking.faults import Fill
from optimizer.intake.checking.fields import Fields
from optimizer.intake.checking.times import times, with_dates
from optimizer.intake.reading.columns import Column
from optimizer.intake.reading.long_texts import quoted
from optimizer.intake.reading.time_headings import DATE, START, notation_of
from optimizer.intake.reading.values import as_text

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Rows = NDArray[np.int64]
    Mask = NDArray[np.bool_]

_HALF_A_DAY = 43_200_000_000


def started_at(fields: Fields, _: str) -> pa.Array | None:
    """The start of each row in UTC, shape (n,), null where it is empty or faulty; None where no
    column tells it."""
    parsed = []
    days = next(iter(fields.columns(DATE)), None)
    dates = None if days is None else fields.chunk.table.column(days.index)
    for column in fields.columns(START):
        given = fields.chunk.table.column(column.index)
        cells, of_sheet = with_dates(given, dates, fields.log.sheet_date)
        fields.of_sheet += int(of_sheet.sum())
        how = _how(fields, column, days)
        read = times(cells, fields.log.latest, fields.log.proof_of(column), how)
        fields.note(column, read.proof, read.settled, read.unsure)
        if read.skipped is not None:
            fields.skipped.append(fields.cells(START, np.flatnonzero(read.skipped)))
        if read.twice is not None:
            fields.twice |= read.twice
        fields.zone = how.zone
        parsed.append(read.values)
        fields.back |= _back(read.values, of_sheet)
        said = partial(_dated_cells, fields, cells)
        shown: dict[str, Fill] = {
            "value": partial(_of, said, quoted),
            "iso": partial(_of, said, both_days),
        }
        for mask, reason in read.faults:
            fields.fault(START, mask, reason, **shown)
    if not parsed:
        return None
    found = parsed[0] if len(parsed) == 1 else pc.coalesce(*parsed)
    if fields.log.timed and found.null_count:
        missing = np.asarray(found.is_null()) & ~fields.faults.bad & ~fields.unsure
        reason = "is missing: readings over time need the time of each reading"
        fields.fault(START, missing, reason)
    return found


def _back(starts: pa.Array, of_sheet: Mask) -> Mask:
    """Rows whose time of day is half a day or more before that of the row above; shape (n,).

    A sheet that runs past midnight has such rows, and no single date.
    """
    micro = pc.fill_null(starts.cast(pa.int64()), 0).to_numpy(zero_copy_only=False)
    back = np.zeros(len(micro), bool)
    both = of_sheet[1:] & of_sheet[:-1] & np.asarray(starts.is_valid())[1:]
    back[1:] = both & (micro[1:] - micro[:-1] < -_HALF_A_DAY)
    return back


def _how(fields: Fields, column: Column, days: Column | None) -> Reading:
    """How the cells of a column are read: what its heading and that of its date say comes first."""
    own, of_day = notation_of(column.unit), notation_of(days.unit if days else None)
    return Reading(
        own.zone or of_day.zone or fields.site.time_zone,
        own.order or of_day.order or fields.log.date_order,
        fields.site.date_order,
        own.count,
        fields.log.decimal,
    )


def _dated_cells(fields: Fields, cells: pa.ChunkedArray, at: Rows) -> pa.Array:
    """The times of some rows as text, with the dates that stand elsewhere."""
    text = pc.utf8_trim_whitespace(one_array(as_text(cells)).take(pa.array(at)))
    return pc.coalesce(text, fields.cells(START, at))


def _of(
    cells: Callable[[Rows], pa.Array], form: Callable[[pa.Array], pa.Array], at: Rows
) -> pa.Array:
    return form(cells(at))
