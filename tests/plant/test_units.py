"""Units: conversions, the units that a site may declare, and numbers that read back as typed.

Exact factors: the inch is 25.4 mm and the pound 0.45359237 kg by the international agreement of
1959 (NIST Special Publication 811, appendix B, from memory).
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer import Site
from optimizer.errors import InputError
from optimizer.plant.shares import measure, share
from optimizer.plant.units import as_typed, factor, scaled, unit_factor

# ------------------------------------------------------------------ conversion


@pytest.mark.parametrize(
    ("unit", "to", "by"),
    [
        ("kg/h", "t/h", 0.001),
        ("lb/h", "t/h", 0.00045359237),
        ("short_ton/h", "t/h", 0.90718474),
        ("in", "mm", 25.4),
        ("ft", "mm", 304.8),
        ("Hz", "rpm", 60.0),
        ("g/kg", "", 0.001),
        ("%", "", 0.01),
    ],
)
def test_factors_are_the_exact_ones(unit, to, by):
    assert unit_factor(unit, to) == by


@pytest.mark.parametrize(
    ("unit", "to"),
    [("deg", ""), ("%", "deg"), ("kHz", "rpm"), ("count/min", "rpm"), ("turn", "rpm")],
)
def test_an_angle_is_no_bare_number_and_a_rate_of_counts_no_rotation(unit, to):
    with pytest.raises(InputError, match=f"unit '{unit}' cannot be turned into '{to}'"):
        unit_factor(unit, to)


def test_each_value_is_scaled_independently():
    by = np.array([0.01, 0.001, 2.0, 1.0])
    values = np.array([97.2, 3300.0, 1.1, 0.7])
    alone = [float(scaled(np.array([v]), float(b))[0]) for v, b in zip(values, by, strict=True)]
    assert scaled(values, by).tolist() == alone == [0.972, 3.3, 2.2, 0.7]


@given(st.integers(1, 10**12), st.integers(-6, 2), st.sampled_from(["lb/h", "kg/h", "kg/min"]))
def test_a_number_of_few_digits_survives_a_conversion_and_back(digits, power, unit):
    typed = float(f"{digits}e{power}")
    by = factor(unit, "t/h")
    there = scaled(np.array([typed]), by)
    assert as_typed(scaled(there, 1.0 / by)).tolist() == [typed]


def test_a_number_of_many_digits_is_not_rounded():
    many = np.array([np.pi, -np.e * 1e5, 1 / 3, 0.0, np.nan, np.inf])
    np.testing.assert_array_equal(as_typed(many), many)


# ------------------------------------------------------------------ shares and measures


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("98.5%", 0.985),
        ("98.5 %", 0.985),
        ("98,5%", 0.985),
        ("98.7 percent", 0.987),
        ("0.985", 0.985),
        (0.985, 0.985),
        ("98.5 kg", "98.5 kg"),
        ("1,200", "1,200"),
        ("nan", "nan"),
        ("", ""),
    ],
)
def test_a_share_may_be_written_in_per_cent(written, meant):
    assert share(written) == meant


@pytest.mark.parametrize(
    ("written", "unit", "meant"),
    [
        ("95.5%", "", 0.955),
        ("95.5%", "%", 95.5),
        ("95.5", "%", 95.5),
        ("0.7 g/cm**3", "kg/m**3", 700.0),
        (11, "%", 11.0),
        ("95.5 deg", "", None),
        ("11 t", "%", None),
        ("wet", "%", None),
    ],
)
def test_a_measure_may_have_a_unit_of_its_own(written, unit, meant):
    assert measure(written, unit) == meant


# ------------------------------------------------------------------ what a site may declare


@pytest.mark.parametrize(
    ("name", "unit", "accepted"),
    [
        ("feed_rate", "m3/h", "t/h, kg/h, lb/h"),
        ("feed_rate", "tons/h", "short_ton/h"),
        ("feed_rate", "mark", "was = [{ unit = "),
        ("end_raise", "kg", "deg or rad, or a height such as mm, cm or in, or a scale: turn, mark"),
        ("side_tilt", "rpm", "deg or rad"),
        ("eccentric_speed", "t/h", "rpm or Hz"),
        ("eccentric_speed", "kHz", "rpm or Hz"),
        ("air", "turn [0-90]", "without square brackets"),
        ("air", "x" * 41, "up to 40 characters"),
    ],
)
@pytest.mark.parametrize("line", [None, "deck-1"])
def test_a_unit_that_could_not_be_recorded_is_refused_in_the_site_file(
    tmp_path, line, name, unit, accepted
):
    table = {"unit": unit, "low": 1, "high": 9, "step": 1}
    head = f"settings.{name}" if line is None else f"lines.{line}.settings.{name}"
    body = "\n".join(f"{key} = {json.dumps(value)}" for key, value in table.items())
    file = tmp_path / "mill.toml"
    file.write_text(f"[{head}]\n{body}\n", encoding="utf-8")
    with pytest.raises(InputError) as refused:
        Site.read(file)
    said = str(refused.value)
    assert str(file) in said
    assert f"[{head}] unit" in said
    assert accepted in said


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ({"unit": "deg", "low": 0, "high": 1}, 'Accepted: "fraction" or "%"'),
        ({"unit": "kg", "low": 0, "high": 1}, 'Accepted: "fraction" or "%"'),
        ({"low": 50, "high": 100}, 'declare unit = "%"'),
        ({"unit": "%", "low": -5, "high": 100}, "is not a range of a share"),
    ],
)
def test_a_feed_grade_that_is_no_share_is_refused(table, said):
    with pytest.raises(InputError) as refused:
        Site.from_dict({"material": {"feed_grade": table}}, source="site.toml")
    assert "site.toml: [material.feed_grade]" in str(refused.value)
    assert said in str(refused.value)
