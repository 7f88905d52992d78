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
from optimizer.plant.mass import MassUnit
from optimizer.plant.settings import FEED_RATE, SettingSpace
from optimizer.text.money import NO_CURRENCY

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Worth = Callable[[Floats, Floats], Floats]


class Objective(Protocol):
    """The worth of the true separation at inputs, as a function of sharpness and balance."""

    @property
    def unit(self) -> str:
        """Unit of a gain in worth."""
        ...

    def at(self, A: Floats) -> Worth:
        """The worth at inputs A, shape (n, d): a function of sharpness and balance, each (..., n),
        that gives the worth, shape (..., n)."""
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

    def at(self, A: Floats) -> Worth:
        """Recovery, which is the same at all inputs."""
        return lambda S, C: expit(0.5 * (C + S))


RECOVERY = Recovery()


def told_prices(prices: Prices, mass: MassUnit) -> dict[str, float | str]:
    """The prices that are stated, as JSON, always with a currency and the unit of mass."""
    told = prices.model_dump(exclude_none=True)
    return {**told, "currency": prices.currency or NO_CURRENCY, "mass_unit": mass.name}


@dataclass(frozen=True)
class ValuePerHour:
    """The hourly value as worth: product and reject sold, less feed and running cost.

    Args:
        prices: prices of a unit of mass of product, reject and feed, and cost of an hour.
        feed_odds: log odds of today's feed grade.
        feed: function from inputs, shape (n, d), to feed rates in that unit of mass an hour, shape
            (n,).
        middlings: function from inputs, shape (n, d), to the expected share of the feed that goes
            to the middlings, shape (n,); None where there are none, or they have no price.
    """

    prices: Prices
    feed_odds: float
    feed: Callable[[Floats], Floats]
    middlings: Callable[[Floats], Floats] | None = None

    @property
    def unit(self) -> str:
        """Unit of a gain in value an hour."""
        return f"{self.prices.currency or NO_CURRENCY}/h"

    def at(self, A: Floats) -> Worth:
        """Value an hour, in the currency of the prices.

        Middlings count by their expected share, at most what the product leaves of the feed. The
        value is linear in that share, so its uncertainty does not change the expected value.
        """
        feed, p = self.feed(A), self.prices
        middlings = None if self.middlings is None else self.middlings(A)

        def worth(S: Floats, C: Floats) -> Floats:
            share = self.yield_(S, C)
            each = share * p.product + (1.0 - share) * p.reject - p.feed
            if middlings is not None and p.middlings is not None:
                each = each + np.minimum(middlings, 1.0 - share) * (p.middlings - p.reject)
            return feed * each - p.hour

        return worth

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
    goal: Goal,
    space: SettingSpace,
    mass_per_unit: float,
    feed_odds: float,
    middlings: Callable[[Floats], Floats] | None = None,
) -> Objective:
    """The objective of a goal.

    Args:
        goal: goal of the brief.
        space: the settings of the line, which must include the feed rate where the goal is value.
        mass_per_unit: factor from the unit of the feed rate to an hour's mass in the unit of the
            prices.
        feed_odds: log odds of today's feed grade.
        middlings: expected share of the feed that goes to the middlings, as of ``ValuePerHour``.

    Raises:
        InputError: when the goal is value and the site has no feed rate.
    """
    if goal.maximise == "trade-off":
        # Without a grade to reach, every product that is better than the feed counts.
        return Recovery(goal.min_grade or float(expit(feed_odds)))
    if goal.prices is None:
        return RECOVERY
    if FEED_RATE not in space.names:
        raise InputError(
            '[goal] maximise = "value" needs feed_rate among the settings of the line.',
            hint='Declare [settings.feed_rate] in the site file, or write maximise = "recovery".',
            where="goal.maximise",
        )
    j = space.names.index(FEED_RATE)
    low, span = space.low[j], space.span[j]

    def feed(A: Floats) -> Floats:
        return (low + span * A[:, j]) * mass_per_unit

    priced = goal.prices.middlings is not None
    return ValuePerHour(goal.prices, feed_odds, feed, middlings if priced else None)
