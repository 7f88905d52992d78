"""Mean and 90 % interval of a true value, and how its figures are rounded."""

from __future__ import annotations

from dataclasses import dataclass

# Decimal places of reported fractions, tonnes and rates: far below any reading, and enough that
# a sum of rounded tonnes stays inside the lot.
PLACES = 6


@dataclass(frozen=True)
class Interval:
    """Mean and 90 % interval of a true value; mean None where nothing is known."""

    mean: float | None
    low: float
    high: float

    def as_dict(self) -> dict[str, float | None]:
        """JSON form."""
        return {"mean": rounded(self.mean), "low": rounded(self.low), "high": rounded(self.high)}


def rounded(value: float | None) -> float | None:
    """A figure as it is reported; None where nothing is known."""
    return None if value is None else round(float(value), PLACES)
