"""What a gap is worth over a season, as all answers say it: first what is sure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optimizer.text.figures import exact_percent, level


def season_value(value: Mapping[str, float], comparison: Mapping[str, Any]) -> str:
    """A sentence about ``value_per_season`` of a line.

    Args:
        value: the value, with what is sure of it.
        comparison: the ``highside.comparison/1`` document.

    >>> document = {"prices": {"hours": 900.0, "currency": "credits"}, "basis": {"confidence": 0.9}}
    >>> value = {"mean": 17000.0, "low": -2000.0, "high": 31000.0, "sure": 3000.0}
    >>> season_value(value, document)[:62]
    'Worth at least 3,000 credits in a season of 900 h (90 % sure);'
    >>> season_value({**value, "sure": 0.0}, document)[:53]
    'No worth is 90 % sure yet for a season of 900 h; 17,0'
    """
    prices = comparison["prices"]
    currency = prices["currency"] or "in the currency of the price"
    season, asked = level(prices["hours"]), exact_percent(comparison["basis"]["confidence"])
    mean, low, high, sure = (f"{value[k]:,.0f}" for k in ("mean", "low", "high", "sure"))
    expected = f"{mean} {currency} expected, between {low} and {high} with 90 % chance."
    if value["sure"] <= 0.0:
        return f"No worth is {asked} % sure yet for a season of {season} h; {expected}"
    return (
        f"Worth at least {sure} {currency} in a season of {season} h ({asked} % sure); {expected}"
    )
