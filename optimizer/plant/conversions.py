"""Conversions of numbers between two units: by a factor, by a shifted scale, or by given pairs.

A conversion is called with numbers and gives numbers; ``inverse`` leads back. A unit like a turn of
the air knob has no relation to another unit that a registry could know. The site file then gives
pairs of old and new values, between which numbers are interpolated.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from pydantic import model_validator

from optimizer.errors import InputError
from optimizer.plant.documents import Strict
from optimizer.plant.units import as_typed, scaled, shifted_scale, unit_factor

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Factor:
    """Multiplication by a factor above 0."""

    by: float

    def __call__(self, values: Floats) -> Floats:
        """The numbers after the conversion; shape kept."""
        return scaled(np.asarray(values, dtype=float), self.by)

    @property
    def inverse(self) -> Conversion:
        """The conversion back, which repairs the last digits."""
        return FactorBack(self.by)

    @property
    def is_identity(self) -> bool:
        """Whether the numbers stay the same."""
        return self.by == 1.0


@dataclass(frozen=True)
class FactorBack:
    """Division by a factor above 0; the last digits are repaired."""

    by: float

    def __call__(self, values: Floats) -> Floats:
        """The numbers after the conversion; shape kept."""
        return as_typed(scaled(np.asarray(values, dtype=float), 1.0 / self.by))

    @property
    def inverse(self) -> Conversion:
        """The multiplication that this undoes."""
        return Factor(self.by)

    @property
    def is_identity(self) -> bool:
        """Whether the numbers stay the same."""
        return self.by == 1.0


@dataclass(frozen=True)
class Scale:
    """A scale with another zero, such as that of a temperature: ``(values * by + plus) / per``."""

    by: float
    plus: float
    per: float
    is_identity = False

    def __call__(self, values: Floats) -> Floats:
        """The numbers after the conversion; shape kept."""
        with np.errstate(over="ignore"):  # what is beyond all numbers is beyond all ranges
            return as_typed((np.asarray(values, dtype=float) * self.by + self.plus) / self.per)

    @property
    def inverse(self) -> Conversion:
        """The conversion back."""
        return Scale(self.per, -self.plus, self.by)


@dataclass(frozen=True)
class Pairs:
    """Interpolation between pairs of numbers; beyond the pairs the last two are continued.

    Args:
        old, new: numbers before and after, both increasing, at least two each.
    """

    old: tuple[float, ...]
    new: tuple[float, ...]
    is_identity = False

    def __call__(self, values: Floats) -> Floats:
        """The numbers after the conversion; shape kept."""
        values = np.asarray(values, dtype=float)
        old, new = np.array(self.old), np.array(self.new)
        k = np.clip(np.searchsorted(old, values, side="right") - 1, 0, len(old) - 2)
        run, rise = old[k + 1] - old[k], new[k + 1] - new[k]
        with np.errstate(over="ignore"):
            return as_typed(new[k] + (values - old[k]) * rise / run)

    @property
    def inverse(self) -> Conversion:
        """The conversion back."""
        return Pairs(self.new, self.old)


@dataclass(frozen=True)
class Chain:
    """Conversions one after another."""

    parts: tuple[Conversion, ...]
    is_identity = False

    def __call__(self, values: Floats) -> Floats:
        """The numbers after the conversion; shape kept."""
        for part in self.parts:
            values = part(values)
        return values

    @property
    def inverse(self) -> Conversion:
        """The conversion back."""
        return Chain(tuple(part.inverse for part in reversed(self.parts)))


Conversion: TypeAlias = Factor | FactorBack | Scale | Pairs | Chain
"""A conversion of numbers, shape kept; NaN stays NaN."""


def chain(*parts: Conversion) -> Conversion:
    """Conversions one after another as one conversion."""
    moving = tuple(part for part in parts if not part.is_identity)
    if not moving:
        return Factor(1.0)
    return moving[0] if len(moving) == 1 else Chain(moving)


@cache
def conversion(unit: str, to: str) -> Conversion:
    """The conversion from one unit to another that the unit registry knows.

    Raises:
        InputError: when a unit is unknown, or the two do not measure the same thing.

    >>> conversion("degC", "degF")(np.array([20.0, 36.6])).tolist()
    [68.0, 97.88]
    """
    try:
        return Factor(unit_factor(unit, to))
    except InputError as error:
        if error.code != "unlike-units":
            raise
        found = shifted_scale(unit, to)
        if found is None:
            raise
        return Scale(*found)


class EarlierUnit(Strict):
    """A unit in which a setting or material variable was declared earlier.

    Attributes:
        unit: the earlier unit.
        at: pairs of an earlier value and the value that means the same now, both increasing.
    """

    unit: str
    at: tuple[tuple[float, float], ...]

    @model_validator(mode="after")
    def _increasing(self) -> EarlierUnit:
        if len(self.at) < 2:
            raise ValueError(
                "at needs at least two pairs of old and new value, such as [[0, 0], [90, 100]]"
            )
        for before, after in zip(self.at, self.at[1:], strict=False):
            if not (before[0] < after[0] and before[1] < after[1]):
                raise ValueError(
                    f"at: pair {_shown(after)} must be above pair {_shown(before)} in both values"
                )
        return self

    @property
    def conversion(self) -> Pairs:
        """The conversion from the earlier unit to the one declared now."""
        old, new = zip(*self.at, strict=True)
        return Pairs(old, new)


def _shown(pair: tuple[float, float]) -> str:
    return f"[{pair[0]:g}, {pair[1]:g}]"


def conversion_with(
    unit: str, to: str, earlier: tuple[EarlierUnit, ...] | list[EarlierUnit]
) -> Conversion:
    """The conversion from ``unit`` to the declared unit ``to``: known, or by way of earlier units.

    Args:
        unit: the unit of the numbers.
        to: the declared unit.
        earlier: earlier units of the same column.

    Raises:
        InputError: when no way leads from one to the other.
    """
    try:
        return conversion(unit, to)
    except InputError:
        for each in earlier:
            try:
                return chain(conversion(unit, each.unit), each.conversion)
            except InputError:
                continue
        raise
