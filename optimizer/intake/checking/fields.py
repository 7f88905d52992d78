"""The fields of one chunk of a log: text, states and numbers in stored units, and their faults.

All operations work on whole columns. The reason of a fault says what the cell contains, what was
expected and what to do.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property, partial
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import InputError
from optimizer.history.arrow import one_array
from optimizer.history.schema import CORRELATIONS, FRACTIONS, declared_unit
from optimizer.history.stored_units import StoredUnits
from optimizer.intake.checking.faults import Faults, Fill
from optimizer.intake.checking.texts import blank_as_null, in_one_spelling
from optimizer.intake.reading.columns import Binding, Column, is_percent
from optimizer.intake.reading.long_texts import quoted
from optimizer.intake.reading.source import Chunk, Decimal
from optimizer.intake.reading.values import TWO_WAYS, Numbers, as_text, both_numbers, numbers
from optimizer.plant.conversions import Conversion, Factor, chain
from optimizer.plant.moments import DateOrder
from optimizer.plant.run_columns import Kind, names_of
from optimizer.plant.site import Site
from optimizer.text.names import composed

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Rows = NDArray[np.int64]

# A fraction with a standard error above this carries no information.
_HIGHEST_SE = 0.5
NEEDED = ("grade", "recovery")
COUNTS = (*names_of(Kind.count), "samples")
# Largest number of units in a column. A column of numbers has a few units; in a column of prose
# each cell seems to have its own unit.
MOST_UNITS = 50
AS_COUNTED = Factor(1.0)


def highest_fraction(name: str) -> float:
    """The highest value of a share or of a standard error of one."""
    return _HIGHEST_SE if name.endswith("_se") else 1.0


@dataclass(frozen=True)
class Log:
    """Properties that all rows of one log share.

    Args:
        name: name of the log as the user gave it.
        source: file name that the history stores.
        units, binding, decimal: the units of the plant and of the history, the fields of the
            columns, and the notation of numbers.
        latest: latest possible start of a run, see ``latest_start``.
        line: line of the rows that name none, or None.
        timed: whether each row needs a time.
        trials: whether a row without any result is a trial that was not run yet, rather than a
            fault.
        sheet_date: day of the clock times that stand without a date; None where that is not known.
        dated_by: where that day stands.
        date_order: order of day, month and year that the options state; None where they state none.
        proof: what the cells of each column prove about its notation, by index; None while the log
            is still being read.
        conversions: conversions from units to stored units, by field and line, as far as already
            found; None where a unit does not fit.
    """

    name: str
    source: str
    units: StoredUnits
    binding: Binding
    decimal: Decimal
    latest: int
    line: str | None
    timed: bool = False
    trials: bool = False
    sheet_date: date | None = None
    dated_by: str = ""
    date_order: DateOrder | None = None
    proof: Mapping[int, int] | None = None
    conversions: dict[tuple[str, str | None, str | None], Conversion | None] = field(
        default_factory=dict
    )

    @property
    def site(self) -> Site:
        """The plant."""
        return self.units.site

    def proof_of(self, column: Column) -> int | None:
        """What the cells of a column prove about its notation; None while that is not known."""
        return None if self.proof is None else self.proof.get(column.index, 0)


class Fields:
    """Reads the fields of one chunk one after another, and collects their faults.

    Args:
        chunk: the rows.
        log: properties that all rows of the log share.

    Attributes:
        n: number of rows.
        faults: faults found so far.
        unsure: whether other rows of the log may decide how to read a row, shape (n,).
        proof: what the cells of this chunk prove about the notation of each column, by index.
        settled: number of cells that were read in the notation that other cells prove, by index.
        highest: highest number of each column whose heading says per cent, by index.
        skipped: clock times that no clock showed, since clocks were set forward over them.
        twice: rows whose clock time came twice, since clocks were set back, shape (n,).
        zone: time zone of the clock times.
        back: rows whose time of day is before that of the row above, shape (n,).
        of_sheet: number of times of day that have the date of their sheet.
    """

    def __init__(self, chunk: Chunk, log: Log) -> None:
        self.chunk, self.log, self.site = chunk, log, log.site
        self.n = chunk.table.num_rows
        self.faults = Faults(self.n)
        self.unsure = np.zeros(self.n, bool)
        self.proof: dict[int, int] = {}
        self.settled: dict[int, int] = {}
        self.highest: dict[int, float] = {}
        self.skipped: list[pa.Array] = []
        self.twice, self.back = np.zeros((2, self.n), bool)
        self.of_sheet, self.zone = 0, self.site.time_zone
        self._said: dict[str, Mask] = {}

    def has(self, name: str) -> bool:
        """Whether the log has a column for the field."""
        return name in self.log.binding.columns

    def columns(self, name: str) -> tuple[Column, ...]:
        """The columns of a field; only a rejects file can have more than one."""
        return self.log.binding.columns.get(name, ())

    # -- faults ------------------------------------------------------------------------------

    def fault(self, name: str, mask: Mask, reason: str, **fills: Fill) -> None:
        """Record the faulty rows of a field as a mask, shape (n,).

        The reason may contain the placeholders ``{value}`` (the cell), ``{line}``, ``{expected}``
        and the keys of ``fills``, whose values are functions from row positions to texts.
        """
        known = {
            "value": lambda rows: quoted(self.cells(name, rows)),
            "line": self.by_line_text(str),
            "expected": self.by_line_text(lambda line: self.expected(name, line)),
            "readings": lambda rows: both_numbers(self.cells(name, rows)),
        }
        self.faults.add(name, mask, f"{name} {reason}", {**known, **fills})

    def cells(self, name: str, rows: Rows, bare: bool = True) -> pa.Array:
        """The text of a field in some rows, empty where it is missing, trimmed if ``bare``."""
        columns = self.columns(name)
        if not columns:
            return pa.repeat("", len(rows))
        at = pa.array(rows)
        texts = [self.chunk.text.column(c.index).take(at) for c in columns]
        cell = one_array(pc.fill_null(pc.coalesce(*texts), ""))
        return pc.utf8_trim_whitespace(cell) if bare else cell

    def expected(self, name: str, line: str | None) -> str:
        """A description of the numbers that this field accepts, such as "a fraction from 0 to
        1"."""
        if name in COUNTS:
            return "a whole number above 0"
        if name in FRACTIONS:
            top = highest_fraction(name)
            per_cent = self.in_per_cent(name, line)
            return f"from 0 to {100 * top:g} %" if per_cent else f"a fraction from 0 to {top:g}"
        if name in CORRELATIONS:
            return "a number from -1 to 1"
        low, high = self.limits(name, line)
        unit = declared_unit(self.site, name, line)
        return f"a number from {low:g} to {high:g} {unit}".rstrip()

    def in_per_cent(self, name: str, line: str | None = None) -> bool:
        """Whether a share is in per cent, by the heading of a column or as the site declares it."""
        declared = declared_unit(self.site, name, line)
        return is_percent(declared) or any(is_percent(c.unit) for c in self.columns(name))

    def limits(self, name: str, line: str | None) -> tuple[float, float]:
        """The declared range, in declared units, of a setting on a line or of a material
        variable."""
        place = (
            self.site.setting(name, line)
            if name in self.site.setting_names
            else self.site.material[name]
        )
        return place.low, place.high

    # -- lines -------------------------------------------------------------------------------

    @cached_property
    def line(self) -> pa.Array:
        """The line of each row, shape (n,), null where no line is named."""
        given = self.text("line")
        return given if self.log.line is None else pc.fill_null(given, composed(self.log.line))

    @cached_property
    def _lines(self) -> tuple[list[str | None], Rows | None]:
        """The lines of this chunk, and the position of each row's line in them; None for one
        line."""
        coded = self.line.dictionary_encode(null_encoding="encode")
        names = coded.dictionary.to_pylist() or [None]
        return names, None if len(names) == 1 else coded.indices.to_numpy().astype(np.int64)

    def by_line(self, of: Callable[[str | None], float]) -> float | Floats:
        """A number that depends on the line: one number for all rows, or shape (n,)."""
        names, codes = self._lines
        each = np.array([of(name) for name in names], dtype=float)
        same = codes is None or np.all(each == each[0])
        return float(each[0]) if same else each[codes]

    def by_line_text(self, of: Callable[[str | None], str]) -> Fill:
        """A text that depends on the line, as a function from row positions to texts."""

        def texts(rows: Rows) -> pa.Array:
            names, codes = self._lines
            each = quoted(pa.array([of(name) for name in names], pa.string()))
            return each.take(pa.array(np.zeros(len(rows), int) if codes is None else codes[rows]))

        return texts

    # -- text and numbers --------------------------------------------------------------------

    def text(self, name: str) -> pa.Array:
        """The trimmed text of a field in one spelling, shape (n,), null where it is empty."""
        texts = [
            blank_as_null(as_text(self.chunk.table.column(c.index))) for c in self.columns(name)
        ]
        if not texts:
            return pa.nulls(self.n, pa.string())
        return in_one_spelling(one_array(texts[0] if len(texts) == 1 else pc.coalesce(*texts)))

    def number(self, name: str) -> tuple[Floats, Mask]:
        """A field in stored units, NaN where empty, and a mask of unreadable cells; (n,) each."""
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
        if infinite.any():
            self.fault(name, infinite, "'{value}' is not finite: expected {expected}")
            unread |= infinite
        return values, unread

    def says_unit(self, name: str) -> Mask:
        """Which cells of a field state their own unit, shape (n,); the field must be read
        before."""
        return self._said.get(name, np.zeros(self.n, bool))

    def _column(self, name: str, column: Column) -> tuple[Floats, Mask]:
        """One column in stored units, and a mask of unreadable cells; (n,) each."""
        given = self.chunk.table.column(column.index)
        read = numbers(given, self.log.decimal, self.log.proof_of(column), units=True)
        self.note(column, read.proof, read.settled, read.unsure)
        unread = np.zeros(self.n, bool) if read.unsure is None else read.unsure.copy()
        for mask, reason in read.faults:
            both = ": {readings}" if reason is TWO_WAYS else ""
            self.fault(name, mask, f"{reason}{both}: expected {{expected}}")
            unread |= mask
        if is_percent(column.unit) and len(read.values):
            self.highest[column.index] = float(
                np.max(read.values, initial=-1, where=~np.isnan(read.values))
            )
        values, unlike = self._in_stored_unit(name, column.unit, read)
        unlike &= ~np.isnan(read.values) & ~unread
        unit = column.unit or ""
        reason = "has the unit '{unit}', which line '{line}' does not measure it in"
        if unlike.any():
            self.fault(
                name,
                unlike,
                f"'{{value}}' {reason}: expected {{expected}}",
                unit=lambda rows: quoted(_units_of(read, rows, unit)),
            )
        return values, unread | unlike

    def note(self, column: Column, proof: int, settled: int, unsure: Mask | None) -> None:
        """Store what a column proves about its notation, and which rows wait for the rest of the
        log."""
        if proof:
            self.proof[column.index] = self.proof.get(column.index, 0) | proof
        if settled:
            self.settled[column.index] = self.settled.get(column.index, 0) + settled
        if unsure is not None:
            self.unsure |= unsure

    def _in_stored_unit(self, name: str, unit: str | None, read: Numbers) -> tuple[Floats, Mask]:
        """Values in the stored unit, and a mask of values whose unit the line cannot convert."""
        values, unlike = self._converted(read.values, partial(self.conversion, name, unit=unit))
        if read.units is None:
            return values, unlike
        values = values.copy()
        self._said[name] = self.says_unit(name) | np.asarray(read.units.is_valid())
        counted = pc.value_counts(read.units.drop_null()).to_pylist()
        counted.sort(key=lambda unit: -unit["counts"])
        unlike |= np.asarray(read.units.is_valid())
        for own in (c["values"] for c in counted[:MOST_UNITS]):
            mask = np.asarray(pc.fill_null(pc.equal(read.units, own), False))
            each, misfit = self._converted(read.values, partial(self.conversion, name, unit=own))
            values[mask], unlike[mask] = each[mask], misfit[mask]
        return values, unlike

    def in_declared_unit(self, name: str, values: Floats) -> Floats:
        """Stored values of a field in the unit that the site declares, (n,) each."""

        def back(line: str | None) -> Conversion | None:
            found = self.conversion(name, line)
            return None if found is None else found.inverse

        return self._converted(values, back)[0]

    def in_unit_of(self, name: str, other: str, values: Floats) -> Floats:
        """Stored values of the field ``other`` in the stored unit of the field ``name``, (n,)
        each; NaN where there is no conversion."""

        def over(line: str | None) -> Conversion | None:
            there, here = self.conversion(other, line), self.conversion(name, line)
            if there is None or here is None or there == here:
                return AS_COUNTED if there == here else None
            return chain(there.inverse, here)

        return self._converted(values, over)[0]

    def _converted(
        self, values: Floats, of: Callable[[str | None], Conversion | None]
    ) -> tuple[Floats, Mask]:
        """Values after the conversion of their line, NaN where it has none, and a mask of those;
        (n,) each."""
        names, codes = self._lines
        each = [of(name) for name in names]
        if codes is None or all(found == each[0] for found in each):
            unlike = np.full(self.n, each[0] is None)
            return np.full(self.n, np.nan) if each[0] is None else each[0](values), unlike
        result = np.full(self.n, np.nan)
        for found in dict.fromkeys(each):
            mask = np.array([one == found for one in each])[codes]
            if found is not None:
                result[mask] = found(values[mask])
        return result, np.array([one is None for one in each])[codes]

    def conversion(self, name: str, line: str | None, unit: str | None = None) -> Conversion | None:
        """The conversion to the stored unit; None where the unit does not fit the field on this
        line."""
        if name in COUNTS:
            return AS_COUNTED if unit is None else None
        key = name, line, unit
        if key not in self.log.conversions:
            try:
                self.log.conversions[key] = self.log.units.conversion(name, line, unit)
            except InputError:
                self.log.conversions[key] = None
        return self.log.conversions[key]

    def stored_limits(self, name: str, line: str | None) -> tuple[float, float]:
        """The declared range of a field on a line, in stored units; NaN where it has none."""
        found = self.conversion(name, line)
        if found is None:
            return float("nan"), float("nan")
        low, high = found(np.array(self.limits(name, line))).tolist()
        return low, high


def _units_of(read: Numbers, rows: Rows, unit: str) -> pa.Array:
    if read.units is None:
        return pa.repeat(unit, len(rows))
    return pc.fill_null(read.units.take(pa.array(rows)), unit)
