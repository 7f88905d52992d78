"""The step and the range that the numbers of a log show."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_ROUND = (5.0, 2.5, 2.0, 1.0)
FINEST = 1000
"""Largest number of steps in a range that people set; finer numbers are a sensor's."""
_COARSE = 20
_NEAR = 1e-6


class Shown(NamedTuple):
    """What numbers show of a setting.

    Attributes:
        low, high: ends of the range, whole numbers of steps.
        step: the step.
        scatter: whether the numbers lie on no steps, as those of a sensor.
        single: whether all are one number.
    """

    low: float
    high: float
    step: float
    scatter: bool
    single: bool


def shown_by(values: Floats, usual: float) -> Shown:
    """The range and step of some numbers.

    The step is the largest round number of which all are multiples.

    Args:
        values: at least one finite number, shape (n,).
        usual: step where one number alone tells none.

    >>> shown_by(np.array([1.2, 1.8, 3.0]), 0.1)
    Shown(low=1.2, high=3.0, step=0.2, scatter=False, single=False)
    """
    distinct = np.unique(values)
    low, high = float(distinct[0]), float(distinct[-1])
    spread = high - low
    if spread <= _NEAR * max(abs(low), abs(high)):
        step = usual if _multiples(distinct, usual) else _finest_of(distinct, usual)
        return _around(low - step, high + step, step, (False, True), floor=low >= 0)
    found = next((s for s in _round_numbers(spread) if _multiples(distinct, s)), None)
    step = next(_round_numbers(spread / _COARSE)) if found is None else found
    return _around(low, high, step, (found is None, False), floor=low >= 0)


def _around(low: float, high: float, step: float, how: tuple[bool, bool], floor: bool) -> Shown:
    """A range of whole steps around two numbers, not below 0 where ``floor``."""
    first = np.floor(low / step + _NEAR)
    if floor:
        first = max(first, 0.0)
    last = max(np.ceil(high / step - _NEAR), first + 1)
    ends = [float(f"{x * step:.10g}") for x in (first, last)]
    return Shown(ends[0], ends[1], float(f"{step:.10g}"), *how)


def _finest_of(distinct: Floats, usual: float) -> float:
    """The largest round number below the usual step of which a number is a multiple."""
    return next((s for s in _round_numbers(usual) if _multiples(distinct, s)), usual)


def _round_numbers(spread: float) -> Iterator[float]:
    """Round numbers from the largest that fits in a spread to a thousandth of it."""
    power = np.floor(np.log10(spread))
    for down in range(4):
        for digit in _ROUND:
            step = float(digit * 10.0 ** (power - down))
            if spread / FINEST <= step <= spread * (1 + _NEAR):
                yield step


def _multiples(values: Floats, step: float) -> bool:
    return bool(np.all(np.abs(values / step - np.rint(values / step)) < 1e-4))
