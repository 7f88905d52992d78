"""The settings of a deck: units, ranges, steps and couplings.

In come the declared ranges and steps; out come a ``SettingSpace`` (the unit coordinates the
surrogate works in) and, narrowed by a brief, a ``Region`` (the lattice points that may be tried).
A candidate is an integer lattice index throughout, and becomes a value only at the edge: a
continuous optimum that is rounded afterwards can break a limit, an index cannot.

The five settings of a gravity table are one instance; nothing here knows their names except
``GRAVITY_TABLE``.
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

# A declared bound and a step count in binary floating point: 0.1 * 3 is not 0.3. Half a
# thousandth of a step is far below any reading and far above rounding.
STEP_TOLERANCE = 5e-4
# Couplings and bounds are compared after decimal rounding; this absorbs the last binary digit.
SLACK = 1e-9
# More levels than this on one setting is a typing error in the step, not a deck.
MAX_LEVELS = 100_000


def _decimals(*numbers: float) -> int:
    """Decimal places that write all the numbers exactly, as the user wrote them."""
    exponents = [Decimal(repr(float(x))).normalize().as_tuple().exponent for x in numbers]
    return max(0, *(-int(e) for e in exponents))


@dataclass(frozen=True)
class Setting:
    """One adjustable setting.

    Args:
        name: canonical name.
        unit: unit of every number here.
        low, high: range that the deck can really be set to, ``low < high``.
        step: smallest change that can be set; levels are ``low, low + step, ...``.
        max_change: largest change in one move, or None.

    Raises:
        InputError: when the range is empty or the step does not fit in it.
    """

    name: str
    unit: str
    low: float
    high: float
    step: float
    max_change: float | None = None

    def __post_init__(self) -> None:
        where = f"setting '{self.name}'"
        if not all(np.isfinite([self.low, self.high, self.step])):
            raise InputError(f"{where}: low, high and step must be finite numbers.")
        if not self.low < self.high:
            raise InputError(
                f"{where}: low {self.low:g} must be below high {self.high:g} {self.unit}.",
                hint="Widen the range, or pin the value with 'fixed' in the brief.",
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

    @cached_property
    def top(self) -> int:
        """Index of the highest level that does not exceed ``high``."""
        return int(np.floor((self.high - self.low) / self.step + STEP_TOLERANCE))

    @cached_property
    def decimals(self) -> int:
        """Decimal places of a level."""
        return _decimals(self.low, self.step)

    def values(self, index: Indices) -> Floats:
        """Values of lattice indices, shape kept, rounded to the decimals of the step."""
        return np.round(self.low + np.asarray(index) * self.step, self.decimals)

    def differ(self, a: float, b: float) -> bool:
        """Whether two values are different levels, as far as the setting can be set.

        >>> tilt = Setting("side_tilt", "deg", 0.5, 4.5, 0.1)
        >>> tilt.differ(2.43, 2.4), tilt.differ(2.5, 2.4)
        (False, True)
        """
        return abs(a - b) >= 0.5 * self.step

    def levels_between(self, low: float, high: float) -> tuple[int, int]:
        """First and last level inside ``[low, high]``; first > last when there is no level."""
        first = np.ceil((max(low, self.low) - self.low) / self.step - STEP_TOLERANCE)
        last = np.floor((min(high, self.high) - self.low) / self.step + STEP_TOLERANCE)
        return int(first), int(last)


@dataclass(frozen=True)
class SettingSpace:
    """The box of all settings of one deck, and its unit coordinates.

    Unit coordinates map the declared range to [0, 1] whatever a brief narrows it to, so that a
    fitted surrogate does not depend on the brief.
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
    def low(self) -> Floats:
        """Lower ends, shape (d,)."""
        return np.array([s.low for s in self.settings])

    @cached_property
    def span(self) -> Floats:
        """Widths of the ranges, shape (d,)."""
        return np.array([s.high - s.low for s in self.settings])

    @cached_property
    def steps(self) -> Floats:
        """Steps, shape (d,)."""
        return np.array([s.step for s in self.settings])

    def __getitem__(self, name: str) -> Setting:
        for setting in self.settings:
            if setting.name == name:
                return setting
        raise InputError(f"there is no setting '{name}'.", hint=nearest(name, self.names))

    def to_unit(self, values: Floats) -> Floats:
        """Values, shape (n, d), in unit coordinates; values off the range fall outside [0, 1]."""
        return (np.asarray(values, dtype=float) - self.low) / self.span

    def values(self, index: Indices) -> Floats:
        """Lattice indices, shape (n, d), as values."""
        index = np.atleast_2d(index)
        return np.column_stack([s.values(index[:, j]) for j, s in enumerate(self.settings)])

    def nearest_index(self, values: Floats) -> Indices:
        """Nearest lattice index of values, shape (n, d), clipped into the range."""
        index = np.rint((np.atleast_2d(values) - self.low) / self.steps)
        return np.clip(index, 0, [s.top for s in self.settings]).astype(np.int64)

    def named(self, point: Indices) -> dict[str, float]:
        """One lattice point, shape (d,), as values by name."""
        values = self.values(point)[0]
        return {name: float(v) for name, v in zip(self.names, values, strict=True)}

    def index_of(self, *settings: Mapping[str, float]) -> Indices:
        """Nearest lattice points of settings by name, shape (n, d)."""
        values = [[each[name] for name in self.names] for each in settings]
        return self.nearest_index(np.array(values).reshape(len(values), len(self.names)))

    def skopt(self) -> Space:
        """The same box as a scikit-optimize space of integer lattice indices."""
        from skopt.space import Integer, Space  # noqa: PLC0415 - for its users alone

        return Space([Integer(0, max(s.top, 1), name=s.name) for s in self.settings])

    def override(self, changes: Mapping[str, Mapping[str, object]]) -> SettingSpace:
        """The space with some fields of some settings replaced."""
        for name in changes:
            self[name]
        return SettingSpace(
            tuple(replace(s, **changes.get(s.name, {})) for s in self.settings)  # type: ignore[arg-type]
        )


GRAVITY_TABLE = SettingSpace(
    (
        Setting("feed_rate", "t/h", 0.5, 4.0, 0.1),
        Setting("end_raise", "deg", 0.5, 5.0, 0.1),
        Setting("side_tilt", "deg", 0.5, 4.5, 0.1),
        Setting("eccentric_speed", "rpm", 300.0, 600.0, 5.0),
        Setting("air", "turn", 0.0, 90.0, 1.0),
    )
)
"""The five settings with the ranges that a site file starts from: those of an invented deck of
middling size. How many turns open the air fully is each deck's own; its site file says it."""
