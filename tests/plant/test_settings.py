"""Settings on a lattice: exact decimal steps, and limits that every lattice point obeys."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from optimizer.errors import InputError, LimitError
from optimizer.plant.region import Coupling, Region
from optimizer.plant.settings import GRAVITY_TABLE, Setting, SettingSpace


@pytest.mark.parametrize(
    ("low", "high", "step", "values"),
    [
        (0.5, 2.0, 0.5, [0.5, 1.0, 1.5, 2.0]),
        (0.1, 0.45, 0.1, [0.1, 0.2, 0.3, 0.4]),
        (0.0, 0.3, 0.1, [0.0, 0.1, 0.2, 0.3]),
        (300.0, 312.0, 5.0, [300.0, 305.0, 310.0]),
        (1.0, 2.0, 1.0, [1.0, 2.0]),
        (0.125, 0.5, 0.125, [0.125, 0.25, 0.375, 0.5]),
    ],
)
def test_levels_start_at_low_and_are_written_as_decimals(low, high, step, values):
    setting = Setting("x", "t/h", low, high, step)
    assert setting.values(np.arange(setting.top + 1)).tolist() == values


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ((2.0, 1.0, 0.1), "low 2 must be below high 1 t/h"),
        ((1.0, 1.0, 0.1), "low 1 must be below high 1"),
        ((0.0, 1.0, 0.0), "step 0 must be above 0"),
        ((0.0, 1.0, 2.0), "step 2 must be above 0 and fit"),
        ((0.0, 1.0, 1e-7), "more than 100000 levels"),
        ((0.0, np.inf, 1.0), "must be finite"),
        ((0.0, 1.0, 0.1, 0.05), "max_change 0.05 is smaller than the step"),
    ],
)
def test_impossible_settings_are_refused(fields, message):
    with pytest.raises(InputError, match=message):
        Setting("x", "t/h", *fields)


@given(
    low=st.integers(-50, 50),
    steps=st.integers(1, 400),
    step=st.sampled_from([0.01, 0.05, 0.1, 0.25, 1.0, 5.0]),
    data=st.data(),
)
def test_every_level_maps_back_to_its_index_and_lies_inside(low, steps, step, data):
    setting = Setting("x", "", round(low * step, 6), round((low + steps) * step, 6), step)
    space = SettingSpace((setting,))
    index = data.draw(st.integers(0, setting.top))
    value = setting.values(np.array([[index]]))
    assert setting.low - 1e-9 <= value[0, 0] <= setting.high + 1e-9
    assert space.nearest_index(value)[0, 0] == index
    assert setting.levels_between(value[0, 0], value[0, 0]) == (index, index)
    assert len(repr(float(value[0, 0]))) < 12


def test_narrowing_keeps_only_levels_inside():
    region = Region.whole(GRAVITY_TABLE).narrow("air", 10.5, 12.9, "a limit")
    column = GRAVITY_TABLE.names.index("air")
    assert (region.first[column], region.last[column]) == (11, 12)
    with pytest.raises(LimitError, match=r"no level of air is left.*a limit; another limit"):
        region.narrow("air", 11.2, 11.8, "another limit")


COUPLINGS = {
    "loose": [Coupling({"side_tilt": 1.0, "eccentric_speed": -0.01}, at_most=0.0)],
    # Leaves about a thousandth of the box: rejection sampling alone would find nothing.
    "tight": [
        Coupling({"feed_rate": 1.0, "end_raise": 1.0}, at_most=1.2),
        Coupling({"side_tilt": 1.0, "air": 0.05}, at_least=8.4),
    ],
}


@pytest.mark.parametrize("name", COUPLINGS)
def test_samples_are_inside_distinct_and_repeatable(name):
    region = Region.whole(GRAVITY_TABLE, COUPLINGS[name])
    found = region.sample(300, np.random.default_rng(0))
    assert len(found) > 20
    assert region.contains(found).all()
    assert len(np.unique(found, axis=0)) == len(found)
    np.testing.assert_array_equal(found, region.sample(300, np.random.default_rng(0)))
    values = GRAVITY_TABLE.values(found)
    named = dict(zip(GRAVITY_TABLE.names, values.T, strict=True))
    for coupling in COUPLINGS[name]:
        total = sum(c * named[n] for n, c in coupling.terms.items())
        assert np.all((total >= coupling.at_least - 1e-9) & (total <= coupling.at_most + 1e-9))


def test_couplings_that_exclude_every_step_are_named():
    region = Region.whole(GRAVITY_TABLE, [Coupling({"air": 1.0, "feed_rate": 1.0}, at_most=0.4)])
    with pytest.raises(LimitError, match=r"leave no settings to try: 1·air \+ 1·feed_rate ≤ 0.4"):
        region.sample(10, np.random.default_rng(0))


def test_a_small_region_is_enumerated():
    space = SettingSpace((Setting("a", "", 0, 2, 1), Setting("b", "", 0, 3, 1)))
    assert len(Region.whole(space).sample(100, np.random.default_rng(0))) == 12


@settings(max_examples=30)
@given(st.integers(0, 2**31))
def test_neighbors_stay_inside_and_never_include_the_point(seed):
    rng = np.random.default_rng(seed)
    region = Region.whole(GRAVITY_TABLE, COUPLINGS["loose"])
    point = region.sample(5, rng)[0]
    around = region.neighbors(point)
    assert region.contains(around).all()
    assert not np.all(around == point, axis=1).any()


def test_the_scikit_optimize_space_has_the_same_lattice():
    space = GRAVITY_TABLE.skopt()
    index = np.array(space.rvs(20, random_state=0))
    assert Region.whole(GRAVITY_TABLE).contains(index).all()
    assert [d.name for d in space.dimensions] == list(GRAVITY_TABLE.names)


def test_an_unknown_setting_names_the_nearest():
    with pytest.raises(InputError, match="Did you mean 'side_tilt'"):
        GRAVITY_TABLE["side_tlt"]


def test_gates_of_a_setting_stand_in_its_place_from_the_feed_end():
    space = GRAVITY_TABLE.with_gates("air", 4, max_taper=12.0)
    assert space.names == (*GRAVITY_TABLE.names[:4], "air_1", "air_2", "air_3", "air_4")
    assert space.gates == {"air": (4, 5, 6, 7)}
    whole, gate = GRAVITY_TABLE["air"], space["air_2"]
    assert (gate.low, gate.high, gate.step) == (whole.low, whole.high, whole.step)
    assert (gate.unit, gate.gate_of, gate.max_taper) == (whole.unit, "air", 12.0)


def test_a_deck_without_gates_has_none():
    assert GRAVITY_TABLE.gates == {}


def test_one_gate_is_refused():
    with pytest.raises(InputError, match=r"'air': gates = 1; expected 2 or more"):
        GRAVITY_TABLE.with_gates("air", 1)
