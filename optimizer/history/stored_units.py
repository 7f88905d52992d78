"""Numbers in the units of a site, in the units that a history stores, and the way between them.

Only this module converts between the two: ``conversion`` on the way in, ``in_site_units`` on the
way out. A column has one unit for ever, the one that the history describes, so that no column ever
mixes two. When the site file declares another unit later, old runs are converted when they are
read, and new runs are converted back to the stored unit when they are stored.
"""

from __future__ import annotations

from collections.abc import Iterable

import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import InputError
from optimizer.history.description import NOTHING, Description
from optimizer.history.schema import declared_unit, first_stored_unit
from optimizer.plant.conversions import Conversion, Factor, chain, conversion, conversion_with
from optimizer.plant.run_columns import FEED_GRADE_SE
from optimizer.plant.site import FEED_GRADE, Site

SAME = Factor(1.0)


class StoredUnits:
    """The stored units of a history, as a site sees them.

    Args:
        site: the plant.
        description: what the history says of itself; for a history that says nothing, the units
            that the site would store.
    """

    def __init__(self, site: Site, description: Description = NOTHING) -> None:
        self.site, self.description = site, description
        self._bridges: dict[tuple[str, str | None], Conversion] = {}

    def unit(self, name: str, line: str | None) -> str:
        """The unit in which a column is stored; an empty text for a fraction."""
        known = self.description.units(name, line)
        return first_stored_unit(self.site, name, line) if known is None else known.stored

    def conversion(self, name: str, line: str | None, unit: str | None = None) -> Conversion:
        """The conversion from ``unit`` (default: the unit the site declares) to the stored unit.

        Raises:
            InputError: when the unit cannot be converted to the stored unit.
        """
        bridge = self._bridge(name, line)
        if unit is None:
            return bridge
        declared, stored = declared_unit(self.site, name, line), self.unit(name, line)
        if not self._unsaid(name, declared, stored):
            try:
                return conversion(unit, stored)
            except InputError:  # perhaps there is a way by the declared unit
                pass
        return chain(conversion_with(unit, declared, self.site.was(name, line)), bridge)

    def check(self, lines: Iterable[str]) -> None:
        """Refuses a site that declares a unit which a stored column cannot be converted to.

        Args:
            lines: names of the lines that have runs.

        Raises:
            InputError: names the site file, the column, both units and the remedy.
        """
        for line in sorted(lines):
            self.refuse_other_gates(line)
            for name in self.site.setting_names:
                self._bridge(name, line)
        for name in self.site.material_names:
            self._bridge(name, None)

    def in_site_units(self, table: pa.Table, at_gates: bool = True) -> pa.Table:
        """Converts stored numbers of a table of runs to the units that each line declares.

        Args:
            table: stored runs.
            at_gates: whether a run that was stored with one value of a setting, on a line that has
                gates by now, is returned with that value at each gate.

        Raises:
            InputError: when a stored unit cannot be converted, or runs of a line were stored with
                other gates than it has.
        """
        settings, material = self.site.setting_names, (*self.site.material_names, FEED_GRADE_SE)
        for name in (n for n in (*settings, *material) if n in table.column_names):
            if table[name].null_count == table.num_rows:
                continue
            lines = pc.unique(table["line"]).to_pylist() if name in settings else [None]
            back = [self._bridge(name, line).inverse for line in lines]
            if all(each.is_identity for each in back):
                continue
            values = table[name].to_numpy().astype(float)
            if name in settings:
                at = pc.index_in(table["line"], pa.array(lines, pa.string())).to_numpy()
                for k, each in enumerate(back):
                    values[at == k] = each(values[at == k])
            else:
                values = back[0](values)
            column = pa.array(values, pa.float64(), from_pandas=True)
            table = table.set_column(table.column_names.index(name), name, column)
        return self._at_gates(table) if at_gates else table

    def _at_gates(self, table: pa.Table) -> pa.Table:
        """Runs in the site's units, each with the settings that its line has."""
        for line in pc.unique(table["line"]).to_pylist():
            self.refuse_other_gates(line)
            settings = self.site.settings_of(line)
            for whole in (w for w in settings.space.gates if w in table.column_names):
                here = pc.fill_null(pc.equal(table["line"], line), False)
                if pc.all(pc.or_kleene(pc.invert(here), table[whole].is_null())).as_py():
                    continue
                gates = settings.gates_of(whole)
                empty = pa.nulls(len(table), pa.float64())
                own = (table[gate] for gate in gates if gate in table.column_names)
                alike = pc.and_(here, pc.is_null(pc.coalesce(*own, empty)))
                for gate in gates:
                    table = _put(table, gate, alike, table[whole])
                table = _put(table, whole, here, empty)
        return table

    def refuse_other_gates(self, line: str | None) -> None:
        """Refuses runs that were stored with other gates than their line has by now.

        Raises:
            InputError: names the site file, the line, the gates of both and the remedy.
        """
        for whole in (setting.name for setting in self.site.wholes):
            stored = self.description.gates(whole, line)
            declared = self.site.settings_of(line).gates_of(whole)
            if stored and stored != declared and stored[0] not in self.site.base.names:
                said = f"{len(declared)}" if declared else "none"
                raise InputError(
                    f"{self.site.source}: [settings.{whole}]: the history has runs of line "
                    f"'{line}' with {len(stored)} gates of '{whole}', and the site declares "
                    f"{said}.",
                    code="mixed-gates",
                    hint=f"Declare gates = {len(stored)} again, for this line alone under "
                    f"[lines.{line}.settings.{whole}]. A deck that was rebuilt is a line of its "
                    "own with another name: it learns from these runs.",
                )

    def _bridge(self, name: str, line: str | None) -> Conversion:
        """The conversion from the declared unit to the stored one.

        Raises:
            InputError: when there is none.
        """
        if (name, line) not in self._bridges:
            self._bridges[name, line] = self._find_bridge(name, line)
        return self._bridges[name, line]

    def _find_bridge(self, name: str, line: str | None) -> Conversion:
        declared, stored = declared_unit(self.site, name, line), self.unit(name, line)
        if declared == stored:
            return SAME
        unsaid = self._unsaid(name, declared, stored)
        if not unsaid:
            try:
                return conversion(declared, stored)
            except InputError:  # only the site file can say how
                pass
        for each in self.site.was(name, line):
            if unsaid and bool(each.unit.strip()) != bool(stored.strip()):
                continue
            try:
                return chain(conversion(stored, each.unit), each.conversion).inverse
            except InputError:
                continue
        raise self._mixing(name, line, stored, declared)

    @staticmethod
    def _unsaid(name: str, declared: str, stored: str) -> bool:
        """Whether a unit was declared only before or only after; it then says nothing of the
        numbers of the other time. A share without a unit is a fraction."""
        share = name in (FEED_GRADE, FEED_GRADE_SE)
        return not share and bool(declared.strip()) != bool(stored.strip())

    def _mixing(self, name: str, line: str | None, stored: str, declared: str) -> InputError:
        """The error for a column whose numbers would mean two things."""
        site, shown = self.site, (_shown(stored), _shown(declared))
        table, whose = f"[material.{name}]", ""
        if name in site.material:
            low, high = site.material[name].low, site.material[name].high
        else:
            setting = site.setting(name, line)
            low, high, whose = setting.low, setting.high, f" of line '{line}'"
            own = setting.unit != site.setting(name, None).unit
            written = site.settings_of(line).whole_name(name)
            table = f"[lines.{line}.settings.{written}]" if own else f"[settings.{written}]"
        pairs = f"[[0, {low:g}], [90, {high:g}]]"
        return InputError(
            f"{site.source}: {table}: the history has {name}{whose} in {shown[0]} and the site "
            f"declares {shown[1]}, and highside cannot convert one to the other.",
            code="mixed-units",
            hint=f'Say what the old values are now: was = [{{ unit = "{stored}", at = {pairs} }}] '
            f"under {table}, with pairs [old value in {shown[0]}, value in {shown[1]}] of your own "
            f'deck; or declare unit = "{stored}" again.',
        )


def _put(table: pa.Table, name: str, mask: pa.ChunkedArray, values: pa.ChunkedArray) -> pa.Table:
    """A table with the values of a column replaced in some rows; the column is added where it is
    missing."""
    if name not in table.column_names:
        table = table.append_column(name, pa.nulls(len(table), pa.float64()))
    column = pc.if_else(mask, values, table[name])
    return table.set_column(table.column_names.index(name), name, column)


def _shown(unit: str) -> str:
    return f"'{unit}'" if unit.strip() else "no unit"
