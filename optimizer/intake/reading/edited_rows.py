"""Puts cells that a person wrote in place of those of a row, without a change of the file."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import partial
from typing import TypeAlias

import numpy as np
import pyarrow as pa

from optimizer.intake.reading.columns import REJECT_COLUMNS, SHAPE_COLUMN, is_rejects_file
from optimizer.intake.reading.source import Chunk, Ragged, Source

Edits: TypeAlias = Mapping[tuple[str, int], Sequence[str]]
"""New cells of rows, one for each heading, by the name of the log and the number of the row."""


def with_edits(source: Source, edits: Edits) -> Source:
    """A log with the cells of its edited rows.

    A row that had too few or too many cells is a row like others once it is edited. In a file of
    rejected rows, the place of an edited row stays as it is, and so does its decimal mark.
    """
    own = {row: cells for (log, row), cells in edits.items() if log == source.name}
    if not own:
        return source

    def parts(numeric: frozenset[int]) -> Iterator[Callable[[], Chunk]]:
        for part in source.parts(numeric):
            yield partial(_edited, part, own, source.headings)

    return replace(source, parts=parts)


def _edited(
    part: Callable[[], Chunk], edits: Mapping[int, Sequence[str]], headings: Sequence[str]
) -> Chunk:
    chunk = part()
    wanted = list(edits)
    even, odd = np.isin(chunk.rows, wanted), np.isin(chunk.ragged.rows, wanted)
    if not even.any() and not odd.any():
        return chunk
    rows = [*chunk.rows[even].tolist(), *chunk.ragged.rows[odd].tolist()]
    width = len(headings)
    kept = chunk.keep(even).text
    before = [["" if cell is None else cell for cell in row] for row in _rows_of(kept)]
    before += [[""] * width] * int(odd.sum())
    fixed = _fixed(headings)
    written = []
    for row, old in zip(rows, before, strict=True):
        cells = [*edits[row], *[""] * width][:width]
        written.append([old[k] if k in fixed else cell for k, cell in enumerate(cells)])
    if SHAPE_COLUMN in headings and is_rejects_file(headings):
        for cells in written:
            cells[list(headings).index(SHAPE_COLUMN)] = ""
    names = chunk.table.column_names
    new = Ragged.of(rows, written, width).table.rename_columns(names)
    text = pa.concat_tables([chunk.text.filter(pa.array(~even)).cast(new.schema), new])
    numbers = np.concatenate([chunk.rows[~even], np.array(rows, np.int64)])
    order = np.argsort(numbers, kind="stable")
    table = text.take(pa.array(order)).combine_chunks()
    return replace(
        chunk,
        table=table,
        rows=numbers[order],
        read_text=lambda: table,
        ragged=chunk.ragged.keep(~odd),
    )


def _rows_of(table: pa.Table) -> Iterator[tuple[str | None, ...]]:
    return zip(*(column.to_pylist() for column in table.columns), strict=True)


def _fixed(headings: Sequence[str]) -> frozenset[int]:
    """Indices of the columns that an edit does not change: in a file of rejected rows, the
    place."""
    return frozenset(range(len(REJECT_COLUMNS) if is_rejects_file(headings) else 0))
