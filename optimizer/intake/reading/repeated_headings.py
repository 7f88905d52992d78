"""Removes headings that are repeated among the rows of a log.

Printed pages and joined files repeat headings; such rows are not runs. Different headings mean that
other columns follow, so the log is read only up to them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from optimizer.history.arrow import matches, one_array
from optimizer.intake.reading.columns import Headings
from optimizer.intake.reading.heading_rows import is_heading_row
from optimizer.intake.reading.source import Chunk

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Rows = NDArray[np.int64]


def without_headings(
    chunk: Chunk,
    rejected: Rows,
    headings: Sequence[str],
    repeats: Iterable[Sequence[str]],
    names: Headings,
) -> Chunk | None:
    """The chunk without repeated headings, cut before different ones; None if it has no headings.

    Args:
        chunk: rows of a log.
        rejected: positions of the faulty rows of the chunk, which always include headings.
        headings: headings of the log.
        repeats: the log's rows of headings and of units as written.
        names: names of fields.
    """
    known = {_bare(row) for row in repeats}
    repeated: list[int] = []
    ends: list[int] = []
    for row, cells in _wordy(chunk.text, rejected) if len(rejected) else ():
        if _bare(cells) in known:
            repeated.append(row)
        elif is_heading_row(cells, headings, names):
            ends.append(int(chunk.rows[row]))
    ragged = chunk.ragged
    if len(ragged):
        wordy = _wordy(ragged.table, np.arange(len(ragged)))
        ends += [
            int(ragged.rows[k]) for k, cells in wordy if is_heading_row(cells, headings, names)
        ]
    if not repeated and not ends:
        return None
    end = min(ends, default=None)
    keep = np.ones(len(chunk.rows), bool)
    keep[repeated] = False
    numbers = chunk.rows[repeated]
    if end is not None:
        keep &= chunk.rows < end
        numbers = numbers[numbers < end]
        ragged = ragged.keep(ragged.rows < end)
    stop = "" if end is None else f"row {end} has other headings: split the log there."
    return replace(chunk.keep(keep), ragged=ragged, headings=numbers.tolist(), stop=stop)


def _wordy(table: pa.Table, rows: Rows) -> Iterable[tuple[int, list[str]]]:
    """Positions and filled cells of the rows that contain no digit."""
    for column in table.columns:
        rows = rows[~matches(one_array(column.take(pa.array(rows))), r"\d")]
        if not len(rows):
            return []
    found = zip(*(column.to_pylist() for column in table.take(pa.array(rows)).columns), strict=True)
    filled = ([cell for cell in cells if cell] for cells in found)
    return list(zip(rows.tolist(), filled, strict=True))


def _bare(cells: Sequence[str]) -> tuple[str, ...]:
    return tuple(cell.strip().lower() for cell in cells if cell.strip())
