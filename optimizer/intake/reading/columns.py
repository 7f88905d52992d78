"""From the headings of a log to fields and units.

A heading is a field's name in any case, with spaces, hyphens or underscores, and a unit in
brackets or a closing per cent sign: ``Feed Rate``, ``feed-rate [kg/h]``, ``Grade %``. A mapping in
the site file or in an option takes precedence over the heading.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from optimizer.errors import InputError, nearest
from optimizer.history.schema import PROVENANCE, READINGS, declared_unit, fields_of
from optimizer.history.stored_units import StoredUnits
from optimizer.intake.reading.time_headings import (
    DATE,
    START,
    joined_headings,
    notation_of,
    seen,
)
from optimizer.plant.run_columns import Kind, names_of
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.plant.units import PERCENT_UNITS, same_unit
from optimizer.text.headings import name_key, split_unit

IGNORE = "ignore"
"""Target of a mapping for a column that is not to be read."""

# Columns that a rejects file has before and after a row's own columns (see rejects.py).
REJECT_COLUMNS = ("file", "row", "field", "value", "reason")
SHAPE_COLUMN = "row_shape"
MARK_COLUMN = "decimal_mark"

UNITLESS = (*names_of(Kind.text, Kind.time, Kind.count), *READINGS, DATE)


@dataclass(frozen=True)
class Column:
    """One column of a log that fills a field; ``unit`` is None where the heading names no unit."""

    index: int
    heading: str
    unit: str | None


@dataclass(frozen=True)
class Binding:
    """The match of the columns of a log to fields.

    Args:
        headings: all headings as written in the log.
        columns: columns of each field; only a rejects file can have more than one for a field.
        ignored: headings that fill no field.
        problem: reason why the log cannot be read; empty when it can.
    """

    headings: tuple[str, ...]
    columns: Mapping[str, tuple[Column, ...]]
    ignored: tuple[str, ...] = ()
    problem: str = ""

    @property
    def is_rejects_file(self) -> bool:
        """Whether the log is a rejects file, corrected by a person."""
        return is_rejects_file(self.headings)


def is_rejects_file(headings: Sequence[str]) -> bool:
    """Whether the headings are those of a rejects file."""
    return tuple(headings[: len(REJECT_COLUMNS)]) == REJECT_COLUMNS


class Headings:
    """The names by which headings of a log can mean fields: declared, mapped in the site file or in
    options.

    Args:
        site: the site, which declares fields and mappings under ``[columns]``.
        mapping: mapping from heading to ``field`` or ``field [unit]``, with precedence over the
            site's.
        every_sheet: whether each sheet of a workbook is a log, even where none of its headings is
            known, so that a person can say what they mean.

    Raises:
        InputError: when a heading is mapped to an unknown field.
    """

    def __init__(
        self, site: Site, mapping: Mapping[str, str] | None = None, every_sheet: bool = False
    ) -> None:
        self.site = site
        self.every_sheet = every_sheet
        # A unit that fits the declared one fits the stored one, whatever the history stores.
        self._units = StoredUnits(site)
        self.fields = {name_key(name): name for name in (DATE, *fields_of(site))}
        self.mapped: dict[str, tuple[str, str | None]] = {}
        for left, right in site.columns.items():
            heading, target = self._either_way(left, right)
            self.mapped[heading] = target
        self.asked = dict(mapping or {})
        for heading, spec in self.asked.items():
            found = self._target(spec)
            if found is None:
                name = split_unit(spec)[0]
                raise InputError(
                    f"column '{heading}' is mapped to '{spec}', which is not a field.",
                    hint=nearest(name, [*self.fields.values(), IGNORE]),
                )
            self.mapped[heading] = found
        # A date and a time that are joined are two mappings, of a day and of a time of day.
        self.joined = {
            heading: joined_headings(heading)
            for heading, (field, _) in self.mapped.items()
            if field == START
        }

    def _target(self, spec: str) -> tuple[str, str | None] | None:
        name, unit = split_unit(spec)
        if name_key(name) == IGNORE:
            return IGNORE, None
        field = self.fields.get(name_key(name))
        return None if field is None else (field, unit)

    def _either_way(self, left: str, right: str) -> tuple[str, tuple[str, str | None]]:
        """Heading and target of an entry of ``[columns]``, whichever side is the field."""
        a, b = self._target(left), self._target(right)
        if b is not None and (a is None or a[0] == b[0]):
            return left, b
        if a is not None and b is None:
            return right, a
        both = "both are fields" if a else "neither is a field"
        raise InputError(
            f"[columns] '{left}' = '{right}': one side must be a heading and the other a field; "
            f"here {both}.",
            hint=nearest(split_unit(right)[0], self.fields.values()),
        )

    def unmatched(self, headings: Iterable[str]) -> list[str]:
        """Headings that the options map but no log has."""
        given = {name_key(name) for h in headings for name in (h, split_unit(h)[0])}
        return [
            part
            for h in self.asked
            if name_key(h) not in given
            for part in self.joined.get(h, (h,))
            if name_key(part) not in given
        ]

    def count(self, cells: Iterable[str]) -> int:
        """Number of fields that the cells would name if they were headings."""
        mapped = {name_key(h) for each in self.mapped for h in self.joined.get(each, (each,))}
        found = set()
        for cell in cells:
            keys = (name_key(cell), name_key(split_unit(cell)[0])) if len(cell) < 80 else ()
            found |= {
                self.fields.get(key, key) for key in keys if key in self.fields or key in mapped
            }
        return len(found)

    def bind(self, headings: Sequence[str], line: str | None, timed: bool = False) -> Binding:
        """Match the columns of a log to fields.

        Args:
            headings: headings of the log.
            line: line, from the options, of rows that name none; None when the options name no
                line.
            timed: whether rows are readings over time, of which some logs hold the settings and
                others the results.
        """
        columns: dict[str, list[Column]] = {}
        ignored: list[Column] = []
        problems = []
        leading = len(REJECT_COLUMNS) if is_rejects_file(headings) else 0
        targets = self._targets(headings)
        if set(PROVENANCE) <= set(headings):  # an export of runs from a history
            targets |= {name: (name, None) for name in READINGS if name in headings}
        for index, heading in enumerate(headings[leading:], leading):
            field, unit, problem = self._field_of(heading, targets.get(heading))
            if problem:
                problems.append(problem)
            if field:
                columns.setdefault(field, []).append(Column(index, heading, unit))
            elif heading.strip() and heading not in (SHAPE_COLUMN, MARK_COLUMN, *PROVENANCE):
                ignored.append(Column(index, heading, split_unit(heading)[1]))
        if not leading:
            problems += [
                f"columns {_listed(c.heading for c in found)} all mean {field}: rename or remove "
                f'one, or leave one out with --map "{found[-1].heading}={IGNORE}"'
                for field, found in columns.items()
                if len(found) > 1
            ]
        problems += self._missing(columns, headings, line, timed)
        problems += self._times_seen(columns, ignored, targets)
        return Binding(
            tuple(headings),
            {field: tuple(found) for field, found in columns.items()},
            tuple(column.heading for column in ignored),
            "; ".join(problems),
        )

    def _times_seen(
        self,
        columns: dict[str, list[Column]],
        ignored: list[Column],
        targets: Mapping[str, tuple[str, str | None]],
    ) -> list[str]:
        """Give the start and its date the columns that their headings show, and say what is wrong
        with their brackets; what is used of ``ignored`` is taken out of it."""
        free = [(c.index, c.heading) for c in ignored if c.heading not in targets]
        problems = []
        for field, index in seen(free, columns).items():
            column = next(each for each in ignored if each.index == index)
            ignored.remove(column)
            columns[field] = [column]
            problems.append(self.unit_problem(field, column.unit, column.heading))
        if START not in columns and DATE in columns:
            columns[START] = columns.pop(DATE)
        return [problem for problem in problems if problem]

    def _targets(self, headings: Sequence[str]) -> dict[str, tuple[str, str | None]]:
        """Target of each mapped heading: of an identical spelling, else of spellings with an equal
        key."""
        targets: dict[str, tuple[str, str | None]] = {}
        for wanted, target in self.mapped.items():
            alike = [h for h in headings if h.strip().lower() == wanted.strip().lower()]
            same = (
                h for h in headings if name_key(wanted) in (name_key(h), name_key(split_unit(h)[0]))
            )
            found = [*(alike or same)]
            if not found and wanted in self.joined:
                targets |= self._joined(self.joined[wanted], headings, target)
            targets.update(dict.fromkeys(found, target))
        return targets

    def _joined(
        self, parts: Sequence[str], headings: Sequence[str], target: tuple[str, str | None]
    ) -> dict[str, tuple[str, str | None]]:
        """Targets of the headings of a date and a time; none where one of the two is missing."""
        found = [next((h for h in headings if name_key(part) in _keys(h)), None) for part in parts]
        if len(found) != 2 or None in found:
            return {}
        day, time = (h for h in found if h is not None)
        return {day: (DATE, target[1]), time: target}

    def _field_of(
        self, heading: str, mapped: tuple[str, str | None] | None
    ) -> tuple[str | None, str | None, str]:
        """Field, unit and problem of one heading, with or without a mapping."""
        name, unit = split_unit(heading)
        if mapped is not None:
            field, asked = mapped
            if field == IGNORE:
                return None, None, ""
            if asked is None and unit is not None and self.unit_problem(field, unit):
                unit = None  # in "Recovery (lab)", mapped to recovery, the bracket is not a unit
            return field, unit if asked is None else asked, self.unit_problem(field, asked)
        found = self.fields.get(name_key(name))
        if found in (START, DATE):
            return found, unit, self.unit_problem(found, unit, heading)
        if found is None or found in UNITLESS:
            return found, None, ""
        return found, unit, self.unit_problem(found, unit, heading)

    def takes_unit(self, heading: str) -> str | None:
        """The field of a heading that could name a unit but does not; None for other headings."""
        name, unit = split_unit(heading)
        found = self.fields.get(name_key(name))
        if found is None:
            alike = (to for of, to in self.mapped.items() if name_key(of) == name_key(name))
            found, stated = next(alike, (None, None))
            unit = unit or stated
        return found if unit is None and found not in (*UNITLESS, IGNORE) else None

    def unit_problem(self, field: str, unit: str | None, heading: str = "") -> str:
        """Reason why a unit fits a field on no line; empty when it fits."""
        if unit is None or (field in UNITLESS and field not in (START, DATE)):
            return ""
        shown = f"column '{heading}'" if heading else f"column mapped to {field} [{unit}]"
        if field in (START, DATE):
            try:
                notation_of(unit)
            except InputError as error:
                return f"{shown}: {error.message} {error.hint}".strip(" .")
            return ""
        declared = declared_unit(self.site, field, None)
        is_material = field in self.site.material and field != FEED_GRADE
        if is_material and not declared and not same_unit(unit, declared):
            return (
                f"{shown} has the unit '{unit}' and the site declares none for {field}: write "
                f'unit = "{unit}" under [material.{field}] in the site file'
            )
        for line in (None, *self.site.file.lines):
            try:
                self._units.conversion(field, line, unit)
            except InputError as error:
                problem = f"{shown}: {error.message} {error.hint}".strip(" .")
            else:
                return ""
        return problem

    def missing(self, found: Collection[str], timed: bool = False) -> tuple[str, ...]:
        """The fields that a log with columns for the fields ``found`` needs and lacks.

        A log of readings over time (``timed``) may lack all settings or all results.
        """
        lacking = {s.name: self._lacking(s.name, found) for s in self.site.wholes}
        settings = tuple(name for each in lacking.values() for name in each)
        no_result = [name for name in ("grade", "recovery") if name not in found]
        results = () if "deck_state" in found else tuple(no_result)
        some_setting = any(each != [name] for name, each in lacking.items())
        if timed and not some_setting and len(no_result) < 2:
            return results
        return settings if timed and some_setting and len(results) == 2 else settings + results

    def _lacking(self, setting: str, found: Collection[str]) -> list[str]:
        """The columns of a setting that a log lacks: its own, or gates where it has some of a
        line's gates."""
        if setting in found:
            return []
        lines = (settings.gates_of(setting) for settings in self.site.line_settings)
        lacking = [[g for g in gates if g not in found] for gates in lines if {*gates} & {*found}]
        return min(lacking, key=lambda gates: len(gates), default=[setting])

    def _missing(
        self,
        columns: Mapping[str, list[Column]],
        headings: Sequence[str],
        line: str | None,
        timed: bool,
    ) -> list[str]:
        """A sentence about required columns that a log lacks; empty when it lacks none."""
        missing = self.missing(columns, timed)
        problems = []
        if missing:
            problems.append(
                f"no column for {', '.join(missing)}; the headings are {_listed(headings)}. "
                f'Map one with --map "HEADING={missing[0]}", or under [columns] in the site file'
            )
        if "line" not in columns and line is None:
            problems.append(
                "no column says which line the runs are from: give it with --line, "
                'or map a column with --map "HEADING=line"'
            )
        return problems


def _keys(heading: str) -> tuple[str, str]:
    """The keys of a heading with and without its unit."""
    return name_key(heading), name_key(split_unit(heading)[0])


def is_percent(unit: str | None) -> bool:
    """Whether a unit is per cent."""
    return unit is not None and unit.strip().lower() in PERCENT_UNITS


def _listed(headings: Iterable[str]) -> str:
    return ", ".join(f"'{h}'" for h in headings) or "(none)"
