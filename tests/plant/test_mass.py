"""The unit of mass of a plant: its factors, what a brief means by it, and what people read.

Exact masses of the units: NIST Special Publication 811 (2008), appendix B.8: the pound
(avoirdupois) is 0.453 592 37 kg, the short ton 2000 lb, 907.1847 kg.
"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest

from cli.show.plan import plan as plan_as_text
from optimizer import Site
from optimizer.errors import InputError, LimitError
from optimizer.planning.limits import Limits
from optimizer.plant.brief import Brief
from optimizer.plant.mass import MASSES, MassUnit
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.presentation.page import report_html
from optimizer.presentation.pages import sheet_html
from optimizer.presentation.sheet import make_sheet
from tests.presentation.report_case import documents, parse, season_review, text_of

KILOGRAMS = {"t": 1000.0, "kg": 1.0, "lb": 0.45359237, "short_ton": 907.18474}


@pytest.mark.parametrize("name", MASSES)
def test_a_tonne_is_as_many_as_the_standard_says(name):
    unit = MassUnit(name)
    assert unit.per_tonne == pytest.approx(1000.0 / KILOGRAMS[name], rel=1e-12)
    assert unit.in_tonnes(unit.of_tonnes(0.9)) == pytest.approx(0.9, rel=1e-12)
    assert (unit.of_tonnes(None), unit.in_tonnes(None)) == (None, None)


def test_a_site_tells_tonnes_unless_it_says_otherwise():
    assert Site().mass == MassUnit("t")
    site = Site.from_dict({"site": {"mass": "short_ton"}})
    assert site.mass.name == "short_ton"
    assert Site().fingerprint == Site.from_dict({}).fingerprint


def test_an_unknown_unit_of_mass_is_refused():
    with pytest.raises(InputError, match=r"site\.mass: Input should be 't', 'kg', 'lb' or 'short"):
        Site.from_dict({"site": {"mass": "ton"}})


def limits_of(mass: str, available: float) -> Limits:
    brief = Brief.from_dict({"trials": {"count": 5, "material_available": available}})
    return Limits(GRAVITY_TABLE, brief, 1.0, 0, MassUnit(mass))


def test_a_lot_is_in_the_unit_of_the_plant():
    """By hand: at the lowest feed rate, 0.5 t/h, a trial of 30 min takes 0.25 t or 551.2 lb."""
    assert limits_of("lb", 1700.0).lot == pytest.approx(0.77110703)
    count, (said,) = limits_of("lb", 1700.0).affordable()
    assert count == 3
    assert said == "3 of 5 trials fit: 1700 lb are available and one takes at least 551.2."
    assert limits_of("kg", 770.0).affordable()[0] == 3
    assert limits_of("short_ton", 0.85).affordable()[0] == 3


def test_a_lot_too_small_for_a_trial_is_refused_in_the_unit_of_the_plant():
    with pytest.raises(LimitError, match=r"500 lb are available and one trial takes at least 551"):
        limits_of("lb", 500.0).affordable()


@pytest.mark.parametrize(
    ("name", "feed", "digits", "unit"),
    [
        ("t", "0.90", 2, "t"),
        ("kg", "900", 0, "kg"),
        ("lb", "1984", 0, "lb"),
        ("short_ton", "0.99", 2, "short tons"),
    ],
)
def test_people_read_feed_and_product_in_the_unit_of_the_plant(name, feed, digits, unit):
    """0.9 t are 1984.16 lb, or 0.992 short tons: by the factors above."""
    plan = replace(season_review().plan, mass=MassUnit(name)).as_dict()
    today = documents(season_review())["landscape"]["today"]
    first = plan["recommendations"][0]
    assert (first["material_t"], plan["mass_unit"]) == (0.9, name)
    assert first["material_mass"] == pytest.approx(900.0 / KILOGRAMS[name], abs=1e-6)
    rate = f"{1000.0 * plan['run_now']['product_t_per_h'] / KILOGRAMS[name]:.{digits}f}"
    text = plan_as_text(plan)
    assert re.search(rf" {feed} +30\n", text)
    assert max(map(len, text.splitlines())) <= 80
    assert f"Product about {rate} {unit}/h." in " ".join(text.split())
    sheet = text_of(parse(sheet_html(make_sheet(plan, today))))
    assert f"Takes {feed} {unit} and 30 min." in sheet
    assert f"6 {unit} of feed for the batch" in sheet
    page = report_html(plan, documents(season_review())["landscape"])
    assert f"{rate}</data> {unit}/h" in page
    assert f'Feed<br><span class="unit">{unit}</span>' in page


def test_a_plan_of_an_earlier_program_is_told_in_tonnes():
    plan = season_review().plan.as_dict()
    now = plan_as_text(plan)
    del plan["mass_unit"], plan["run_now"]["product_rate"]
    for trial in plan["recommendations"]:
        del trial["material_mass"]
    assert plan_as_text(plan) == now
