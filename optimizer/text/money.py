"""Money as all answers tell it: prices, and what a gap is worth over a season, first what is
sure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optimizer.text.masses import mass_unit_of
from optimizer.text.words import ENGLISH, Words

NO_CURRENCY = "value"
"""Stands in documents for the currency where neither brief nor site file names one."""


def prices_told(prices: Mapping[str, Any], words: Words = ENGLISH) -> str:
    """A sentence about prices: of what, for which mass, in which currency.

    Args:
        prices: the prices of a plan or a comparison. A program from before prices had a unit of
            mass meant tonnes.
        words: how the reader is told things.

    >>> prices_told({"product": 1.09, "reject": 0.4, "hour": 60, "currency": "credits",
    ...              "mass_unit": "lb"})
    'Prices per lb in credits: product 1.09, reject 0.4; an hour of running costs 60.'
    """
    say, currency = words["prices"], prices.get("currency")
    each = [
        words.fill(say[name], price=prices[name])
        for name in ("product", "middlings", "reject", "feed")
        if prices.get(name) is not None and (prices[name] or name in ("product", "middlings"))
    ]
    named = currency if currency not in (None, NO_CURRENCY) else ""
    told = words.fill(
        say["told"],
        mass=words.mass_word(mass_unit_of(prices)),
        currency=words.fill(say["currency"], currency=named) if named else "",
        each=each,
    )
    hour = words.fill(say["hour"], price=prices["hour"]) if prices.get("hour") else ""
    return f"{told}{hour}."


def season_value(
    value: Mapping[str, float], comparison: Mapping[str, Any], words: Words = ENGLISH
) -> str:
    """A sentence about ``value_per_season`` of a line.

    Args:
        value: the value, with what is sure of it.
        comparison: the ``highside.comparison/1`` document.
        words: how the reader is told things.

    >>> document = {"prices": {"hours": 900.0, "currency": "credits"}, "basis": {"confidence": 0.9}}
    >>> value = {"mean": 17000.0, "low": -2000.0, "high": 31000.0, "sure": 3000.0}
    >>> season_value(value, document)[:62]
    'Worth at least 3,000 credits in a season of 900 h (90 % sure);'
    >>> season_value({**value, "sure": 0.0}, document)[:53]
    'No worth is 90 % sure yet for a season of 900 h; 17,0'
    """
    prices, say = comparison["prices"], words["season"]
    told = {
        "currency": prices["currency"] or say["currency"],
        "hours": prices["hours"],
        "confidence": comparison["basis"]["confidence"],
        **{key: value[key] for key in ("mean", "low", "high", "sure")},
    }
    expected = words.fill(say["expected"], **told)
    return words.fill(say["unsure" if value["sure"] <= 0.0 else "sure"], expected=expected, **told)
