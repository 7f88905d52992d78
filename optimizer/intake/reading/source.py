"""An opened log: its headings, and chunks of its rows as written."""

from __future__ import annotations

import lzma
import zipfile
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

if TYPE_CHECKING:
    from numpy.typing import NDArray

Decimal = Literal["point", "comma", "never"]
"""Notation of numbers in a log: with a decimal point, with a decimal comma, or (in a
comma-separated log) without commas."""

# Errors that reading a damaged, truncated or protected file raises, for all kinds of packing.
DAMAGE = (
    OSError,
    EOFError,
    zlib.error,
    lzma.LZMAError,
    zipfile.BadZipFile,
    NotImplementedError,  # a compression that this Python does not support
    RuntimeError,  # the file needs a password
    ValueError,  # a position before the start of the file
)


ZERO = "\N{SYMBOL FOR NULL}"
"""Character shown in place of zero bytes, which a logger leaves in a row when it loses power."""


class RaggedRow(NamedTuple):
    """A row whose number of cells differs from the number of headings."""

    row: int
    cells: list[str]


@dataclass(frozen=True)
class Ragged:
    """Rows whose numbers of cells differ from the number of headings.

    Args:
        rows: row numbers, shape (n,).
        table: the cells as text, one column for each heading, null where a cell is missing.
        counts: number of cells of each row, shape (n,).
        beyond: the cells beyond the headings, joined by bars, null where there are none.
    """

    rows: NDArray[np.int64]
    table: pa.Table
    counts: NDArray[np.int64]
    beyond: pa.Array

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def torn(self) -> NDArray[np.bool_]:
        """Which rows contain zero bytes, shape (n,)."""
        columns = [*self.table.columns, self.beyond]
        held = [pc.fill_null(pc.match_substring(column, ZERO), False) for column in columns]
        masks = [np.asarray(mask.to_numpy(zero_copy_only=False), bool) for mask in held]
        return np.logical_or.reduce(masks)

    def __iter__(self) -> Iterator[RaggedRow]:
        columns = [column.to_pylist() for column in self.table.columns]
        for k, (row, count, beyond) in enumerate(
            zip(self.rows.tolist(), self.counts.tolist(), self.beyond.to_pylist(), strict=True)
        ):
            cells = [column[k] or "" for column in columns][:count]
            yield RaggedRow(row, cells + ([] if beyond is None else beyond.split(" | ")))

    @classmethod
    def of(cls, rows: Sequence[int], cells: Sequence[Sequence[str]], width: int) -> Ragged:
        """The table of ragged rows that are given as lists of cells."""
        padded = [[cell or None for cell in row[:width]] for row in cells]
        padded = [row + [None] * (width - len(row)) for row in padded]
        columns = zip(*padded, strict=True) if padded else [()] * width
        table = pa.table(
            [pa.array(column, pa.string()) for column in columns],
            names=[str(k) for k in range(width)],
        )
        beyond = [" | ".join(row[width:]) if len(row) > width else None for row in cells]
        return cls(
            np.array(rows, np.int64),
            table,
            np.array([len(row) for row in cells], np.int64),
            pa.array(beyond, pa.string()),
        )

    def keep(self, mask: NDArray[np.bool_]) -> Ragged:
        """The ragged rows of a mask or index."""
        chosen = pa.array(mask)
        table, beyond = self.table.filter(chosen), self.beyond.filter(chosen)
        return Ragged(self.rows[mask], table, self.counts[mask], beyond)


@dataclass
class Chunk:
    """A number of successive rows of a log.

    Args:
        table: one column for each heading, in order, with numbers where the reader could convert
            them.
        rows: row numbers, shape (n,).
        read_text: function that returns the rows of ``table`` as text as written.
        ragged: further rows, whose cells do not fit the columns.
        headings: row numbers of repeated headings, which are not in the table.
        stop: reason why the log cannot be read beyond these rows; empty when it can.
        decimal: notation of numbers in these rows; None for the notation of the log.
        unrun: number of trials that were not run yet, whose rows are not in the table.
    """

    table: pa.Table
    rows: NDArray[np.int64]
    read_text: Callable[[], pa.Table]
    ragged: Ragged = field(default_factory=lambda: Ragged.of([], [], 0))
    headings: list[int] = field(default_factory=list)
    stop: str = ""
    decimal: Decimal | None = None
    unrun: int = 0

    @cached_property
    def text(self) -> pa.Table:
        """The rows as text as written; empty cells are null."""
        return self.read_text()

    def keep(self, mask: NDArray[np.bool_]) -> Chunk:
        """The chunk with only the rows of a mask or index."""
        chosen = pa.array(mask)
        table = self.table.filter(chosen)
        return Chunk(
            table,
            self.rows[mask],
            (lambda: table) if self.text is self.table else lambda: self.text.filter(chosen),
            self.ragged,
            self.headings,
            self.stop,
            self.decimal,
            self.unrun,
        )


@dataclass(frozen=True)
class Source:
    """An opened log, with its headings and an iterator of its chunks.

    Args:
        name: name of the log as the user gave it.
        headings: headings as written.
        parts: function from the indices of numeric columns to an iterator of functions, each of
            which returns one chunk, so that chunks can be made in parallel.
        decimal: notation of numbers.
        repeats: the rows of headings and of units as written; a later row with equal cells is not a
            run.
        warnings: sentences about parts that were not read.
        titles: the filled cells above the headings.
    """

    name: str
    headings: tuple[str, ...]
    parts: Callable[[frozenset[int]], Iterator[Callable[[], Chunk]]]
    decimal: Decimal = "point"
    repeats: tuple[tuple[str, ...], ...] = ()
    warnings: tuple[str, ...] = ()
    titles: tuple[str, ...] = ()
