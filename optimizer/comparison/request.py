"""What a user chooses for a comparison beyond the brief: lines, feed rate, prices, presentation."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimizer.comparison.density_fractions import Fractions
from optimizer.errors import InputError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.plant.mass import MassUnit

    Floats = NDArray[np.float64]

RANKED_BY = ("attainable", "current", "gap")


@dataclass(frozen=True)
class Prices:
    """Prices that turn recovery into money, each for a unit of the site's mass, such as a tonne.

    Args:
        product: value of product.
        hours: running hours of a season.
        reject: value of reject; recovered material is no longer sold as reject.
        currency: currency of all prices; that of the site when None.
        middlings: value of middlings; that of reject when None.
    """

    product: float
    hours: float
    reject: float = 0.0
    currency: str | None = None
    middlings: float | None = None

    def as_dict(self, mass: MassUnit) -> dict[str, object]:
        """JSON form, with the unit of mass; without a price of middlings where there is none."""
        found = {**asdict(self), "mass_unit": mass.name}
        if self.middlings is None:
            del found["middlings"]
        return found

    def season_of_middlings(self, gain: Floats, feed: float) -> Floats:
        """Value of a gain in the share of the middlings over a season, shape of ``gain``: what goes
        to the middlings does not go to the reject. ``feed`` is that of ``season``.

        >>> Prices(4.0, 100.0, reject=1.0, middlings=3.0).season_of_middlings(np.array([0.1]), 2.0)
        array([40.])
        """
        each = 0.0 if self.middlings is None else self.middlings - self.reject
        return np.asarray(gain * feed * each * self.hours)

    def season(self, gain: Floats, feed: float, feed_grade: float, grade: float) -> Floats:
        """Value of a gain in recovery over a season, shape of ``gain``.

        For each tonne of feed of grade f, a gain dr in recovery makes f dr / grade tonnes more
        product of the required grade, and as much less reject; so for any other unit of mass.

        Args:
            gain: gain in recovery, fraction.
            feed: feed rate, in the prices' unit of mass an hour.
            feed_grade, grade: grade of the feed and required grade of the product, fractions.
        """
        product = feed * feed_grade * gain / grade
        return np.asarray(product * (self.product - self.reject) * self.hours)


@dataclass(frozen=True)
class ComparisonRequest:
    """Which lines are compared, at which feed rate, and how the answer is shown.

    Args:
        lines: names of the lines; all lines when None.
        feed_rate: feed rate in the site's unit; the median of the lines' feed rates when None.
        prices: prices that turn the gap into a value per season.
        fractions: density fractions, from which each line gets a partition curve; they may include
            lines without runs.
        ranked_by: ``attainable``, ``current`` or ``gap``.
        anonymous: whether lines are called by letters, in the order of their rank.

    Raises:
        InputError: when ``ranked_by`` is none of these.
    """

    lines: Sequence[str] | None = None
    feed_rate: float | None = None
    prices: Prices | None = None
    fractions: Fractions | None = None
    ranked_by: str = "attainable"
    anonymous: bool = False

    def in_currency(self, currency: str | None) -> ComparisonRequest:
        """This request, with its prices in a currency where they name none."""
        if self.prices is None or self.prices.currency is not None:
            return self
        return replace(self, prices=replace(self.prices, currency=currency))

    def __post_init__(self) -> None:
        if self.ranked_by not in RANKED_BY:
            raise InputError(
                f"ranked_by '{self.ranked_by}': expected one of {', '.join(RANKED_BY)}."
            )
