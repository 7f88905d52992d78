"""A setting at several gates: what a site file says of it, and what its numbers mean."""

from __future__ import annotations

import tomllib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.errors import InputError
from optimizer.plant.gates import at_gates
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from optimizer.plant.site_document import changed, merged
from optimizer.plant.template import site_template

GATED = {"settings": {"air": {"gates": 4, "max_taper": 20}}}
GATES = ("air_1", "air_2", "air_3", "air_4")


def test_gates_replace_the_setting_in_its_place():
    site = Site.from_dict(GATED)
    assert site.space == GRAVITY_TABLE.with_gates("air", 4, 20.0)
    assert site.space_of("any").gates == {"air": (4, 5, 6, 7)}
    assert site.setting("air", None) == GRAVITY_TABLE["air"]
    assert site.setting_names == (*GRAVITY_TABLE.names, *GATES)


def test_fields_of_the_whole_hold_for_every_gate_and_one_gate_can_differ():
    air = {"gates": 3, "high": 80, "max_change": 5}
    site = Site.from_dict({"settings": {"air": air, "air_2": {"high": 70, "step": 2}}})
    found = [site.space[f"air_{k}"] for k in (1, 2, 3)]
    assert [(s.low, s.high, s.step, s.max_change) for s in found] == [
        (0, 80, 1, 5),
        (0, 70, 2, 5),
        (0, 80, 1, 5),
    ]


@pytest.mark.parametrize("short", [False, True])
def test_one_line_alone_has_gates(short):
    own = {"air": {"gates": 4, "high": 60}, "air_3": {"high": 50}}
    site = Site.from_dict({"lines": {"deck-3": own if short else {"settings": own}}})
    assert site.space == site.space_of("deck-1") == GRAVITY_TABLE
    assert site.space_of("deck-3").names == (*GRAVITY_TABLE.names[:4], *GATES)
    assert [site.space_of("deck-3")[gate].high for gate in GATES] == [60, 60, 50, 60]
    # A gate that a line does not have is, in a column of all lines, the setting as a whole.
    assert site.setting("air_3", "deck-1").high == 90
    assert site.setting("air_3", "deck-3").high == 50
    assert site.setting("air", "deck-3").high == 60


def test_a_line_overrides_gates_that_all_lines_have():
    site = Site.from_dict(
        {
            "settings": {"air": {"gates": 4, "max_taper": 20}, "air_2": {"high": 70}},
            "lines": {
                "a": {"air_3": {"high": 50}},
                "b": {"air": {"high": 60}},
                "c": {"air": {"gates": 2}},
                "d": {"air": {"max_taper": 5}},
            },
        }
    )
    assert [site.space_of("a")[gate].high for gate in GATES] == [90, 70, 50, 90]
    assert [site.space_of("b")[gate].high for gate in GATES] == [60, 60, 60, 60]
    # Gate 2 of two lies elsewhere on the deck than gate 2 of four.
    assert [s.high for s in site.space_of("c").settings[4:]] == [90, 90]
    assert {s.max_taper for s in site.space_of("c").settings[4:]} == {20}
    assert {s.max_taper for s in site.space_of("d").settings[4:]} == {5}
    assert [s.high for s in site.space_of("d").settings[4:]] == [90, 70, 90, 90]
    assert site.setting_columns.gates == {"air": GATES}


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        (
            {"air": {"gates": 4}, "air_5": {"high": 70}},
            r"settings.air_5\]: 'air' has 4 gates, air_1 to air_4. Name one of these",
        ),
        (
            {"air_2": {"high": 70}},
            r"settings.air_2\]: 'air' has no gates. Add gates = N.*\[settings.air\]",
        ),
        ({"air": {"gates": 1}}, "settings.air.gates: .*from 2 to 20; leave gates out .*got 1"),
        ({"air": {"gates": 2.5}}, "settings.air.gates: expected a whole number .*got 2.5"),
        ({"air": {"gates": "four"}}, "settings.air.gates: .*got 'four'"),
        ({"air": {"gates": True}}, "settings.air.gates: is not a number of gates"),
        ({"air": {"gates": 400}}, "settings.air.gates: expected .* from 2 to 20"),
        ({"air": {"max_taper": 5}}, r"\[settings.air\] max_taper: 'air' has no gates.*gates = N"),
        ({"air": {"gates": 2, "max_taper": -1}}, "max_taper: .*greater than or equal to 0"),
        (
            {"air": {"gates": 2}, "air_1": {"unit": "%"}},
            r"\[settings.air_1\] unit: all gates of 'air' have the same .*\[settings.air\]",
        ),
        ({"air": {"gates": 2}, "air_1": {"gates": 2}}, r"\[settings.air_1\] gates: all gates"),
        ({"air": {"gates": 2}, "air_1": {"low": 95}}, "'air_1': low 95 must be below high 90"),
        ({"feed_rate": {"gates": 2}}, "a deck has one feed rate"),
        ({"airr_2": {"high": 5}}, "no setting 'airr_2'. Did you mean 'air'"),
        ({"air_0": {"high": 5}}, "no setting 'air_0'"),
    ],
)
def test_refusals(settings, message):
    with pytest.raises(InputError, match=f"site.toml: .*{message}"):
        Site.from_dict({"settings": settings}, source="site.toml")


