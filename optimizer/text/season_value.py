"""What a gap is worth over a season, as all answers say it: first what is sure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from optimizer.text.words import ENGLISH, Words


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
