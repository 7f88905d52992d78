"""Conversions between units: known factors, shifted scales, and pairs that a site file gives."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer import InputError, Site
from optimizer.plant.conversions import Factor, Pairs, Scale, conversion, conversion_with

NUMBERS = st.floats(-1e4, 1e4, allow_subnormal=False)


@given(NUMBERS)
def test_a_temperature_is_converted_as_its_definition_says(value):
    """Fahrenheit = Celsius * 9/5 + 32, kelvin = Celsius + 273.15 (NIST SP 811, appendix B.8)."""
    exact = Fraction(value)
    for unit, expected in (
        ("degF", exact * Fraction(9, 5) + 32),
        ("K", exact + Fraction("273.15")),
    ):
        there = conversion("degC", unit)
        found = float(there(np.array([value]))[0])
        assert math.isclose(found, float(expected), rel_tol=1e-13, abs_tol=1e-11)
        assert math.isclose(there.inverse(np.array([found]))[0], value, rel_tol=1e-11, abs_tol=1e-9)


def test_readings_of_a_thermometer_come_out_as_people_write_them():
    there = conversion("°C", "degF")
    assert there(np.array([20.0, 36.6, -40.0])).tolist() == [68.0, 97.88, -40.0]
    assert there.inverse(np.array([98.6, 32.0])).tolist() == [37.0, 0.0]


def test_a_density_is_converted_with_the_published_factor():
    """1 lb/ft3 is 16.01846 kg/m3 (NIST SP 811, appendix B.9)."""
    found = conversion("lb/ft3", "kg/m3")(np.array([1.0]))[0]
    assert found == pytest.approx(16.01846, rel=5e-7)


def test_per_cent_and_fraction_convert_exactly():
    there = conversion("%", "fraction")
    assert there(np.array([97.2, 50.0])).tolist() == [0.972, 0.5]
    assert there.inverse(np.array([0.972, 0.112])).tolist() == [97.2, 11.2]


@pytest.mark.parametrize(("unit", "to"), [("turn", "%"), ("degC", "bar"), ("turn", "degC")])
def test_what_measures_something_else_is_refused(unit, to):
    with pytest.raises(InputError, match="cannot be turned into"):
        conversion(unit, to)


RISING = st.lists(st.floats(0.1, 50.0), min_size=2, max_size=6).map(
    lambda steps: tuple(np.cumsum(steps).round(3).tolist())
)


@given(RISING, RISING, st.floats(-10, 400))
def test_pairs_lead_there_and_back(old, new, value):
    size = min(len(old), len(new))
    pairs = Pairs(old[:size], new[:size])
    assert pairs(np.array(old[:size])) == pytest.approx(new[:size], rel=1e-12)
    back = pairs.inverse(pairs(np.array([value, np.nan])))
    assert back[0] == pytest.approx(value, rel=1e-9, abs=1e-7)
    assert np.isnan(back[1])


@given(st.floats(0, 90))
def test_between_pairs_numbers_are_interpolated_as_numpy_does(value):
    pairs = Pairs((0.0, 30.0, 90.0), (0.0, 60.0, 100.0))
    expected = np.interp(value, pairs.old, pairs.new)
    assert pairs(np.array([value]))[0] == pytest.approx(expected, rel=1e-12, abs=1e-12)


def test_beyond_the_pairs_the_last_two_are_continued():
    pairs = Pairs((0.0, 30.0, 90.0), (0.0, 60.0, 120.0))
    assert pairs(np.array([-3.0, 96.0])).tolist() == [-6.0, 126.0]


# ------------------------------------------------------------------ in the site file

PER_CENT = {"unit": "%", "low": 0, "high": 100, "step": 1}


def site(was, **more):
    return Site.from_dict({"settings": {"air": {**PER_CENT, "was": was, **more}}}, "site.toml")


def test_a_unit_beside_the_earlier_one_is_converted_by_way_of_it():
    earlier = site([{"unit": "turn", "at": [[0, 0], [90, 100]]}]).was("air", None)
    assert conversion_with("turns", "%", earlier)(np.array([45.0])).tolist() == [50.0]
    assert conversion_with("fraction", "%", earlier)(np.array([0.5])).tolist() == [50.0]
    with pytest.raises(InputError, match="'mm' cannot be turned into '%'"):
        conversion_with("mm", "%", earlier)


@pytest.mark.parametrize(
    ("was", "said"),
    [
        ([{"unit": "turn", "at": [[0, 0]]}], "at least two pairs"),
        (
            [{"unit": "turn", "at": [[0, 0], [90, 0]]}],
            r"\[90, 0\] must be above pair \[0, 0\]",
        ),
        ([{"unit": "turn", "at": [[9, 0], [9, 5]]}], r"\[9, 5\] must be above pair \[9, 0\]"),
        ([{"unit": "turn"}], "settings.air.was.0.at: Field required"),
        ([{"unit": "turn", "at": [[0, 0], [90]]}], "settings.air.was.0.at.1"),
        (
            [{"unit": "turn", "at": [[0, 0], [9, 9]], "to": 1}],
            "key 'settings.air.was.0.to'",
        ),
        ([{"unit": "fraction", "at": [[0, 0], [1, 100]]}], "is converted to '%' without it"),
        ([{"unit": "[t]", "at": [[0, 0], [1, 100]]}], "cannot stand in the heading"),
    ],
)
def test_an_impossible_entry_says_where_and_why(was, said):
    with pytest.raises(InputError, match=said) as stop:
        site(was)
    assert stop.value.message.startswith("site.toml")


def test_a_line_has_its_own_earlier_units_or_those_of_all_lines():
    at = {"at": [[0, 0], [90, 100]]}
    found = Site.from_dict(
        {
            "settings": {"air": {**PER_CENT, "was": [{"unit": "turn", **at}]}},
            "lines": {
                "a": {"air": {"high": 90}},
                "b": {"air": {"was": [{"unit": "notch", **at}]}},
                "c": {"air": {"unit": "turn", "low": 0, "high": 80, "step": 1}},
            },
        }
    )
    units = {line: [each.unit for each in found.was("air", line)] for line in ("a", "b", "c", "d")}
    assert units == {"a": ["turn"], "b": ["notch"], "c": [], "d": ["turn"]}


@pytest.mark.parametrize("made", [Factor(0.02).inverse, Factor(1000.0), Scale(9.0, 160.0, 5.0)])
def test_a_number_beyond_all_numbers_becomes_infinite_without_a_warning(made):
    assert made(np.array([1e308, -1e308])).tolist() == [math.inf, -math.inf]
