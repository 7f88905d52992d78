"""Checks one chunk of a log by itself and converts its faulty rows to rejects.

Decisions that depend on other chunks or on the history are made in ``loading``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask, one_array
from optimizer.history.identity import Identified, KnownRuns
from optimizer.intake.checking.checks import Checked, check
from optimizer.intake.checking.fields import Fields, Log
from optimizer.intake.reading.columns import MARK_COLUMN, REJECT_COLUMNS, Headings
from optimizer.intake.reading.long_texts import quoted, with_texts_cut
from optimizer.intake.reading.repeated_headings import without_headings
from optimizer.intake.reading.source import ZERO, Chunk, Decimal, Ragged
from optimizer.intake.settling.rejects import PLACE, named_cells, ragged_cells, reject_table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]
    Indices = NDArray[np.int64]


# Fields of a result: a trial has a result if any of these is filled in.
RESULTS = ("grade", "recovery", "middlings_share", "middlings_grade", "deck_state")


_TORN = (
    f"row has zero bytes (shown as {ZERO}), as a logger leaves them where it lost power: write it "
    "anew or delete it"
)


@dataclass
class Examined:
    """A chunk with the outcome of its checks, its runs with their ids, and its rejects."""

    chunk: Chunk
    checked: Checked
    identified: Identified
    rejects: Sequence[pa.Table]


@dataclass
class Rows:
    """The rows of logs that runs were made from.

    Args:
        found: the examined chunks that contain the rows.
        which: position in ``found`` of the chunk of each row, shape (n,).
        place: position of each row in its chunk, shape (n,).
        owner: index of the run of each row, shape (n,).
    """

    found: Sequence[Examined]
    which: Indices
    place: Indices
    owner: Indices

    def of(self, chosen: Mask, number: Indices, log: Log) -> tuple[Indices, pa.Table, pa.Table]:
        """Some of the rows, as arguments of ``Conflicts.add``.

        Args:
            chosen: mask of the rows, shape (n,).
            number: new index of each run.
            log: the properties of their log.
        """
        rejects, cells, owners = [], [], []
        for k, found in enumerate(self.found):
            here = chosen & (self.which == k)
            rows = self.place[here]
            blank = pa.repeat("", len(rows))
            rejects.append(
                rows_as_rejects(found.chunk, log, rows, pa.repeat("run_id", len(rows)), blank)
            )
            fields = Fields(found.chunk, log)
            names = list(log.binding.columns)
            cells.append(pa.table([fields.cells(n, rows, bare=False) for n in names], names=names))
            owners.append(number[self.owner[here]])
        return np.concatenate(owners), pa.concat_tables(rejects), pa.concat_tables(cells)


def as_they_stood(found: Examined) -> Chunk:
    """The rows of a chunk, as written, that wait for the rest of the log."""
    chunk, rows = found.chunk, found.checked.unsure
    text = chunk.text.take(pa.array(rows)).combine_chunks()
    return Chunk(text, chunk.rows[rows], lambda: text, decimal=chunk.decimal)


def joined_chunks(chunks: Sequence[Chunk]) -> Chunk:
    """Several chunks of waiting rows, joined to one chunk."""
    text = pa.concat_tables([chunk.table for chunk in chunks]).combine_chunks()
    rows = np.concatenate([chunk.rows for chunk in chunks])
    return Chunk(text, rows, lambda: text, decimal=chunks[0].decimal)


def by_mark(part: Callable[[], Chunk], headings: Sequence[str]) -> Iterator[Callable[[], Chunk]]:
    """A chunk of a rejects file, split by the decimal marks of the logs that its rows came from."""
    chunk = part()
    marks = pc.fill_null(chunk.text.column(list(headings).index(MARK_COLUMN)), "")
    known: tuple[Decimal, ...] = ("point", "comma")
    left = np.ones(len(chunk.rows), bool)
    for mark in known:
        same = as_mask(pc.equal(marks, mark))
        left &= ~same
        if same.any():
            alike = replace(chunk.keep(same), ragged=Ragged.of([], [], 0), decimal=mark)
            yield partial(_itself, alike)
    yield partial(_itself, chunk.keep(left))


def _itself(chunk: Chunk) -> Chunk:
    return chunk


def examine(
    part: Callable[[], Chunk],
    log: Log,
    known: KnownRuns,
    names: Headings,
    repeats: Sequence[Sequence[str]],
) -> Examined:
    """Do all work on a chunk that does not depend on other chunks."""
    chunk = with_texts_cut(part())
    if log.trials:
        chunk = _without_unrun(chunk, log)
    log = replace(log, decimal=chunk.decimal or log.decimal)
    checked = check(chunk, log)
    if len(checked.rejected) or len(chunk.ragged):
        rejected = checked.rejected
        cut = without_headings(chunk, rejected, log.binding.headings, repeats, names)
        if cut is not None:
            chunk, checked = cut, check(cut, log)
    return Examined(chunk, checked, known.identify(checked.runs), _rejects_of(chunk, checked, log))


def _without_unrun(chunk: Chunk, log: Log) -> Chunk:
    """A chunk of a trial sheet without the trials that have no result yet."""
    fields, rows = Fields(chunk, log), np.arange(len(chunk.rows))
    filled = [as_mask(pc.not_equal(fields.cells(name, rows), "")) for name in RESULTS]
    run = np.logical_or.reduce(filled)
    return chunk if run.all() else replace(chunk.keep(run), unrun=int((~run).sum()))


# -- rejects -----------------------------------------------------------------------------------


def _rejects_of(chunk: Chunk, checked: Checked, log: Log) -> list[pa.Table]:
    """The faulty rows of a chunk, as rejects."""
    rejects = []
    if len(checked.rejected):
        field, reason = checked.faults.of(checked.rejected)
        rejects.append(rows_as_rejects(chunk, log, checked.rejected, field, reason))
    if len(chunk.ragged):
        rejects.append(_ragged_rejects(chunk, log))
    return rejects


def rows_as_rejects(
    chunk: Chunk, log: Log, rows: Indices, field: pa.Array, reason: pa.Array
) -> pa.Table:
    """Some rows of a chunk as rejects, given the faulty field and the reason of each row."""
    fields = Fields(chunk, log)
    value = pa.repeat("", len(rows))
    for name in pc.unique(field).to_pylist():
        here = pc.equal(field, name)
        if fields.has(name):
            value = pc.if_else(here, quoted(fields.cells(name, rows, bare=False)), value)
    text = chunk.text.take(pa.array(rows)).combine_chunks()
    numbers = pa.array(chunk.rows[rows])
    file: str | pa.Array = log.name
    if log.binding.is_rejects_file:  # a row keeps the place of its first log
        file = pc.fill_null(one_array(text.column(0)), log.name)
        numbers = pc.coalesce(_whole_numbers(text.column(1)), numbers)
    return reject_table(file, numbers, field, value, reason, _own_cells(log, text))


def _own_cells(log: Log, text: pa.Table) -> pa.Table:
    """The cells of rows by heading, as in their own log."""
    leading = len(REJECT_COLUMNS) if log.binding.is_rejects_file else 0
    own = text.select(range(leading, text.num_columns))
    return _with_context(log, named_cells(log.binding.headings[leading:], own))


def _has_commas(cells: pa.Table) -> bool:
    return any(pc.any(pc.match_substring(c, ",")).as_py() for c in cells.columns)


def _with_context(log: Log, cells: pa.Table) -> pa.Table:
    """The cells, with columns of a rejects file that describe their log.

    These columns are the line that the options gave, and the decimal mark.
    """
    if "line" not in log.binding.columns and log.line is not None:
        line = pa.repeat(log.line, len(cells))
        if "line" in cells.column_names:
            cells = cells.set_column(cells.column_names.index("line"), "line", line)
        else:
            cells = cells.append_column("line", line)
    marked = log.decimal == "comma" or (log.decimal == "point" and _has_commas(cells))
    if not marked or MARK_COLUMN in cells.column_names:
        return cells
    return cells.append_column(MARK_COLUMN, pa.repeat(log.decimal, len(cells)))


def _ragged_rejects(chunk: Chunk, log: Log) -> pa.Table:
    ragged, headings = chunk.ragged, log.binding.headings
    m = max((k for k, heading in enumerate(headings, 1) if heading.strip()), default=0)
    advice = pa.repeat("check for a delimiter inside a cell", len(ragged.rows))
    if log.decimal == "never":
        comma = (
            "check for a decimal comma, which a comma-separated log cannot have: write a decimal "
            "point, or separate the columns with semicolons"
        )
        advice = pc.if_else(pa.array(ragged.counts > m), comma, advice)
    counts = pa.array(ragged.counts).cast(pa.string())
    middle = f" cells and there are {m} headings: "
    reason = pc.binary_join_element_wise("row has ", counts, middle, advice, "")
    reason = pc.if_else(pa.array(ragged.torn), _TORN, reason)
    cells = _with_context(log, ragged_cells(headings, ragged))
    n = len(ragged.rows)
    return reject_table(
        log.name, pa.array(ragged.rows), pa.repeat("row", n), pa.repeat("", n), reason, cells
    )


def places_of(chunk: Chunk) -> pa.Table:
    """Places of the rows of a rejects file, whose earlier rejects are replaced by the outcome of
    this load."""
    file, row, reason = (one_array(chunk.text.column(REJECT_COLUMNS.index(name))) for name in PLACE)
    columns = [
        pc.fill_null(file, ""),
        pc.fill_null(_whole_numbers(row), 0),
        pc.fill_null(reason, ""),
    ]
    return pa.table(columns, names=list(PLACE))


def _whole_numbers(texts: pa.Array | pa.ChunkedArray) -> pa.Array:
    """Texts as whole numbers, null where a text is not a whole number."""
    text = pc.utf8_trim_whitespace(one_array(texts))
    digits = as_mask(pc.match_substring_regex(text, r"^\d{1,18}$"))
    return pc.if_else(pa.array(digits), text, None).cast(pa.int64())