def test_a_line_in_another_unit_states_its_taper_too():
    own = {"unit": "%", "low": 0, "high": 100, "step": 5}
    with pytest.raises(InputError, match=r"lines.a.settings.air\]: unit '%'.*max_taper must be"):
        Site.from_dict({**GATED, "lines": {"a": {"air": own}}})
    site = Site.from_dict({**GATED, "lines": {"a": {"air": {**own, "max_taper": 15}}}})
    assert {s.unit for s in site.space_of("a").settings[4:]} == {"%"}


def test_a_material_variable_cannot_have_the_name_of_a_gate():
    with pytest.raises(InputError, match="'air_2' is already a column"):
        Site.from_dict({**GATED, "material": {"air_2": {"low": 0, "high": 1}}})


def test_gates_share_the_earlier_units_of_the_whole():
    was = [{"unit": "turn", "at": [[0, 0], [90, 100]]}]
    air = {"unit": "%", "low": 0, "high": 100, "step": 1, "gates": 2, "was": was}
    site = Site.from_dict({"settings": {"air": air}})
    assert site.was("air_2", "any") == site.was("air", None)
    assert len(site.was("air_2", None)) == 1


def test_a_site_without_gates_keeps_its_fingerprint():
    # Computed by the program as it was before there were gates.
    site = Site.from_dict({"settings": {"air": {"high": 60}}})
    assert site.fingerprint == FINGERPRINT
    gated = Site.from_dict({"settings": {"air": {"high": 60, "gates": 2}}})
    assert gated.fingerprint != FINGERPRINT


FINGERPRINT = "d32536d3b3cd0f27beb70d9ff15bd968e3ee1fc77a36d438584b753d15e39584"


def test_the_template_shows_gates_that_work_once_uncommented():
    lines = site_template().splitlines()
    start = lines.index("# gates = 4")
    text = "\n".join(
        line.removeprefix("# ") if start <= k < start + 4 else line for k, line in enumerate(lines)
    )
    space = Site.from_dict(tomllib.loads(text)).space
    assert space.names[4:] == GATES
    assert (space["air_1"].max_taper, space["air_1"].high, space["air_2"].high) == (20, 100, 70)


def test_a_changed_site_file_keeps_its_gates():
    text = (
        "[settings.air]\nhigh = 80 # as built\ngates = 4\n\n[settings.air_2]\nhigh = 70\n\n"
        "[lines.deck-3.air]\nhigh = 60\n\n[lines.deck-3.air_3]\nhigh = 50\n"
    )
    wish = {"settings": {"air": {"high": 85}}, "lines": {"deck-3": {"air": {"high": 65}}}}
    found = changed(text, wish)
    assert found == text.replace("80 #", "85 #").replace("60", "65")
    assert tomllib.loads(found) == merged(tomllib.loads(text), wish)


@pytest.mark.parametrize(
    ("values", "count", "expected"),
    [
        ([33.0], 4, [33.0] * 4),
        ([10.0, 20.0, 30.0, 40.0], 1, [25.0]),
        ([10.0, 20.0, 30.0, 40.0], 2, [15.0, 35.0]),
        ([10.0, 20.0, 30.0, 40.0], 4, [10.0, 20.0, 30.0, 40.0]),
    ],
)
def test_values_at_another_number_of_gates(values, count, expected):
    assert at_gates(np.array([values]), count)[0] == pytest.approx(expected)


@given(
    st.integers(2, 8).flatmap(lambda n: st.lists(st.floats(0, 90), min_size=n, max_size=n)),
    st.integers(2, 8),
)
def test_interpolation_agrees_with_numpy(values, count):
    """numpy.interp on the middles of the gates, written out gate by gate."""
    n = len(values)
    have = [(k + 0.5) / n for k in range(n)]
    want = [(k + 0.5) / count for k in range(count)]
    assert at_gates(np.array([values]), count)[0] == pytest.approx(
        np.interp(want, have, values), abs=1e-9
    )
