"""An opened log: its headings, and its rows in chunks, as they are written."""

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
"""How a log writes numbers: with a decimal point, a decimal comma, or (in a comma-separated log)
never with a comma."""

# Errors raised by reading a damaged, cut or protected file, however it is packed.
DAMAGE = (
    OSError,
    EOFError,
    zlib.error,
    lzma.LZMAError,
    zipfile.BadZipFile,
    NotImplementedError,  # a compression that this Python does not know
    RuntimeError,  # a password is needed
    ValueError,  # a place before the start of the file
)


ZERO = "\N{SYMBOL FOR NULL}"
"""Replaces the zero bytes that a logger leaves in a row where it lost power."""


class RaggedRow(NamedTuple):
    """A row whose cells are not as many as the headings."""

    row: int
    cells: list[str]


@dataclass(frozen=True)
class Ragged:
    """Rows whose cells are not as many as the headings.

    Args:
        rows: row numbers, shape (n,).
        table: as many cells as there are headings, as text, missing ones null.
        counts: how many cells each row has, shape (n,).
        beyond: the cells beyond the headings, joined by bars, null where there are no such cells.
    """

    rows: NDArray[np.int64]
    table: pa.Table
    counts: NDArray[np.int64]
    beyond: pa.Array

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def torn(self) -> NDArray[np.bool_]:
        """Which rows have zeros in them, shape (n,)."""
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
        """Ragged rows from lists of cells."""
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
        """Some of the rows."""
        chosen = pa.array(mask)
        table, beyond = self.table.filter(chosen), self.beyond.filter(chosen)
        return Ragged(self.rows[mask], table, self.counts[mask], beyond)


@dataclass
class Chunk:
    """Some rows of a log.

    Args:
        table: one column a heading, in order; numbers where the reader could make them.
        rows: row numbers, shape (n,).
        read_text: gives the same rows as they stood, as text.
        ragged: further rows, that fit no column.
        headings: numbers of rows that repeat the headings, left out of the table.
        stop: why the log cannot be read beyond these rows, or empty.
        decimal: how these rows write numbers, where it is not as the rest of the log.
        unrun: number of rows that are trials not run yet, left out of the table.
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
        """The rows as they stood; empty cells are null."""
        return self.read_text()

    def keep(self, mask: NDArray[np.bool_]) -> Chunk:
        """The chunk with some of its rows only."""
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
    """An opened log: its headings, and then its chunks.

    Args:
        name: the log as the user named it.
        headings: as they stood.
        parts: gives one function a chunk, so that chunks can be made side by side; takes the
            indices of the columns that should hold numbers.
        decimal: how numbers are written.
        repeats: the rows of headings and of units as they stood; the same cells further down are
            not a run.
        warnings: what was left out on opening.
    """

    name: str
    headings: tuple[str, ...]
    parts: Callable[[frozenset[int]], Iterator[Callable[[], Chunk]]]
    decimal: Decimal = "point"
    repeats: tuple[tuple[str, ...], ...] = ()
    warnings: tuple[str, ...] = ()
