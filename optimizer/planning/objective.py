"""The worth of a separation as a function of its sharpness and balance: recovery or hourly value.

The acquisition estimates how much a trial improves the worth, and the settings to run now have the
highest worth among settings that are sure enough of the grade.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from scipy.special import expit

from optimizer.errors import InputError
from optimizer.plant.brief import Goal, Prices
from optimizer.plant.settings import FEED_RATE, SettingSpace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


class Objective(Protocol):
    """A function that gives the worth of the true separation at inputs A, shape (n, d)."""

    @property
    def unit(self) -> str:
        """Unit of a gain in worth."""
        ...

    def worth(self, S: Floats, C: Floats, A: Floats) -> Floats:
        """Worth, shape (..., n), at inputs A with sharpness S and balance C, each (..., n)."""
        ...


@dataclass(frozen=True)
class Recovery:
    """The recovery as worth: the share of the wanted material that reaches the product.

    Args:
        reference: the lowest grade that counts, where the goal is the whole trade-off of grade and
            recovery: a gain is then the average over the grades from it to 1.
    """

    reference: float | None = None

    @property
    def unit(self) -> str:
        """Unit of a gain in recovery."""
        over = f", averaged over grades from {self.reference:.4g} to 1" if self.reference else ""
        return f"fraction of recovery{over}"

    def worth(self, S: Floats, C: Floats, A: Floats) -> Floats:
        """Recovery."""
        return expit(0.5 * (C + S))


RECOVERY = Recovery()


@dataclass(frozen=True)
class ValuePerHour:
    """The hourly value as worth: product and reject sold, less feed and running cost.

    Args:
        prices: prices of a tonne of product, reject and feed, and cost of an hour.
        feed_odds: log odds of today's feed grade.
        feed: function from inputs, shape (n, d), to feed rates, t/h, shape (n,).
    """

    prices: Prices
    feed_odds: float
    feed: Callable[[Floats], Floats]

    @property
    def unit(self) -> str:
        """Unit of a gain in value an hour."""
        return f"{self.prices.currency}/h"

    def worth(self, S: Floats, C: Floats, A: Floats) -> Floats:
        """Value an hour, in the currency of the prices."""
        share = self.yield_(S, C)
        p = self.prices
        each = share * p.product + (1.0 - share) * p.reject - p.feed
        return self.feed(A) * each - p.hour

    def per_recovery(self, A: Floats) -> float:
        """Value an hour of one more unit of recovery at inputs A, shape (1, d)."""
        wanted = expit(self.feed_odds)
        difference = abs(self.prices.product - self.prices.reject)
        return float(self.feed(A)[0] * wanted * difference)

    def yield_(self, S: Floats, C: Floats) -> Floats:
        """Share of the feed that goes to the product."""
        wanted = expit(self.feed_odds)
        return wanted * expit(0.5 * (C + S)) + (1.0 - wanted) * expit(0.5 * (C - S))


def objective_of(
    goal: Goal, space: SettingSpace, tonnes_per_unit: float, feed_odds: float
) -> Objective:
    """The objective of a goal.

    Args:
        goal: goal of the brief.
        space: the settings of the line, which must include the feed rate where the goal is value.
        tonnes_per_unit: factor from the unit of the feed rate to t/h.
        feed_odds: log odds of today's feed grade.

    Raises:
        InputError: when the goal is value and the site has no feed rate.
    """
    if goal.maximise == "trade-off":
        # Without a grade to reach, every product that is better than the feed counts.
        return Recovery(goal.min_grade or float(expit(feed_odds)))
    if goal.prices is None:
        return RECOVERY
    if FEED_RATE not in space.names:
        raise InputError('maximise = "value" needs a feed rate among the settings.')
    j = space.names.index(FEED_RATE)
    low, span = space.low[j], space.span[j]

    def feed(A: Floats) -> Floats:
        return (low + span * A[:, j]) * tonnes_per_unit

    return ValuePerHour(goal.prices, feed_odds, feed)
