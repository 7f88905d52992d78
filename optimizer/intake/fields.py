"""One chunk of a log as fields: text, states and numbers in stored units, and what is at fault.

Everything is done a column at a time; only rows at fault are looked at one by one, to say what
stood there, what was expected and what to do.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.config import FEED_GRADE, Site
from optimizer.errors import InputError
from optimizer.intake.columns import Binding, Column, is_percent
from optimizer.intake.schema import FRACTIONS, declared_unit, scaled, stored_factor
from optimizer.intake.source import Chunk
from optimizer.intake.values import Decimal, as_text, numbers

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]
    Floats = NDArray[np.float64]

# A standard error above this is no error of a fraction: the fraction could be anything.
HIGHEST_SE = 0.5
NEEDED = ("grade", "recovery")

Reason = str | Callable[[int], str]


@dataclass(frozen=True)
class Log:
    """What is the same for all rows of one log.

    Args:
        name: the log as the user named it.
        source: file name that the history keeps.
        site, binding, decimal: how to read it.
        line: line of rows that name none, or None.
    """

    name: str
    source: str
    site: Site
    binding: Binding
    decimal: Decimal
    line: str | None


def cell_of(chunk: Chunk, log: Log, name: str, row: int) -> str:
    """The cell of a field as it stood; empty when there is none."""
    for column in log.binding.columns.get(name, ()):
        cell = chunk.text.column(column.index)[row].as_py()
        if cell:
            return str(cell)
    return ""


class Fields:
    """The fields of one chunk, read one after the other; faults collect on the way.

    Args:
        chunk, log: the rows, and how to read them.

    Attributes:
        n: number of rows.
        bad: which rows have any fault, shape (n,).
    """

    def __init__(self, chunk: Chunk, log: Log) -> None:
        self.chunk, self.log, self.site = chunk, log, log.site
        self.n = chunk.table.num_rows
        self.bad = np.zeros(self.n, bool)
        self._found: list[tuple[str, Mask, Reason]] = []

    def has(self, name: str) -> bool:
        """Whether the log has a column for the field."""
        return name in self.log.binding.columns

    def columns(self, name: str) -> tuple[Column, ...]:
        """Columns of a field; more than one only in a rejects file."""
        return self.log.binding.columns.get(name, ())

    # -- faults ------------------------------------------------------------------------------

    def fault(self, name: str, mask: Mask, reason: Reason) -> None:
        """Notes rows at fault, shape (n,)."""
        if mask.any():
            self.bad |= mask
            self._found.append((name, mask, reason))

    def faults(self) -> dict[int, tuple[str, str]]:
        """First field and joined reasons of each faulty row, by position."""
        first: dict[int, str] = {}
        reasons: dict[int, list[str]] = {}
        for name, mask, reason in self._found:
            for row in np.flatnonzero(mask).tolist():
                first.setdefault(row, name)
                said = reason if isinstance(reason, str) else reason(row)
                reasons.setdefault(row, []).append(f"{name} {said}")
        return {row: (first[row], "; ".join(reasons[row])) for row in sorted(first)}

    def cell(self, name: str, row: int) -> str:
        """The trimmed cell of a field as it stood."""
        return cell_of(self.chunk, self.log, name, row).strip()

    def expecting(self, name: str, what: str) -> Reason:
        """A reason that ends with what was expected; ``{value}`` and ``{line}`` are filled in."""

        def said(row: int) -> str:
            shown = what.format(value=self.cell(name, row), line=self.line_of(row))
            return f"{shown}: expected {self.expected(name, row)}"

        return said

    def expected(self, name: str, row: int) -> str:
        """What a number of this field should be, in words."""
        if name == "grade_count":
            return "a whole number above 0"
        if name in FRACTIONS:
            top = 1.0 if name in NEEDED else HIGHEST_SE
            per_cent = any(is_percent(c.unit) for c in self.columns(name))
            return f"from 0 to {100 * top:g} %" if per_cent else f"a fraction from 0 to {top:g}"
        line = self.line_of(row)
        low, high = self.limits(name, line)
        unit = declared_unit(self.site, name, line)
        return f"a number from {low:g} to {high:g} {unit}".rstrip()

    def limits(self, name: str, line: str | None) -> tuple[float, float]:
        """Declared range of a setting on a line or of a material variable, in declared units."""
        place = (
            self.site.space_of(line)[name]
            if name in self.site.space.names
            else self.site.material[name]
        )
        return place.low, place.high

    # -- lines -------------------------------------------------------------------------------

    @cached_property
    def line(self) -> pa.Array:
        """Line of each row, null where none is named; shape (n,)."""
        given = self.text("line")
        return given if self.log.line is None else pc.fill_null(given, self.log.line)

    @cached_property
    def _lines(self) -> tuple[list[str | None], NDArray[np.int64] | None]:
        """Lines of this chunk, and the line of each row as a position, None when there is one."""
        coded = self.line.dictionary_encode(null_encoding="encode")
        names = coded.dictionary.to_pylist() or [None]
        return names, None if len(names) == 1 else coded.indices.to_numpy().astype(np.int64)

    def by_line(self, of: Callable[[str | None], float]) -> float | Floats:
        """A number that depends on the line: one for all rows, or shape (n,)."""
        names, codes = self._lines
        each = np.array([of(name) for name in names], dtype=float)
        same = codes is None or np.all(each == each[0])
        return float(each[0]) if same else each[codes]

    def line_of(self, row: int) -> str | None:
        """Line of one row."""
        names, codes = self._lines
        return names[0 if codes is None else codes[row]]

    # -- text and numbers --------------------------------------------------------------------

    def text(self, name: str) -> pa.Array:
        """Trimmed text of a field, empty as null, shape (n,)."""
        texts = [
            _blank_as_null(as_text(self.chunk.table.column(c.index))) for c in self.columns(name)
        ]
        if not texts:
            return pa.nulls(self.n, pa.string())
        return one_array(texts[0] if len(texts) == 1 else pc.coalesce(*texts))

    def number(self, name: str) -> tuple[Floats, Mask]:
        """A field in stored units, NaN where empty, and which cells cannot be read; (n,) each."""
        values, unread = np.full(self.n, np.nan), np.zeros(self.n, bool)
        for k, column in enumerate(self.columns(name)):
            read, faulty = self._column(name, column)
            unread |= faulty
            if k == 0:
                values = read
                continue
            twice = ~np.isnan(values) & ~np.isnan(read)
            self.fault(name, twice, "stands in two columns of this row: empty one")
            unread |= twice
            values = np.where(np.isnan(values), read, values)
        infinite = np.isinf(values) & ~unread
        self.fault(name, infinite, self.expecting(name, "'{value}' is not finite"))
        return values, unread | infinite

    def _column(self, name: str, column: Column) -> tuple[Floats, Mask]:
        """One column in stored units, and which cells cannot be read."""
        read = numbers(self.chunk.table.column(column.index), self.log.decimal)
        unread = np.zeros(self.n, bool)
        for mask, reason in read.faults:
            self.fault(name, mask, self.expecting(name, reason))
            unread |= mask
        by = self.by_line(lambda line: self._factor(name, line, column.unit))
        unlike = np.isnan(by) & ~np.isnan(read.values) & ~unread
        if unlike.any():
            reason = f"has the unit '{column.unit}', which line '{{line}}' does not measure it in"
            self.fault(name, unlike, self.expecting(name, reason))
            unread |= unlike
        values = scaled(read.values, by)
        if read.percent is not None:
            values, refused = self._percent_cells(name, column, read.values, values, read.percent)
            self.fault(name, refused, self.expecting(name, "'{value}' has a per cent sign"))
            unread |= refused
        return values, unread

    def _factor(self, name: str, line: str | None, unit: str | None) -> float:
        """Factor to the stored unit, NaN where the line does not measure the field in the unit."""
        if name == "grade_count":
            return 1.0
        try:
            return stored_factor(self.site, name, line, unit)
        except InputError:
            return float("nan")

    def _percent_cells(
        self, name: str, column: Column, raw: Floats, values: Floats, percent: Mask
    ) -> tuple[Floats, Mask]:
        """Values with cells such as '97.2 %' taken as per cent, and where a sign has no place."""
        unit = declared_unit(self.site, name, None) if column.unit is None else column.unit
        if is_percent(unit):
            return values, np.zeros(self.n, bool)
        if name in FRACTIONS or name == FEED_GRADE:
            return np.where(percent, raw / 100.0, values), np.zeros(self.n, bool)
        return values, percent & ~np.isnan(raw)


def one_array(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    """A column in one piece."""
    return column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column


def _blank_as_null(column: pa.ChunkedArray) -> pa.ChunkedArray:
    trimmed = pc.utf8_trim_whitespace(column)
    return pc.if_else(pc.equal(trimmed, ""), pa.scalar(None, pa.string()), trimmed)
