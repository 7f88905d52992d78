"""Numbers typed into forms and queries are parsed by the rules of a brief."""

from __future__ import annotations

import pytest

from optimizer.plant.shares import measure
from optimizer.service.exchange.problems import Problem
from optimizer.service.exchange.typed_numbers import fraction, measured, number, whole


@pytest.mark.parametrize("text", ["11.2", "11,2", " 11.2 ", "1.12e1", "+11.2", "-3", ",5"])
def test_a_typed_number_equals_that_of_a_brief(text):
    assert number(text, "moisture") == measure(text, "%")


@pytest.mark.parametrize("text", ["1,500", "1 500", "wet", "", "1e400", "٣", "11٣", "2;3", "nan"])
def test_text_that_is_not_one_number_is_refused(text):
    """For example, ``1,500`` is ambiguous: it means 1.5 or 1500 depending on the country."""
    with pytest.raises(Problem, match="is not a number"):
        number(text, "feed_rate")


def test_a_unit_is_kept_where_the_material_may_have_one():
    assert measured("95.5 %", "feed_grade") == "95.5 %"
    assert measured("95,5", "feed_grade") == 95.5


def test_shares_are_per_cent_and_counts_are_whole():
    assert (fraction("98,7", "Grade"), fraction("98.7%", "Grade")) == (0.987, 0.987)
    for text in ("0.987", "101", "-5"):
        with pytest.raises(Problem, match="write per cent"):
            fraction(text, "Grade")
    assert whole("400", "Particles counted") == 400
    with pytest.raises(Problem, match="not a whole number"):
        whole("4.5", "Particles counted")
