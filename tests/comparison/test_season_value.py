"""What a season is worth: the currency of the site, and first what is sure."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.comparison.comparing import _value
from optimizer.comparison.request import ComparisonRequest, Prices
from optimizer.interval import Interval
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.text.money import season_value

CREDITS = Site.from_dict({"site": {"currency": "credits"}})
PRICED = {"goal": {"maximise": "value", "prices": {"product": 2400.0}}}


class Basis:
    feed_rate, min_grade, confidence = 2.0, 0.98, 0.9
    material = {"feed_grade": 0.93}


class Study:
    line = "deck-1"
    now, better, middlings = np.array([2.0]), np.array([2.5]), None

    def __init__(self, gap):
        self.gap_draws = gap


def worth(gap, **changes):
    study = Study(gap)
    vars(study).update(changes)
    return _value(study, CREDITS, Basis, Prices(2400.0, 900.0))


def test_only_what_is_sure_of_a_gain_counts_first():
    draws = np.linspace(-0.01, 0.09, 100_001)
    found = worth(draws)
    per_point = 2.0 * 0.93 / 0.98 * 2400.0 * 900.0
    # A tenth of the draws lies below zero: nothing is 90 % sure. The mean is a gain of 4 points.
    assert found.sure == pytest.approx(0.0, abs=1e-6 * per_point)
    assert found.expected.mean == pytest.approx(0.04 * per_point)
    assert worth(draws + 0.02).sure == pytest.approx(0.02 * per_point)
    assert worth(draws - 0.05).sure == 0.0


def test_a_line_without_a_change_or_without_sure_settings_is_worth_nothing():
    draws = np.full(10, 0.02)
    assert worth(draws, better=Study.now) is None
    assert worth(draws, better=None) is None
    assert worth(None) is None


def test_prices_are_in_the_currency_of_the_site_unless_they_name_another():
    priced = ComparisonRequest(prices=Prices(2400.0, 900.0))
    assert priced.in_currency("credits").prices.currency == "credits"
    own = ComparisonRequest(prices=Prices(2400.0, 900.0, currency="coins"))
    assert own.in_currency("credits").prices.currency == "coins"
    assert ComparisonRequest().in_currency("credits").prices is None
    brief = Brief.from_dict(PRICED)
    assert brief.check_names(CREDITS).goal.prices.currency == "credits"
    assert brief.check_names(Site()) is brief
    named = Brief.from_dict(
        {"goal": {"maximise": "value", "prices": {"product": 1, "currency": "x"}}}
    )
    assert named.check_names(CREDITS).goal.prices.currency == "x"


def test_the_sentence_names_what_is_sure_and_in_what():
    document = {"prices": {"hours": 900.0, "currency": None}, "basis": {"confidence": 0.9}}
    value = Interval(17000.0, -2000.0, 31000.0).as_dict() | {"sure": 3000.0}
    said = season_value(value, document)
    assert said.startswith("Worth at least 3,000 in the currency of the price")
    assert season_value({**value, "sure": 0.0}, document).startswith("No worth is 90 % sure yet")
