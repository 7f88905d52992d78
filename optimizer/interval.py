"""Means and 90 % intervals of true values, and how reported figures are rounded."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Decimal places of reported fractions, tonnes and rates: far below any reading, and enough that
# a sum of rounded tonnes stays inside the lot.
PLACES = 6
# Quantiles between which a value lies with a probability of 90 %.
ENDS = (0.05, 0.95)


@dataclass(frozen=True)
class Interval:
    """Mean and 90 % interval of one true value; the mean is None where nothing is known."""

    mean: float | None
    low: float
    high: float

    @classmethod
    def of_draws(cls, draws: NDArray[np.float64]) -> Interval:
        """Mean and 90 % interval of draws of a value, shape (n,)."""
        low, high = np.quantile(draws, ENDS)
        return cls(float(draws.mean()), float(low), float(high))

    def as_dict(self) -> dict[str, float | None]:
        """JSON form, rounded to ``PLACES``."""
        return {"mean": rounded(self.mean), "low": rounded(self.low), "high": rounded(self.high)}

    def exact(self) -> dict[str, float | None]:
        """JSON form to the last digit, for figures that others sum."""
        return {"mean": self.mean, "low": self.low, "high": self.high}


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
