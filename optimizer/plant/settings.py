"""The settings of a deck: units, ranges, steps and couplings.

In come the declared ranges and steps; out come a ``SettingSpace`` (with the unit coordinates that
the surrogate uses) and, narrowed by a brief, a ``Region`` (the lattice points that may be tried). A
candidate is an integer lattice index in all computations, and is converted to values only for
output. A continuous optimum that is rounded afterwards can violate a limit; an index cannot.

The five settings of a gravity table are one instance; only ``GRAVITY_TABLE`` contains their names.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from decimal import Decimal
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from optimizer.errors import InputError, nearest

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from skopt.space import Space

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

FEED_RATE = "feed_rate"
"""Name of the setting by which tonnes, product and value are computed."""
# Tolerance, in steps, when a value is compared with a level. In binary floating point 0.1 * 3 is
# not 0.3; half a thousandth of a step is far below any reading and far above rounding errors.
STEP_TOLERANCE = 5e-4
# Tolerance of comparisons with couplings and bounds, which absorbs the last binary digit.
SLACK = 1e-9
# More levels than this of one setting are taken for a typing error in the step.
MAX_LEVELS = 100_000


def _decimals(*numbers: float) -> int:
    """Number of decimal places that all these numbers need as the user wrote them."""
    exponents = [Decimal(repr(float(x))).normalize().as_tuple().exponent for x in numbers]
    return max(0, *(-int(e) for e in exponents))


@dataclass(frozen=True)
class Setting:
    """One adjustable setting.

    Args:
        name: canonical name, such as ``feed_rate``.
        unit: unit of all numbers of this setting.
        low, high: range that can be set on the deck, ``low < high``.
        step: smallest change that can be set; levels are ``low, low + step, ...``.
        max_change: largest change in one move, or None for no limit.
        gate_of: for one of several gates in turn, the setting that they make up together, such as
            ``air`` for ``air_2``; None for a setting of its own.
        max_taper: largest difference from the next gate of the same setting, or None for no limit.

    Raises:
        InputError: when the range is empty or the step does not fit in it.
    """

    name: str
    unit: str
    low: float
    high: float
    step: float
    max_change: float | None = None
    gate_of: str | None = None
    max_taper: float | None = None

    def __post_init__(self) -> None:
        where = f"setting '{self.name}'"
        if not all(np.isfinite([self.low, self.high, self.step])):
            raise InputError(f"{where}: low, high and step must be finite numbers.")
        if not self.low < self.high:
            raise InputError(
                f"{where}: low {self.low:g} must be below high {self.high:g} {self.unit}.",
                hint="Widen the range. A value for today alone stands in a brief: "
                f"[limits.{self.name}] with fixed = {self.low:g}.",
            )
        if not 0 < self.step <= (self.high - self.low) * (1 + SLACK):
            raise InputError(
                f"{where}: step {self.step:g} must be above 0 and fit between "
                f"{self.low:g} and {self.high:g} {self.unit}."
            )
        if (self.high - self.low) / self.step > MAX_LEVELS:
            raise InputError(
                f"{where}: step {self.step:g} makes more than {MAX_LEVELS} levels.",
                hint="Give the smallest change an operator can really make.",
            )
        if self.max_change is not None and not self.max_change >= self.step * (1 - SLACK):
            raise InputError(
                f"{where}: max_change {self.max_change:g} is smaller than the step {self.step:g}."
            )
        if self.max_taper is not None and not self.max_taper >= 0.0:
            raise InputError(f"{where}: max_taper {self.max_taper:g} is below 0.")

    @cached_property
    def top(self) -> int:
        """Index of the highest level that does not exceed ``high``."""
        return int(np.floor((self.high - self.low) / self.step + STEP_TOLERANCE))

    @cached_property
    def decimals(self) -> int:
        """Decimal places of a level."""
        return _decimals(self.low, self.step)

    def values(self, index: Indices) -> Floats:
        """Values at lattice indices, shape kept, rounded to the decimals of the step."""
        return np.round(self.low + np.asarray(index) * self.step, self.decimals)

    def differ(self, a: float, b: float) -> bool:
        """Whether two values differ by enough to be different levels of the setting.

        >>> tilt = Setting("side_tilt", "deg", 0.5, 4.5, 0.1)
        >>> tilt.differ(2.43, 2.4), tilt.differ(2.5, 2.4)
        (False, True)
        """
        return abs(a - b) >= 0.5 * self.step

    def require_level(self, value: float, where: str) -> None:
        """Refuse a value inside the range that is none of the levels.

        Args:
            value: the value.
            where: path of the value in the brief, such as ``limits.air.fixed``.

        Raises:
            InputError: when it lies between two levels; the hint names them.
        """
        first, last = self.levels_between(value, value)
        if first > last and self.low <= value <= self.high:
            table, _, key = where.rpartition(".")
            below = self.low + int((value - self.low) / self.step) * self.step
            raise InputError(
                f"[{table}] {key} = {value:g} is not a step of the deck.",
                hint=f"The nearest are {below:.6g} and {below + self.step:.6g} {self.unit}.",
                where=where,
            )

    def levels_between(self, low: float, high: float) -> tuple[int, int]:
        """First and last level inside ``[low, high]``; first > last when there is no level."""
        first = np.ceil((max(low, self.low) - self.low) / self.step - STEP_TOLERANCE)
        last = np.floor((min(high, self.high) - self.low) / self.step + STEP_TOLERANCE)
        return int(first), int(last)


@dataclass(frozen=True)
class SettingSpace:
    """All settings of one deck, and the unit coordinates of their ranges.

    Unit coordinates map the declared range to [0, 1]. They do not depend on the narrower range of a
    brief, so a fitted surrogate does not depend on the brief either.
    """

    settings: tuple[Setting, ...]

    def __post_init__(self) -> None:
        if len(set(self.names)) != len(self.names) or not self.names:
            raise InputError("a space needs at least one setting, and each name once.")

    @cached_property
    def names(self) -> tuple[str, ...]:
        """Names in column order."""
        return tuple(s.name for s in self.settings)

    @cached_property
    def gates(self) -> dict[str, tuple[int, ...]]:
        """Columns of the gates of each setting that is set at several gates, in the order in which
        they follow each other from the feed end; empty for a deck without such a setting.

        >>> GRAVITY_TABLE.with_gates("air", 3).gates
        {'air': (4, 5, 6)}
        """
        found: dict[str, tuple[int, ...]] = {}
        for column, setting in enumerate(self.settings):
            if setting.gate_of is not None:
                found[setting.gate_of] = (*found.get(setting.gate_of, ()), column)
        return found

    @cached_property
    def low(self) -> Floats:
        """Lower ends of the ranges, shape (d,)."""
        return np.array([s.low for s in self.settings])

    @cached_property
    def span(self) -> Floats:
        """Widths of the ranges, shape (d,)."""
        return np.array([s.high - s.low for s in self.settings])

    @cached_property
    def steps(self) -> Floats:
        """Steps of the settings, shape (d,)."""
        return np.array([s.step for s in self.settings])

    def __getitem__(self, name: str) -> Setting:
        for setting in self.settings:
            if setting.name == name:
                return setting
        raise InputError(f"there is no setting '{name}'.", hint=nearest(name, self.names))

    def to_unit(self, values: Floats) -> Floats:
        """Values, shape (n, d), in unit coordinates; a value outside its range falls outside [0,
        1]."""
        return (np.asarray(values, dtype=float) - self.low) / self.span

    def values(self, index: Indices) -> Floats:
        """Values at lattice indices, shape (n, d)."""
        index = np.atleast_2d(index)
        return np.column_stack([s.values(index[:, j]) for j, s in enumerate(self.settings)])

    def nearest_index(self, values: Floats) -> Indices:
        """Lattice indices nearest to values, shape (n, d), clipped to the range."""
        index = np.rint((np.atleast_2d(values) - self.low) / self.steps)
        return np.clip(index, 0, [s.top for s in self.settings]).astype(np.int64)

    def named(self, point: Indices) -> dict[str, float]:
        """The values of one lattice point, shape (d,), by name of the setting."""
        values = self.values(point)[0]
        return {name: float(v) for name, v in zip(self.names, values, strict=True)}

    def index_of(self, *settings: Mapping[str, float]) -> Indices:
        """Lattice points, shape (n, d), nearest to n settings that are given by name."""
        values = [[each[name] for name in self.names] for each in settings]
        return self.nearest_index(np.array(values).reshape(len(values), len(self.names)))

    def skopt(self) -> Space:
        """This space as a scikit-optimize space of integer lattice indices."""
        from skopt.space import Integer, Space  # noqa: PLC0415 - only this method needs it

        return Space([Integer(0, max(s.top, 1), name=s.name) for s in self.settings])

    def with_gates(self, name: str, count: int, max_taper: float | None = None) -> SettingSpace:
        """This space with a setting replaced by its gates, ``name_1`` at the feed end and so on.

        Args:
            name: the setting that is set at several gates.
            count: number of gates, at least 2.
            max_taper: largest difference between neighboring gates; no limit when None.

        Raises:
            InputError: when there is no such setting, or fewer than two gates.
        """
        whole = self[name]
        if count < 2:
            raise InputError(f"setting '{name}': gates = {count}; expected 2 or more.")
        gates = [
            replace(whole, name=f"{name}_{k}", gate_of=name, max_taper=max_taper)
            for k in range(1, count + 1)
        ]
        at = self.settings.index(whole)
        return SettingSpace((*self.settings[:at], *gates, *self.settings[at + 1 :]))

    def override(self, changes: Mapping[str, Mapping[str, object]]) -> SettingSpace:
        """This space with some fields of some settings replaced."""
        for name in changes:
            self[name]
        return SettingSpace(
            tuple(replace(s, **changes.get(s.name, {})) for s in self.settings)  # type: ignore[arg-type]
        )


GRAVITY_TABLE = SettingSpace(
    (
        Setting(FEED_RATE, "t/h", 0.5, 4.0, 0.1),
        Setting("end_raise", "deg", 0.5, 5.0, 0.1),
        Setting("side_tilt", "deg", 0.5, 4.5, 0.1),
        Setting("eccentric_speed", "rpm", 300.0, 600.0, 5.0),
        Setting("air", "turn", 0.0, 90.0, 1.0),
    )
)
"""The five settings with the default ranges of a site file, which are those of an invented deck of
medium size. The number of turns that open the air gate fully differs between decks; the site file
declares it."""
