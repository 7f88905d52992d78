"""Gates as level, taper and bow: the polynomials, the inputs, the points of a search."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.plant.profiles import moves, polynomials, profiles_of
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE

FOUR = GRAVITY_TABLE.with_gates("air", 4)
# Orthogonal polynomial coefficients for equally spaced levels, linear and quadratic, as tabled by
# Fisher & Yates, Statistical Tables, table XXIII (values from memory; the contrasts are checked to
# be orthogonal beside them).
TABLED = {
    3: [[-1, 0, 1], [1, -2, 1]],
    4: [[-3, -1, 1, 3], [1, -1, -1, 1]],
    5: [[-2, -1, 0, 1, 2], [2, -1, -2, -1, 2]],
    6: [[-5, -3, -1, 1, 3, 5], [5, -1, -4, -4, -1, 5]],
}


@pytest.mark.parametrize(("count", "rows"), TABLED.items())
def test_taper_and_bow_are_the_tabled_polynomials_up_to_sign_and_scale(count, rows):
    tabled = np.array(rows, dtype=float)
    assert tabled[0] @ tabled[1] == 0.0
    assert not tabled.sum(axis=1).any()
    scaled = -tabled * np.sqrt(count / np.sum(tabled**2, axis=1))[:, None]
    np.testing.assert_allclose(polynomials(count)[1:3], scaled, atol=1e-12)


def test_two_gates_have_a_level_and_a_taper_alone():
    two = profiles_of(GRAVITY_TABLE.with_gates("air", 2))
    assert two.names[4:] == ("air", "air_taper")
    assert [degree for _, degree in two.directions] == [0, 0, 0, 0, 0, 1]


def test_contrasts_share_the_mean_square_about_the_level():
    gates = profiles_of(FOUR).gates[0]
    values = np.random.default_rng(0).uniform(0.0, 90.0, (50, 4))
    level, *contrasts = gates.profile(values).T
    np.testing.assert_allclose(level, values.mean(axis=1))
    np.testing.assert_allclose(np.sum(np.square(contrasts), axis=0), np.var(values, axis=1))
    assert gates.profile(np.array([[60.0, 50.0, 40.0, 30.0]]))[0, 1] > 0.0
    assert gates.profile(np.array([[40.0, 50.0, 50.0, 40.0]]))[0, 2] > 0.0


def test_gates_alike_are_inputs_of_one_air_and_contrasts_in_the_middle():
    values = GRAVITY_TABLE.values(Region.whole(GRAVITY_TABLE).sample(64, np.random.default_rng(1)))
    alike = np.hstack([values[:, :4], np.repeat(values[:, 4:], 4, axis=1)])
    inputs = profiles_of(FOUR).inputs(alike)
    np.testing.assert_allclose(inputs[:, :5], GRAVITY_TABLE.to_unit(values), atol=1e-12)
    assert (inputs[:, 5:] == 0.5).all()


def test_gates_of_other_ranges_that_are_set_alike_have_no_taper():
    space = FOUR.override({"air_2": {"low": 20.0, "high": 70.0}})
    values = space.values(space.index_of(dict.fromkeys(space.names, 40.0)))
    values[:, 4:] = 40.0
    assert (profiles_of(space).inputs(values)[:, 5:] == 0.5).all()


def test_a_space_without_gates_is_left_as_it_is():
    profiles = profiles_of(GRAVITY_TABLE)
    values = np.random.default_rng(2).uniform(GRAVITY_TABLE.low, GRAVITY_TABLE.low + 1.0, (9, 5))
    assert profiles.names == GRAVITY_TABLE.names
    assert profiles.contrasts == ()
    np.testing.assert_array_equal(profiles.inputs(values), GRAVITY_TABLE.to_unit(values))
    np.testing.assert_array_equal(profiles.shapes, np.eye(5))


def test_spread_points_vary_the_level_widely_and_the_profile_modestly():
    space = GRAVITY_TABLE.with_gates("air", 4, max_taper=12.0)
    region = Region.whole(space).narrow("air_2", 10.0, 60.0, "a stiff gate")
    points = region.sample(512, np.random.default_rng(3))
    values = space.values(points)[:, 4:]
    level, taper, bow, rest = profiles_of(space).gates[0].profile(values).T
    assert np.ptp(level) > 60.0
    inside = (level > 20.0) & (level < 50.0)
    assert np.median(np.abs(taper[inside])) < 2.0 < np.abs(taper[inside]).max()
    assert np.abs(bow[inside]).max() > 0.5
    # Rounding to steps is all that is left.
    assert np.abs(rest[inside]).max() < 0.6
    assert np.abs(np.diff(values[inside], axis=1)).max() <= 13.0
    assert region.contains(points).all()


def test_moves_of_gates_are_level_taper_and_bow_and_never_one_gate_of_four():
    gates = moves(FOUR, (1, 4))[:, 4:]
    found = {tuple(row) for row in gates}
    assert {(1, 1, 1, 1), (4, 1, -1, -4), (-4, 4, 4, -4), (8, 5, 3, 0)} <= found
    assert all(sum(x != 0 for x in row) != 1 for row in found)


def test_a_gate_at_the_end_of_its_range_stays_while_the_others_move():
    region = Region.whole(FOUR).narrow("air_1", 0.0, 40.0, "a stiff gate")
    here = np.array([10, 10, 10, 10, 40, 40, 40, 40])
    around = region.neighbors(here, (1,))
    assert (around == [10, 10, 10, 10, 40, 41, 41, 41]).all(axis=1).any()
    assert region.contains(around).all()
