"""Prices are of the unit of mass in which the site tells lots and product."""

from __future__ import annotations

import numpy as np
import pytest

from cli.show import plan as show
from optimizer import suggest
from optimizer.comparison.comparing import _value
from optimizer.comparison.request import Prices
from optimizer.history.snapshot import Snapshot
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.text.money import prices_told
from optimizer.text.words import Words
from tests.comparison.test_season_value import Basis, Study

POUNDS_OF_A_TONNE = 1.0 / 0.45359237e-3
"""International avoirdupois pound: 0.45359237 kg exactly (NIST Handbook 44, appendix C)."""
TONNE = {"product": 2400.0, "reject": 900.0, "feed": 1500.0, "hour": 60.0}
POUND = {n: p if n == "hour" else p / POUNDS_OF_A_TONNE for n, p in TONNE.items()}


def planned(season, prices, mass):
    goal = {"maximise": "value", "min_grade": 0.97, "prices": prices}
    brief = Brief.from_dict({"line": "deck-1", "goal": goal, "trials": {"count": 2}})
    site = Site.from_dict({"site": {"mass": mass, "currency": "credits"}})
    return suggest(Snapshot.of_table(season), site, brief).as_dict()


@pytest.fixture(scope="module")
def plans(season_table):
    return planned(season_table, TONNE, "t"), planned(season_table, POUND, "lb")


def test_a_price_of_a_pound_is_worth_as_much_as_that_of_its_tonne(plans):
    tonne, pound = plans
    assert pound["run_now"]["settings"] == tonne["run_now"]["settings"]
    value = tonne["run_now"]["value_per_hour"]
    assert pound["run_now"]["value_per_hour"] == pytest.approx(value)
    for a, b in zip(tonne["recommendations"], pound["recommendations"], strict=True):
        assert (b["settings"], b["expected_gain"]) == (
            a["settings"], pytest.approx(a["expected_gain"]),
        )  # fmt: skip


def test_a_plan_says_of_what_its_prices_are(plans):
    for plan, mass in zip(plans, ("t", "lb"), strict=True):
        assert plan["goal"]["prices"]["mass_unit"] == mass
        assert plan["goal"]["gain_unit"] == "credits/h"
    assert prices_told(plans[0]["goal"]["prices"]) == (
        "Prices per tonne in credits: product 2400, reject 900, feed 1500; an hour of running "
        "costs 60."
    )
    told = prices_told({"product": 1.5, "mass_unit": "short_ton", "currency": "value"}, Words("es"))
    assert told == "Precios por tonelada corta: producto 1,5."


def test_prices_of_an_earlier_program_were_of_a_tonne():
    assert prices_told({"product": 2400.0}).startswith("Prices per tonne: product 2400.")


def test_a_season_is_worth_as_much_by_the_pound():
    def worth(mass, product):
        site = Site.from_dict({"site": {"mass": mass}})
        study = Study(np.array([0.01, 0.03]))
        return _value(study, site, Basis, Prices(product, 900.0)).expected.mean

    assert worth("lb", 2400.0 / POUNDS_OF_A_TONNE) == pytest.approx(worth("t", 2400.0))
    assert worth("kg", 2.4) == pytest.approx(worth("t", 2400.0))


def test_a_rate_in_short_tons_has_a_narrow_head(plans):
    units = {**plans[0]["units"], "feed_rate": "short_ton/h"}
    text = show.plan({**plans[0], "units": units, "mass_unit": "short_ton"})
    assert "sh tn/h" in text
    assert "short_ton/h" not in text.partition("Run now")[0]
