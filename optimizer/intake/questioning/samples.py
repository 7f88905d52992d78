"""A sample of the runs of a line, of bounded size however many runs there are."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask
from optimizer.history.identity import mix
from optimizer.history.schema import FRACTIONS
from optimizer.plant.run_columns import EVEN, Kind, names_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats: TypeAlias = NDArray[np.float64]
    Rows: TypeAlias = NDArray[np.int64]

START = "started_at"
READINGS = (*FRACTIONS, *names_of(Kind.count))
"""Columns that are measured, and that only an even deck makes comparable between runs."""
MOST_RUNS = 8192
"""Number of runs of a line from which on a sample is thinned out."""


def numbers(batch: pa.RecordBatch, name: str) -> Floats:
    """A column as numbers, shape (n,): NaN where it is empty or missing, times in microseconds."""
    at = batch.schema.get_field_index(name)
    if at < 0:
        return np.full(len(batch), np.nan)
    column = batch.column(at)
    if pa.types.is_timestamp(column.type):
        column = column.cast(pa.int64())
    return np.asarray(column.to_numpy(zero_copy_only=False), dtype=np.float64)


def comparable(batch: pa.RecordBatch, name: str, even: NDArray[np.bool_]) -> Floats:
    """A column as ``numbers`` gives it, with NaN for readings of a deck that did not run even."""
    values = numbers(batch, name)
    return np.where(even, values, np.nan) if name in READINGS and not even.all() else values


def ran_even(batch: pa.RecordBatch) -> NDArray[np.bool_]:
    """Which runs had an even deck, shape (n,)."""
    return as_mask(pc.equal(batch.column("deck_state"), EVEN))


def by_line(batch: pa.RecordBatch) -> Iterator[tuple[str, Rows]]:
    """The lines of a batch, each with the positions of its rows."""
    coded = batch.column("line").dictionary_encode()
    codes, lines = coded.indices.to_numpy(), coded.dictionary.to_pylist()
    if len(lines) == 1:
        yield lines[0], np.arange(len(batch))
        return
    order = np.argsort(codes, kind="stable")
    ends = np.cumsum(np.bincount(codes, minlength=len(lines)))
    for line, start, end in zip(lines, [0, *ends], ends, strict=False):
        yield line, order[start:end]


class Sample:
    """The columns of some runs of one line, chosen without regard to their values.

    A run is kept if the hash of its number among all runs ends in enough zero bits, so that a
    sample does not depend on chance, and thins out evenly as runs are added.

    Args:
        names: the columns, in stored units.

    Attributes:
        seen: number of runs added so far, of which the sample keeps some.
    """

    def __init__(self, names: Sequence[str]) -> None:
        self.names = (*names, START)
        self.seen = 0
        self._bits = np.uint64(0)
        self._hashes = np.zeros(0, np.uint64)
        self._parts: dict[str, list[Floats]] = {name: [] for name in self.names}

    def add(self, batch: pa.RecordBatch, rows: Rows) -> None:
        """Add the runs of a batch that are at the given positions."""
        hashes = mix(np.arange(self.seen, self.seen + len(rows), dtype=np.uint64))
        self.seen += len(rows)
        kept = (hashes & self._bits) == 0
        if not kept.any():
            return
        columns = [n for n in (*self.names, "deck_state") if n in batch.schema.names]
        chosen = batch.select(columns)
        if len(rows) < len(batch) or not kept.all():
            chosen = chosen.take(pa.array(rows[kept]))
        even = ran_even(chosen)
        for name, parts in self._parts.items():
            parts.append(comparable(chosen, name, even))
        self._hashes = np.concatenate([self._hashes, hashes[kept]])
        while len(self._hashes) > 2 * MOST_RUNS:
            self._thin_out()

    def column(self, name: str) -> Floats:
        """The values of a column that are not empty, in ascending order."""
        values = np.concatenate([np.zeros(0), *self._parts[name]])
        return np.sort(values[~np.isnan(values)])

    def columns(self) -> dict[str, Floats]:
        """All columns by name, each as ``column`` gives it."""
        return {name: self.column(name) for name in self.names}

    def _thin_out(self) -> None:
        self._bits = self._bits << np.uint64(1) | np.uint64(1)
        kept = (self._hashes & self._bits) == 0
        self._hashes = self._hashes[kept]
        for name, parts in self._parts.items():
            self._parts[name] = [np.concatenate(parts)[kept]]
