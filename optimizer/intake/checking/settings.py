"""The settings of each row: numbers in range, and on a line with gates a number for each of them.

A log gives a setting with gates in a column for each gate, or in one column where all gates are
alike, and each row may do either. Out come the columns of the run table, in which each run fills
those that its line has.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.schema import SAME_GATE, declared_unit
from optimizer.intake.checking.fields import Fields

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]
    Floats = NDArray[np.float64]
    Rows = NDArray[np.int64]

# Tolerance of the ends of a range: a unit conversion may change the last digit of a value.
RANGE_TOLERANCE = 1e-6
# The same for a sensor, which reads a little more than was set.
SENSOR_TOLERANCE = 0.03
_MISSING = "is missing: expected {expected}"


def settings_of(fields: Fields, needed: Mask) -> dict[str, pa.Array | None]:
    """The columns of settings of a chunk in stored units; None where all cells are empty.

    Args:
        fields: the fields of the n rows.
        needed: rows that need their settings, shape (n,).
    """
    columns = fields.site.setting_columns
    found: dict[str, pa.Array | None] = {}
    for setting in fields.site.wholes:
        if setting.name in columns.gates:
            found |= _Gated(fields, setting.name, columns.gates[setting.name]).columns(needed)
        else:
            found[setting.name] = _setting(fields, setting.name, needed)
    return found


def _setting(fields: Fields, name: str, needed: Mask) -> pa.Array | None:
    values, unread = fields.number(name)
    fields.fault(name, np.isnan(values) & ~unread & needed, _MISSING)
    in_range(fields, name, values, unread)
    return as_column(values)


class _Gated:
    """A setting that has gates on some line, in the rows of a chunk.

    Args:
        fields: the fields of the n rows.
        whole: name of the setting.
        gates: names of all its columns of gates, m of them.
    """

    def __init__(self, fields: Fields, whole: str, gates: tuple[str, ...]) -> None:
        self.fields, self.whole, self.gates = fields, whole, gates
        self.one, self.one_unread = fields.number(whole)
        read = [fields.number(gate) for gate in gates]
        self.each = np.column_stack([values for values, _ in read])
        self.unread = np.column_stack([unread for _, unread in read])
        count = fields.by_line(lambda line: len(fields.site.settings_of(line).gates_of(whole)))
        self.has = np.arange(len(gates)) < np.broadcast_to(count, fields.n)[:, None]
        """Which gates the line of a row has, shape (n, m)."""
        self.gated = self.has.any(axis=1)

    def columns(self, needed: Mask) -> dict[str, pa.Array | None]:
        """The columns of the run table; rows that need the setting are a mask of shape (n,)."""
        self._refuse_gates_that_a_line_lacks()
        self._find_missing(needed)
        self._spread()
        whole = np.where(self.gated, np.nan, self.one)
        in_range(self.fields, self.whole, self.one, self.one_unread)
        seen = self.fields.faults.bad
        for k, gate in enumerate(self.gates):
            values = np.where(self.has[:, k], self.each[:, k], np.nan)
            own = np.where(self.alike[:, k], np.nan, values)
            in_range(self.fields, gate, own, self.unread[:, k])
            alike = np.where(self.alike[:, k] & ~seen, values, np.nan)
            in_range(self.fields, gate, alike, self.one_unread, written=self.whole)
            self.each[:, k] = values
        gates = {gate: as_column(self.each[:, k]) for k, gate in enumerate(self.gates)}
        return {self.whole: as_column(whole), **gates}

    def _refuse_gates_that_a_line_lacks(self) -> None:
        def count(line: str | None) -> str:
            gates = self.fields.site.settings_of(line).gates_of(self.whole)
            return f"{len(gates)} gates" if gates else "no gates"

        for k, gate in enumerate(self.gates):
            beyond = ~np.isnan(self.each[:, k]) & ~self.has[:, k]
            reason = f"is {{value}}, and {self.whole} has {{count}} on line '{{line}}': empty it, "
            reason += "or correct gates in the site file"
            self.fields.fault(gate, beyond, reason, count=self.fields.by_line_text(count))

    def _find_missing(self, needed: Mask) -> None:
        """A row needs the whole, or each gate that its line has."""
        filled = ~np.isnan(self.each) | self.unread
        no_whole = np.isnan(self.one) & ~self.one_unread & needed
        nothing = no_whole & ~(filled & self.has).any(axis=1)
        ask_whole = nothing & (~self.gated | self.fields.has(self.whole))
        self.fields.fault(self.whole, ask_whole, _MISSING)
        for k, gate in enumerate(self.gates):
            missing = no_whole & ~ask_whole & self.has[:, k] & ~filled[:, k]
            self.fields.fault(gate, missing, _MISSING)

    def _spread(self) -> None:
        """Give each empty gate the number of the whole, and refuse another one."""
        fields = self.fields
        self.alike = self.has & (~np.isnan(self.one))[:, None]
        """Which gates take the number of the whole, shape (n, m)."""
        for k, gate in enumerate(self.gates):
            same = fields.in_unit_of(gate, self.whole, self.one)
            both = self.alike[:, k] & ~np.isnan(self.each[:, k])
            apart = both & ~np.isclose(self.each[:, k], same, rtol=SAME_GATE, atol=0.0)
            reason = f"is {{value}} and {gate} is {{its}}: {self.whole} means all gates alike, so "
            reason += "empty one of them"
            fields.fault(self.whole, apart, reason, its=partial(fields.cells, gate))
            self.alike[:, k] &= ~both
            self.each[:, k] = np.where(self.alike[:, k], same, self.each[:, k])


def in_range(
    fields: Fields, name: str, values: Floats, unread: Mask, written: str | None = None
) -> None:
    """Record faults of values outside the range that is declared for the line or the material.

    Args:
        fields: the fields of the rows.
        name: the setting or material variable.
        values: values in stored units, shape (n,); NaN where there is none.
        unread: rows whose cell could not be read, shape (n,).
        written: the field whose cells have the values; ``name`` when None.
    """

    def end(which: int) -> float | Floats:
        return fields.by_line(lambda line: fields.stored_limits(name, line)[which])

    low, high = end(0), end(1)
    share = RANGE_TOLERANCE
    if fields.log.timed and name in fields.site.setting_names:
        share = SENSOR_TOLERANCE
    slack = share * np.maximum(np.abs(low), np.abs(high))
    outside = ((values < low - slack) | (values > high + slack)) & ~unread
    if not outside.any():
        return
    here = fields.in_declared_unit(name, values)
    units = fields.by_line_text(lambda line: declared_unit(fields.site, name, line))
    cell = written or name
    converted = np.full(fields.n, any(c.unit is not None for c in fields.columns(cell)))
    converted |= fields.says_unit(cell)
    where = " on line '{line}'" if name in fields.site.setting_names else ""
    of_gate = "" if written is None else f" of {name}"
    fields.fault(
        cell,
        outside,
        f"{{value}}{{which}} {{sign}} the declared range{of_gate}: expected {{expected}}{where}; "
        "correct the value, write its unit in the heading, or widen the range in the site file",
        expected=fields.by_line_text(lambda line: fields.expected(name, line)),
        which=lambda rows: _which_is(converted[rows], here[rows], units(rows)),
        sign=lambda rows: pc.if_else(
            pa.array(here[rows] < 0), "is negative and outside", "is outside"
        ),
    )


def _which_is(converted: Mask, here: Floats, unit: pa.Array) -> pa.Array:
    """Text with a number in the declared unit, for a number that the log has in another unit."""
    number = pc.binary_join_element_wise(shown(here), unit, " ")
    said = pc.binary_join_element_wise(", which is ", pc.utf8_rtrim_whitespace(number), "")
    return pc.if_else(pa.array(converted), said, "")


def shown(numbers: Floats) -> pa.Array:
    """Numbers as text with six significant digits."""
    return pa.array(np.char.mod("%.6g", numbers).tolist(), pa.string())


def as_column(values: Floats) -> pa.Array | None:
    """Numbers as a column with null in place of NaN; None when all are NaN."""
    empty = np.isnan(values)
    if not empty.any():
        return pa.array(values)
    return None if empty.all() else pa.array(values, pa.float64(), mask=empty)
