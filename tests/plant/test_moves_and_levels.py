"""Steps on the lattice, levels of a setting and today's limits, worked out by hand."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest

from optimizer.errors import InputError, LimitError
from optimizer.plant.brief import Brief, Limit, Range, Trials
from optimizer.plant.profiles import moves, polynomials, profiles_of
from optimizer.plant.region import Coupling, Region
from optimizer.plant.settings import GRAVITY_TABLE, Setting, SettingSpace
from optimizer.plant.site import Site

TILT = Setting("side_tilt", "deg", 0.5, 4.5, 0.2)
SITE = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 5.0, "high": 25.0}}})

# ------------------------------------------------------------------ moves


def test_one_setting_moves_by_each_reach_and_two_move_together_in_all_four_ways():
    found = [tuple(row) for row in moves(GRAVITY_TABLE, (1, 2, 4)).tolist()]
    wanted = set()
    for j, by in product(range(5), (1, 2, 4, -1, -2, -4)):
        wanted.add(tuple(by if k == j else 0 for k in range(5)))
    for (i, j), by, a, b in product(combinations(range(5), 2), (1, 4), (1, -1), (1, -1)):
        wanted.add(tuple({i: a * by, j: b * by}.get(k, 0) for k in range(5)))
    assert set(found) == wanted
    assert len(found) == len(wanted)


def test_a_taper_moves_with_the_level_of_its_own_gates_alone():
    """Of three gates in shares of the outermost: level 1 1 1, taper 1 0 -1, bow -1/2 1 -1/2."""
    two = SettingSpace(GRAVITY_TABLE.settings[3:]).with_gates("air", 3)
    found = {tuple(row) for row in moves(two, (2,)).tolist()}
    single = {(2, 0, 0, 0), (0, 2, 2, 2), (0, 2, 0, -2), (0, -1, 2, -1)}
    pairs = {(2, 2, 2, 2), (2, -2, -2, -2), (0, 4, 2, 0), (0, 0, 2, 4)}
    both = single | pairs
    assert found == both | {tuple(-x for x in row) for row in both}


def test_a_level_keeps_its_taper_within_what_the_gates_allow():
    space = GRAVITY_TABLE.with_gates("air", 3, max_taper=10.0)
    profiles = profiles_of(space)
    columns = list(profiles.gates[0].columns)
    wide = np.array([[30.0, 0.0, -30.0], [5.0, 0.0, -5.0], [10.0, 0.0, -20.0]])
    held = profiles._held(columns, wide)
    assert held == pytest.approx(
        np.array([[10.0, 0.0, -10.0], [5.0, 0.0, -5.0], [5.0, 0.0, -10.0]])
    )
    free = profiles_of(GRAVITY_TABLE.with_gates("air", 3))
    assert free._held(columns, wide) == pytest.approx(wide)


def test_polynomials_of_a_profile_are_orthogonal_and_signed_by_the_feed_end_and_the_middle():
    for count in (2, 3, 4, 5, 7):
        found = polynomials(count)
        assert found @ found.T == pytest.approx(count * np.eye(count), abs=1e-9)
        assert found[0] == pytest.approx(np.ones(count))
        assert found[1, 0] > 0.0 > found[1, -1]
    assert polynomials(5)[2, 2] > 0.0


def test_inputs_and_values_of_a_profile_are_inverse():
    space = GRAVITY_TABLE.with_gates("air", 4)
    profiles = profiles_of(space)
    values = space.values(Region.whole(space).sample(32, np.random.default_rng(0)))
    inputs = profiles.inputs(values)
    assert inputs * profiles.span + profiles.low == pytest.approx(profiles.values(values), abs=1e-6)
    assert profiles.levels == (0, 1, 2, 3, 4, 4, 4, 4)
    assert profiles.contrasts == ((5, 4, 1), (6, 4, 2), (7, 4, 3))
    assert (profiles.whole, profiles.degrees) == (5, (0, 0, 0, 0, 0, 1, 2, 3))


# ------------------------------------------------------------------ levels


def test_levels_inside_a_range_are_counted_from_the_lowest():
    """Levels 0.5, 0.7, ... 4.5 have the numbers 0 to 20."""
    assert TILT.top == 20
    assert TILT.levels_between(0.7, 1.1) == (1, 3)
    assert TILT.levels_between(0.71, 1.09) == (2, 2)
    assert TILT.levels_between(-9.0, 9.0) == (0, 20)
    first, last = TILT.levels_between(0.71, 0.89)
    assert first > last


def test_a_value_between_two_levels_is_refused_with_both():
    with pytest.raises(InputError, match=r"\[limits.side_tilt\] fixed = 1 is not a step") as no:
        TILT.require_level(1.0, "limits.side_tilt.fixed")
    assert "0.9 and 1.1 deg" in no.value.hint
    assert no.value.where == "limits.side_tilt.fixed"
    for fine in (0.5, 0.9, 4.5, 9.0):
        TILT.require_level(fine, "limits.side_tilt.fixed")


def test_a_step_may_fill_the_range_and_a_move_may_be_one_step():
    assert Setting("x", "", 0.0, 1.0, 1.0, max_change=1.0, max_taper=0.0).top == 1
    with pytest.raises(InputError, match="smaller than the step"):
        Setting("x", "", 0.0, 1.0, 0.5, max_change=0.4)
    with pytest.raises(InputError, match="must be above 0"):
        Setting("x", "", 0.0, 1.0, 1.1)
    with pytest.raises(InputError, match="more than 100000 levels"):
        Setting("x", "", 0.0, 1.0, 0.9e-5)
    assert Setting("x", "", 0.0, 1.0, 1e-5).top == 100_000


@pytest.mark.parametrize("settings", [(), (TILT, TILT)])
def test_a_space_has_settings_and_each_name_once(settings):
    with pytest.raises(InputError, match="at least one setting, and each name once"):
        SettingSpace(settings)


def test_values_are_clipped_to_the_nearest_level():
    space = SettingSpace((TILT,))
    assert space.nearest_index(np.array([[0.0], [0.61], [0.59], [99.0]]))[:, 0].tolist() == [
        0, 1, 0, 20,
    ]  # fmt: skip


# ------------------------------------------------------------------ limits


def region(**brief):
    return Brief.from_dict(brief).region(GRAVITY_TABLE)


def ends(found, name):
    j = GRAVITY_TABLE.names.index(name)
    return tuple(GRAVITY_TABLE.settings[j].values(np.array([found.first[j], found.last[j]])))


def test_today_s_limits_narrow_one_setting_each():
    found = region(limits={"air": {"low": 30}, "side_tilt": {"high": 2.0}, "end_raise": {
        "fixed": 2.5}}, capacity={"min_feed_rate": 1.0, "max_feed_rate": 3.0})  # fmt: skip
    assert ends(found, "air") == (30.0, 90.0)
    assert ends(found, "side_tilt") == (0.5, 2.0)
    assert ends(found, "end_raise") == (2.5, 2.5)
    assert ends(found, "feed_rate") == (1.0, 3.0)
    assert ends(found, "eccentric_speed") == (300.0, 600.0)
    assert found.size == 61 * 16 * 1 * 21 * 61


@pytest.mark.parametrize(
    ("brief", "where"),
    [
        ({"capacity": {"min_feed_rate": 4.1}}, "capacity.min_feed_rate"),
        ({"capacity": {"max_feed_rate": 0.4}}, "capacity.max_feed_rate"),
        ({"limits": {"air": {"low": 40.2, "high": 40.8}}}, "limits.air"),
    ],
)
def test_limits_without_a_level_say_where_they_stand(brief, where):
    with pytest.raises(LimitError) as refused:
        region(**brief)
    assert (refused.value.where, refused.value.code) == (where, "no-level")


def test_a_limit_is_one_value_or_a_range_and_its_ends_may_be_equal():
    assert Limit(low=2.0, high=2.0).high == 2.0
    for wrong in ({"fixed": 1.0, "low": 0.0}, {"fixed": 1.0, "high": 2.0}, {"low": 2.0, "high": 1}):
        with pytest.raises(ValueError, match=r"fixed|above"):
            Limit(**wrong)


def test_a_coupling_bounds_a_sum_at_either_end():
    """At 2 t/h: 10 x tilt - air within -20 to 0."""
    terms = {"side_tilt": 10.0, "air": -1.0}
    at = {"feed_rate": 2.0, "end_raise": 2.5, "eccentric_speed": 450.0, "side_tilt": 2.0}
    points = GRAVITY_TABLE.index_of(*({**at, "air": air} for air in (19, 20, 40, 41)))
    both = region(couplings=[{"terms": terms, "at_most": 0, "at_least": -20}])
    most = region(couplings=[{"terms": terms, "at_most": 0}])
    least = region(couplings=[{"terms": terms, "at_least": -20}])
    assert both.contains(points).tolist() == [False, True, True, False]
    assert most.contains(points).tolist() == [False, True, True, True]
    assert least.contains(points).tolist() == [True, True, True, False]
    assert Coupling(terms, 0.0, -20.0).describe() == "-20 ≤ 10·side_tilt + -1·air ≤ 0"
    assert Coupling(terms, at_most=0.0).describe() == "10·side_tilt + -1·air ≤ 0"


def test_a_coupling_so_tight_that_samples_miss_it_is_sampled_all_the_same():
    """Four settings must add up to 7 steps: at 120 of 41^4 points."""
    names = "abcd"
    space = SettingSpace(tuple(Setting(n, "", 0.0, 40.0, 1.0) for n in names))
    tight = Region.whole(space, [Coupling(dict.fromkeys(names, 1.0), 7.0, 7.0)])
    found = tight.sample(64, np.random.default_rng(0))
    assert len(found) > 1
    assert (space.values(found).sum(axis=1) == 7.0).all()
    never = Region.whole(space, [Coupling(dict.fromkeys(names, 1.0), -1.0)])
    with pytest.raises(LimitError, match="leave no settings to try") as refused:
        never.sample(64, np.random.default_rng(0))
    assert refused.value.code == "no-settings"


# ------------------------------------------------------------------ a brief


def test_a_trial_takes_the_time_to_settle_and_to_sample():
    assert Trials(settle_minutes=15, sample_minutes=7).minutes == 22.0


def today(written):
    return Brief.from_dict({"material": {"moisture": written}}).check_names(SITE).material


@pytest.mark.parametrize(
    ("written", "found"),
    [
        (11.0, 11.0),
        ("11,5", 11.5),
        ("10 to 12 %", Range(low=10.0, high=12.0)),
        ("10 to 12", Range(low=10.0, high=12.0)),
        ("10 to 10", 10.0),
        ({"low": 10, "high": 12}, Range(low=10.0, high=12.0)),
        (5.0, 5.0),
        (25.0, 25.0),
    ],
)
def test_today_s_material_is_a_value_or_a_range(written, found):
    assert today(written) == {"moisture": found}


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("wet", "expected a number"),
        ("12 to 10", "low 12 is above high 10"),
        (4.9, "outside the declared range 5 to 25 %"),
        (25.1, "outside the declared range 5 to 25 %"),
        ("4 to 10", "outside the declared range"),
    ],
)
def test_material_that_is_none_is_refused(written, said):
    with pytest.raises(InputError, match=said) as refused:
        today(written)
    assert refused.value.where.startswith("material.moisture")


def test_a_document_of_a_brief_holds_what_differs_from_the_defaults():
    assert Brief().as_document() == {}
    written = {"goal": {"min_grade": 0.98}, "trials": {"count": 2}}
    assert Brief.from_dict(written).as_document() == written
    changed = Brief.from_dict(written, goal__min_grade=0.97, line="a", trials__count=None)
    assert changed.as_document() == {"line": "a", "goal": {"min_grade": 0.97},
                                     "trials": {"count": 2}}  # fmt: skip


def test_what_varies_is_told_apart_from_its_middle():
    brief = Brief.from_dict({"material": {"moisture": "10 to 13", "material": "washed"}})
    checked = brief.check_names(SITE)
    assert checked.ranges == {"moisture": Range(low=10.0, high=13.0)}
    assert checked.usual_material == {"moisture": 11.5, "material": "washed"}
