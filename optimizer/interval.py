"""Means and 90 % intervals of true values, and how reported figures are rounded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Decimal places of reported fractions, tonnes and rates: far below any reading, and enough that
# a sum of rounded tonnes stays inside the lot.
PLACES = 6


@dataclass(frozen=True)
class Interval:
    """Mean and 90 % interval of one true value; the mean is None where nothing is known."""

    mean: float | None
    low: float
    high: float

    def as_dict(self) -> dict[str, float | None]:
        """JSON form."""
        return {"mean": rounded(self.mean), "low": rounded(self.low), "high": rounded(self.high)}


@dataclass(frozen=True)
class Intervals:
    """Means and intervals of n true values, each array of shape (n,)."""

    mean: Floats
    low: Floats
    high: Floats

    def __len__(self) -> int:
        return len(self.mean)

    def __getitem__(self, k: int) -> Interval:
        return Interval(float(self.mean[k]), float(self.low[k]), float(self.high[k]))

    def as_dict(self) -> dict[str, list[float]]:
        """JSON form, one list for each array."""
        ends = {"mean": self.mean, "low": self.low, "high": self.high}
        return {name: rounded_all(values) for name, values in ends.items()}


def rounded(value: float | None) -> float | None:
    """A figure as it is reported; None where nothing is known."""
    return None if value is None else round(float(value), PLACES)


def rounded_all(values: Floats) -> list[float]:
    """An array of figures, shape (n,), as they are reported."""
    return [float(v) for v in values.round(PLACES)]
