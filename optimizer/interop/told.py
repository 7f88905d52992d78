"""What an optimizer is told: trials with their readings, checked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from numbers import Real as RealNumber
from typing import Any

import numpy as np
from skopt.space import Space
from skopt.utils import check_x_in_space

from optimizer.errors import InputError


@dataclass(frozen=True)
class Told:
    """One trial that was told.

    Attributes:
        x: the point, one value for each dimension.
        y: the reading; NaN where the trial failed.
        noise: standard deviation of the reading's error; None where it is not known.
        constraint: readings of the constraints, each met where it is at most 0.
    """

    x: list[Any]
    y: float
    noise: float | None
    constraint: tuple[float, ...]

    @property
    def failed(self) -> bool:
        """Whether the trial gave no reading."""
        return bool(np.isnan(self.y))

    @property
    def counts(self) -> bool:
        """Whether the trial gave a reading that meets all constraints."""
        return not self.failed and all(c <= 0.0 for c in self.constraint)


def rank(each: Told) -> tuple[int, float]:
    """Order of trials from the best (Deb, Comput. Methods Appl. Mech. Eng. 186, 2000, 311-338):
    those that meet the constraints by their reading, then by the worst violation, then failures."""
    if each.failed:
        return 2, 0.0
    return (0, each.y) if each.counts else (1, max(each.constraint))


def one_each(name: str, given: Any, n: int, several: bool) -> list[Any]:
    """One entry for each of n points.

    Raises:
        InputError: when their number is not that of the points.
    """
    if not several or given is None:
        return [given] * n
    entries = list(given) if isinstance(given, Sequence | np.ndarray) else None
    if entries is None or len(entries) != n:
        raise InputError(
            f"{name} has {'one entry' if entries is None else len(entries)} for {n} points.",
            hint=f"Give a list of one {name} for each point.",
        )
    return entries


def checked(space: Space, x: list[Any], y: Any, noise: Any, constraint: Any) -> Told:
    """A trial, checked.

    Raises:
        InputError: when something is not as ``Optimizer.tell`` says.
    """
    try:
        check_x_in_space(x, space)
    except (ValueError, TypeError) as error:
        raise InputError(
            f"point {x} is not in the space: {error}",
            hint=f"Give one value for each of {len(space.dimensions)} dimensions.",
        ) from None
    reading = np.nan if y is None else _number("y", y, x, failed=True)
    if noise is not None and not np.isnan(reading):
        noise = _number("noise", noise, x)
        if noise < 0.0:
            raise InputError(f"noise of point {x} is {noise}; it must not be negative.")
    if constraint is None or np.isnan(reading):
        return Told(x, reading, noise, ())
    each = np.atleast_1d(np.asarray(constraint, dtype=object)).ravel().tolist()
    return Told(x, reading, noise, tuple(_number("constraint", c, x) for c in each))


def _number(name: str, value: Any, x: list[Any], failed: bool = False) -> float:
    """A number that was told.

    Raises:
        InputError: when it is no finite number; NaN is allowed where a trial may have failed.
    """
    number = isinstance(value, RealNumber | np.integer | np.floating | np.bool_)
    if number and (np.isfinite(value) or (failed and np.isnan(value))):
        return float(value)
    hint = "Tell a trial that failed as None." if failed else ""
    raise InputError(f"{name} of point {x} is {value!r}, not a finite number.", hint=hint)
