"""Settings that are set at several gates in turn, such as the air: fields of a site file in, the
settings of a line out.

The setting as a whole, ``air``, and its gates, ``air_1`` at the feed end and so on, are two views
of the same thing. ``LineSettings`` holds both for one line, ``SettingColumns`` names the columns
that the lines of a plant need together. ``at_gates`` says what one number of a whole, or the
numbers of another number of gates, mean at the gates of a line.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from itertools import count as numbers_from
from itertools import takewhile
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.errors import InputError, nearest
from optimizer.plant.settings import FEED_RATE, Setting, SettingSpace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

MOST_GATES = 20
"""More gates than this are taken for a typing error."""
OF_A_GATE = ("low", "high", "step", "max_change")
"""Fields that a single gate may have of its own."""
_GATE = re.compile(r"(?P<whole>.+)_(?P<number>[1-9][0-9]*)")
_HAVE_A_UNIT = ("low", "high", "step")


@dataclass(frozen=True)
class LineSettings:
    """The settings of a line, in both views.

    Args:
        whole: the settings, one that is set at several gates as a single setting. Its limits are
            those that the site file states for all gates.
        space: the settings as they are set, gate by gate.
        tapers: for a setting, the largest difference between neighboring gates.
    """

    whole: SettingSpace
    space: SettingSpace
    tapers: Mapping[str, float] = field(default_factory=dict)

    @classmethod
    def of(cls, space: SettingSpace) -> LineSettings:
        """The settings of a deck without gates."""
        return cls(space, space)

    def __getitem__(self, name: str) -> Setting:
        """The setting of a column of the plant's runs; for a gate that this line does not have, and
        for the column of all gates alike, the whole setting."""
        return self.space[name] if name in self.space.names else self.whole[self.whole_name(name)]

    def whole_name(self, name: str) -> str:
        """The name of the setting that a column belongs to: of the whole for a gate, else its
        own."""
        found = self._gate(name)
        return name if found is None else found["whole"]

    def gates_of(self, name: str) -> tuple[str, ...]:
        """Names of the gates of a setting from the feed end; empty for one without gates."""
        return tuple(self.space.names[j] for j in self.space.gates.get(name, ()))

    def with_fields(self, fields: Mapping[str, Mapping[str, Any]], table: str) -> LineSettings:
        """These settings with the fields of a site file.

        What a table says of a whole setting holds for each of its gates, also for one that an
        earlier table set apart. A line with another number of gates starts from the whole setting.

        Args:
            fields: for a setting or a gate, its fields; ``gates`` is the number of gates,
                ``max_taper`` the largest difference between neighbors.
            table: name of the table of the site file that holds them, for messages.

        Raises:
            InputError: when there is no such setting or gate, or a field does not belong there.
        """
        found = self
        for name in (n for n in fields if self._gate(n) is None):
            found = found._with_whole(name, fields[name], table)
        for name in (n for n in fields if self._gate(n) is not None):
            found = found._with_gate(name, fields[name], table)
        return found

    def _gate(self, name: str) -> re.Match[str] | None:
        """The parts of the name of a gate; None for another name."""
        found = None if name in self.whole.names else _GATE.fullmatch(name)
        return found if found is not None and found["whole"] in self.whole.names else None

    def _with_whole(self, name: str, given: Mapping[str, Any], table: str) -> LineSettings:
        """These settings with fields of a whole setting."""
        where, setting = f"[{table}.{name}]", self.whole[name]
        own = {key: value for key, value in given.items() if key not in ("gates", "max_taper")}
        before = len(self.gates_of(name))
        count, taper = given.get("gates", before), given.get("max_taper", self.tapers.get(name))
        if own.get("unit", setting.unit) != setting.unit:
            needed = (*_HAVE_A_UNIT, *(() if name not in self.tapers else ("max_taper",)))
            if missing := [key for key in needed if key not in given]:
                raise InputError(
                    f"{where}: unit '{own['unit']}' differs from the default '{setting.unit}', so "
                    f"{', '.join(missing)} must be given too."
                )
        if name == FEED_RATE and count:
            raise InputError(
                f"{where} gates: a deck has one feed rate.", hint="Leave gates out here."
            )
        if taper is not None and not count:
            raise InputError(
                f"{where} max_taper: '{name}' has no gates that could differ.",
                hint=f"Add gates = N, the number of gates, under {where}; or leave max_taper out.",
            )
        whole = self.whole.override({name: own})
        tapers = self.tapers if taper is None else {**self.tapers, name: taper}
        if not count:
            return LineSettings(whole, self.space.override({name: own}), tapers)
        if count == before:
            same = {**own, "max_taper": taper}
            space = self.space.override(dict.fromkeys(self.gates_of(name), same))
            return LineSettings(whole, space, tapers)
        return LineSettings(whole, self._replaced(whole[name], count, taper), tapers)

    def _replaced(self, whole: Setting, count: int, taper: float | None) -> SettingSpace:
        """The settings of this line with another number of gates for a setting."""
        left = [s for s in self.space.settings if whole.name not in (s.name, s.gate_of)]
        at = min(k for k, s in enumerate(self.space.settings) if whole.name in (s.name, s.gate_of))
        one = SettingSpace((*left[:at], whole, *left[at:]))
        return one.with_gates(whole.name, count, taper)

    def _with_gate(self, name: str, given: Mapping[str, Any], table: str) -> LineSettings:
        """These settings with fields of a single gate."""
        where, whole = f"[{table}.{name}]", name.rpartition("_")[0]
        refuse_unknown_gate(where, name, whole, self.gates_of(whole), f"[{table}.{whole}]")
        if wrong := [key for key in given if key not in OF_A_GATE]:
            raise InputError(
                f"{where} {wrong[0]}: all gates of '{whole}' have the same one.",
                hint=f"Write it under [{table}.{whole}]. A gate has only {', '.join(OF_A_GATE)} "
                "of its own.",
            )
        return replace(self, space=self.space.override({name: given}))


@dataclass(frozen=True)
class SettingColumns:
    """The columns of settings in the runs of all lines of a plant.

    Args:
        names: names in column order; those of a setting's gates follow the setting itself, whose
            column tells of runs with all gates alike.
        gates: for each setting that has gates on some line, the names of its gates, as many as the
            line with the most of them has.
    """

    names: tuple[str, ...]
    gates: Mapping[str, tuple[str, ...]] = field(default_factory=dict)

    def family(self, name: str) -> tuple[str, ...]:
        """The columns that speak of the same thing as a column: of a gated setting, the whole and
        all gates; else the column itself."""
        for whole, gates in self.gates.items():
            if name == whole or name in gates:
                return (whole, *gates)
        return (name,)

    @classmethod
    def of(cls, lines: Iterable[LineSettings]) -> SettingColumns:
        """The columns that some lines of one plant need together."""
        names, gates = [], {}
        lines = tuple(lines)
        for name in lines[0].whole.names:
            longest = max((each.gates_of(name) for each in lines), key=len)
            names += [name, *longest]
            if longest:
                gates[name] = longest
        return cls(tuple(names), gates)


def gates_among(columns: Collection[str], whole: str) -> tuple[str, ...]:
    """The names among some columns that are gates of a setting, from the feed end.

    >>> gates_among(["air", "air_1", "air_2", "air_4"], "air")
    ('air_1', 'air_2')
    """
    numbered = (f"{whole}_{k}" for k in numbers_from(1))
    return tuple(takewhile(lambda gate: gate in columns, numbered))


def names_on(space: SettingSpace, name: str, table: str) -> tuple[str, ...]:
    """The settings of a line that a name speaks of: itself, or each gate for a whole setting.

    Args:
        space: the settings of the line.
        name: a setting, a setting as a whole or a gate.
        table: the table or argument that has the name, for messages.

    Raises:
        InputError: when the line has no such setting or gate.

    >>> from optimizer.plant.settings import GRAVITY_TABLE
    >>> names_on(GRAVITY_TABLE.with_gates("air", 2), "air", "limits")
    ('air_1', 'air_2')
    """
    if name in space.names:
        return (name,)
    if name in space.gates:
        return tuple(space.names[j] for j in space.gates[name])
    found = _GATE.fullmatch(name)
    whole = "" if found is None else found["whole"]
    if whole in space.names or whole in space.gates:
        gates = tuple(space.names[j] for j in space.gates.get(whole, ()))
        refuse_unknown_gate(f"[{table}] {name}", name, whole, gates, f"[settings.{whole}]")
    raise InputError(
        f"[{table}]: unknown name '{name}'.",
        hint=nearest(name, (*space.names, *space.gates)),
        where=f"{table}.{name}",
    )


def values_on(space: SettingSpace, values: Mapping[str, float], table: str) -> dict[str, float]:
    """Values by name, with that of a whole setting at each of its gates; a value of a single gate
    counts before that of the whole.

    Arguments and errors are those of ``names_on``.

    >>> from optimizer.plant.settings import GRAVITY_TABLE
    >>> values_on(GRAVITY_TABLE.with_gates("air", 2), {"air_2": 35.0, "air": 33.0}, "current")
    {'air_1': 33.0, 'air_2': 35.0}
    """
    found: dict[str, float] = {}
    for name, value in values.items():
        found |= dict.fromkeys(names_on(space, name, table), value)
    single = {name: value for name, value in values.items() if name in space.names}
    both = {**found, **single}
    return {name: both[name] for name in space.names if name in both}


def refuse_unknown_gate(
    where: str, name: str, whole: str, gates: tuple[str, ...], table: str
) -> None:
    """Refuse the name of a gate that a line does not have.

    Args:
        where: where the name stands, for the message.
        name, whole: the gate, and the setting that it would be a gate of.
        gates: the gates that the setting has.
        table: the table of the site file that says their number.

    Raises:
        InputError: when the gate is none of them; the hint names the remedy.
    """
    if name in gates:
        return
    if not gates:
        raise InputError(
            f"{where}: '{whole}' has no gates.",
            hint=f"Add gates = N, the number of its gates, under {table} in the site file; or "
            f"write {whole}.",
        )
    raise InputError(
        f"{where}: '{whole}' has {len(gates)} gates, {gates[0]} to {gates[-1]}.",
        hint=f"Name one of these, or correct gates under {table} in the site file.",
    )


def number_of_gates(written: Any) -> Any:
    """The number of gates as a site file states it, checked.

    Raises:
        ValueError: when it is not a whole number of at least two.
    """
    if isinstance(written, bool) or not isinstance(written, int | float):
        raise ValueError("is not a number of gates")
    if written != int(written) or not 2 <= written <= MOST_GATES:
        raise ValueError(
            f"expected a whole number of gates from 2 to {MOST_GATES}; leave gates out where one "
            "control sets the whole"
        )
    return int(written)


def at_gates(values: Floats, count: int) -> Floats:
    """What the settings of some gates mean on a deck with another number of gates.

    A gate stands for the middle of its share of the deck, so that gate ``k`` of ``n`` lies at
    ``(k - 1/2) / n`` of the way from the feed end. Between two gates the value is interpolated
    linearly; before the first and behind the last it is that of the nearest gate. One value holds
    for all gates, and one gate gets the mean of all.

    Args:
        values: values of n gates in m runs, from the feed end, shape (m, n).
        count: number of gates wanted.

    Returns:
        Values at these gates, shape (m, count).

    >>> at_gates(np.array([[10.0, 20.0]]), 4)
    array([[10. , 12.5, 17.5, 20. ]])
    >>> at_gates(np.array([[10.0, 20.0]]), 1)
    array([[15.]])
    """
    values = np.asarray(values, dtype=float)
    have = values.shape[1]
    if have == count:
        return values
    if count == 1:
        return values.mean(axis=1, keepdims=True)
    place = np.clip((np.arange(count) + 0.5) / count * have - 0.5, 0.0, have - 1.0)
    left = np.minimum(np.floor(place).astype(int), max(have - 2, 0))
    right, share = np.minimum(left + 1, have - 1), place - left
    return np.asarray(values[:, left] * (1.0 - share) + values[:, right] * share)
