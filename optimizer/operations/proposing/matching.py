"""The columns of logs matched to fields, with the units that headings and cells state."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from optimizer.errors import InputError
from optimizer.history.schema import FRACTIONS
from optimizer.intake.reading.columns import UNITLESS, Headings, is_percent
from optimizer.operations.proposing.log_columns import LogColumn, columns_of
from optimizer.operations.proposing.words import claims, material_of, words_of
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import FEED_GRADE, Site
from optimizer.plant.units import factor, stored_unit_of
from optimizer.text.headings import name_key, split_unit, with_unit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_GATE = re.compile(r"^(?P<name>.*?)[\s_-]*(?:gate|zone|valve|no)?[\s_.-]*(?P<number>[1-9])$", re.I)
_SETTINGS = tuple(s.name for s in GRAVITY_TABLE.settings)


@dataclass
class Matched:
    """What the columns of some logs mean.

    Attributes:
        columns: mapping from heading to field, for the headings that are not a field's own name.
        units: unit of each field, where heading or cells state one.
        gates: number of gates of each setting that logs give gate by gate.
        material: names of the material variables.
        names_lines: whether each log has a column for the line.
        unread: columns that mean no field, and some of their cells.
        numbers: the numbers of each field as they stand in the logs, without gaps.
        open: what is not known, as pairs of what it is about and a question.
    """

    columns: dict[str, str] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)
    gates: dict[str, int] = field(default_factory=dict)
    material: list[str] = field(default_factory=list)
    names_lines: bool = True
    unread: dict[str, str] = field(default_factory=dict)
    numbers: dict[str, Floats] = field(default_factory=dict)
    open: tuple[tuple[str, str], ...] = ()


def matched(paths: Sequence[str | Path], mapping: Mapping[str, str]) -> Matched:
    """Match the columns of logs to fields.

    Args:
        paths: files, folders and patterns.
        mapping: mapping from heading to field that a person gave.

    Raises:
        InputError: when no log can be read, or a heading is mapped to an unknown field.
    """
    found = Matched(columns=dict(mapping))
    for log in columns_of(paths, mapping):
        _match(log, found, mapping)
    return found


def _match(log: Sequence[LogColumn], found: Matched, mapping: Mapping[str, str]) -> None:
    known = Headings(Site(), mapping)
    binding = known.bind([c.heading for c in log], "")
    bound = {c.index: name for name, columns in binding.columns.items() for c in columns}
    by_name = dict(bound)
    stated = {c.index: c.unit for columns in binding.columns.values() for c in columns}
    _match_gates(log, bound, found)
    free = [c.heading for k, c in enumerate(log) if k not in bound and c.heading not in mapping]
    numeric = [c.heading for c in log if c.heading in free and material_of(c.heading)]
    alone, several = claims([h for h in free if h not in numeric], set(bound.values()))
    for about, headings in several.items():
        listed = " and ".join(f"'{h}'" for h in headings)
        found.open += ((about, f"{listed} may mean it; map one of them under [columns]"),)
    claimed = {heading for headings in several.values() for heading in headings}
    for k, column in enumerate(log):
        name = bound.get(k) or alone.get(column.heading)
        if name is None and column.heading in numeric and column.is_numeric:
            name = _new_material(column, found)
        if name is not None:
            unit = stated.get(k) or column.unit
            _take(replace(column, unit=unit), name, name != by_name.get(k), found)
        elif column.heading in free and column.heading not in claimed:
            found.unread.setdefault(column.heading, column.some)
    found.names_lines &= "line" in {*bound.values(), *alone.values()}


def _match_gates(log: Sequence[LogColumn], bound: dict[int, str], found: Matched) -> None:
    """Match columns such as ``air_1`` and ``Air gate 2`` to the gates of a setting."""
    gates: dict[str, dict[int, int]] = {}
    for k, column in enumerate(log):
        match = _GATE.match(split_unit(column.heading)[0])
        if k in bound or match is None:
            continue
        name = next((s for s in _SETTINGS if name_key(match["name"]) == name_key(s)), None)
        if name is not None and name != "feed_rate":
            gates.setdefault(name, {})[int(match["number"])] = k
    for name, columns in gates.items():
        if len(columns) > 1 and sorted(columns) == list(range(1, len(columns) + 1)):
            found.gates[name] = max(found.gates.get(name, 0), len(columns))
            bound |= {k: f"{name}_{number}" for number, k in columns.items()}


def _new_material(column: LogColumn, found: Matched) -> str:
    """The name of a material variable for a column; all its words where another has the short
    one."""
    name = material_of(column.heading) or ""
    if name_key(name) == name_key(split_unit(column.heading)[0]):
        return name
    taken = {target for heading, target in found.columns.items() if heading != column.heading}
    if name in taken or (name in found.material and column.heading not in found.columns):
        longer = "_".join(sorted(words_of(column.heading), key=column.heading.lower().find))
        name = longer if longer.isidentifier() else name
    return name


def _take(column: LogColumn, name: str, guessed: bool, found: Matched) -> None:
    """Take a column for a field: its mapping where the heading needs one, and its unit."""
    values, said = column.numbers() if name not in UNITLESS else (np.zeros(0), Counter[str]())
    known = values[np.isfinite(values)]
    found.numbers[name] = np.concatenate([found.numbers.get(name, np.zeros(0)), known])
    unit = column.unit
    if unit is None and said:
        unit = said.most_common(1)[0][0]
    share = name in FRACTIONS or name == FEED_GRADE
    written = split_unit(column.heading)[1]
    target = name
    if share and unit is None and _is_per_cent(values):
        unit, target = "%", with_unit(name, "%")
    elif guessed and written is None and column.unit and name not in UNITLESS and not said:
        target = with_unit(name, column.unit)
    own = material_of(column.heading) is not None or name == FEED_GRADE
    if own and name not in _SETTINGS and name not in FRACTIONS and name not in UNITLESS:
        found.material += [] if name in found.material else [name]
    if (guessed and name_key(name) != name_key(split_unit(column.heading)[0])) or target != name:
        found.columns.setdefault(column.heading, target)
    if unit is not None and name not in UNITLESS:
        _take_unit(re.sub(r"_\d+$", "", name), unit, found)


def _take_unit(name: str, unit: str, found: Matched) -> None:
    if name in _SETTINGS:
        try:
            stored_unit_of(name, unit)
        except InputError as error:
            _refuse_two_meanings(name, unit)
            found.open += ((name, f"{error.message} {error.hint}"),)
            return
    elif name == FEED_GRADE:
        unit = "%" if is_percent(unit) else "fraction"
    found.units.setdefault(name, unit)


def _refuse_two_meanings(name: str, unit: str) -> None:
    """Refuse a unit that can be several: a proposal would guess one of them."""
    try:
        factor(unit, "t/h")
    except InputError as error:
        if error.code == "ambiguous-unit":
            raise InputError(
                f"the logs give {name} in '{unit}': {error.message}",
                code=error.code,
                hint=f'Say which with --map "HEADING={name} [short_ton/h]", or another unit.',
            ) from None


def _is_per_cent(values: Iterable[float]) -> bool:
    """Whether shares without a unit can only be per cent: most are above 1, none above 100."""
    found = np.asarray(values, float)
    found = found[np.isfinite(found)]
    return bool(len(found) and found.max() <= 100 and np.median(found) > 1.0 and found.min() > 1.0)
