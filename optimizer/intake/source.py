"""An opened log: its headings, and then its rows in chunks, as they stood."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import pyarrow as pa

from optimizer.intake.values import Decimal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray


@dataclass(frozen=True)
class Ragged:
    """A row whose cells are not as many as the headings."""

    row: int
    cells: list[str]


@dataclass
class Chunk:
    """Some rows of a log.

    Args:
        table: one column a heading, in order; numbers where the reader could make them.
        rows: row numbers, shape (n,).
        read_text: gives the same rows as they stood, as text.
        ragged: further rows that fit no column.
    """

    table: pa.Table
    rows: NDArray[np.int64]
    read_text: Callable[[], pa.Table]
    ragged: list[Ragged] = field(default_factory=list)

    @cached_property
    def text(self) -> pa.Table:
        """The rows as they stood; empty cells are null."""
        return self.read_text()


class Source:
    """An opened log: its headings, and then its chunks.

    Args:
        name: the log as the user named it.
        headings: as they stood.
        decimal: how numbers are written.
        parts: gives one function a chunk, so that chunks can be made side by side; takes the
            indices of the columns that should hold numbers.
    """

    def __init__(
        self,
        name: str,
        headings: Sequence[str],
        parts: Callable[[frozenset[int]], Iterator[Callable[[], Chunk]]],
        decimal: Decimal = "point",
    ) -> None:
        self.name = name
        self.headings = tuple(headings)
        self.decimal = decimal
        self.parts = parts
