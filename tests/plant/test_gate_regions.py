"""Today's limits on a line whose air is set at several gates."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from optimizer.errors import InputError, LimitError
from optimizer.plant.brief import Brief
from optimizer.plant.region import Coupling, Region
from optimizer.plant.settings import GRAVITY_TABLE, Setting, SettingSpace
from optimizer.plant.site import Site

SPACE = GRAVITY_TABLE.with_gates("air", 4, 20.0)
SITE = Site.from_dict({"settings": {"air": {"gates": 4, "max_taper": 20}}})
MIXED = Site.from_dict({"lines": {"deck-3": {"air": {"gates": 4}}}})


def gates_of(points):
    return SPACE.values(points)[:, 4:]


def ends(region, gate):
    j = SPACE.names.index(gate)
    low, high = SPACE.settings[j].values(np.array([region.first[j], region.last[j]]))
    return low, high


def test_limits_of_the_whole_hold_for_every_gate_and_those_of_a_gate_for_it_alone():
    brief = Brief.from_dict({"limits": {"air": {"low": 10, "high": 80}, "air_2": {"high": 70}}})
    region = brief.check_names(SITE).region(SPACE)
    assert [ends(region, f"air_{k}") for k in (1, 2, 3, 4)] == [
        (10, 80),
        (10, 70),
        (10, 80),
        (10, 80),
    ]
    fixed = Brief.from_dict({"limits": {"air": {"fixed": 33}}}).region(SPACE)
    assert {ends(fixed, f"air_{k}") for k in (1, 2, 3, 4)} == {(33, 33)}
    one = Brief.from_dict({"limits": {"air_3": {"fixed": 33}}}).region(SPACE)
    assert (ends(one, "air_3"), ends(one, "air_4")) == ((33, 33), (0, 90))


def test_a_limit_that_leaves_a_gate_no_level_names_it():
    with pytest.raises(LimitError, match=r"no level of air_1 is left.*fixed at 95") as caught:
        Brief.from_dict({"limits": {"air": {"fixed": 95}}}).region(SPACE)
    assert caught.value.where == "limits.air.fixed"


def test_max_change_holds_for_each_gate():
    site = Site.from_dict({"settings": {"air": {"gates": 4, "max_change": 5}}})
    brief = Brief.from_dict({"current": {"air_4": 20, "air": 40}}).check_names(site)
    region = brief.region(site.space)
    assert [ends(region, f"air_{k}") for k in (1, 4)] == [(35, 45), (15, 25)]
    assert brief.current_on(site.space) == {"air_1": 40, "air_2": 40, "air_3": 40, "air_4": 20}


def test_a_coupling_takes_the_mean_of_the_gates_or_one_of_them():
    terms = {"air": 1.0, "side_tilt": 10.0}
    brief = Brief.from_dict({"couplings": [{"terms": terms, "at_most": 50}]}).check_names(SITE)
    region = brief.region(SPACE)
    points = SPACE.index_of(
        *(
            {"feed_rate": 2, "end_raise": 2, "side_tilt": 2, "eccentric_speed": 450, **gates}
            for gates in (
                {"air_1": 20, "air_2": 30, "air_3": 30, "air_4": 40},  # the mean is 30
                {"air_1": 30, "air_2": 30, "air_3": 30, "air_4": 31},
            )
        )
    )
    assert region.contains(points).tolist() == [True, False]
    assert region.couplings[0].describe() == "1·air + 10·side_tilt ≤ 50"
    one = Brief.from_dict({"couplings": [{"terms": {"air_4": 1}, "at_most": 35}]}).region(SPACE)
    assert one.contains(points).tolist() == [False, True]


def test_pending_trials_state_all_gates_alike_or_each():
    whole = {"feed_rate": 2, "end_raise": 2, "side_tilt": 2, "eccentric_speed": 450, "air": 30}
    each = {**whole, "air_2": 40}
    brief = Brief.from_dict({"pending": [whole, each]}).check_names(SITE)
    found = brief.pending_on(SPACE)
    assert [tuple(trial.values())[4:] for trial in found] == [(30, 30, 30, 30), (30, 40, 30, 30)]
    del each["air"]
    with pytest.raises(InputError, match="number 1 lacks air_1, air_3, air_4"):
        Brief.from_dict({"pending": [each]}).check_names(SITE)


@pytest.mark.parametrize(
    ("site", "brief", "message"),
    [
        (SITE, {"limits": {"air_5": {"high": 3}}}, "air_5: 'air' has 4 gates, air_1 to air_4"),
        (Site(), {"current": {"air_2": 3}}, "air_2: 'air' has no gates. Add gates = N"),
        (MIXED, {"line": "deck-1", "current": {"air_2": 3}}, "'air' has no gates"),
        (MIXED, {"current": {"air_5": 3}}, "unknown name 'air_5'. Did you mean 'air_"),
        (SITE, {"couplings": [{"terms": {"airr": 1}, "at_most": 1}]}, "unknown name 'airr'"),
    ],
)
def test_names_that_a_line_does_not_have(site, brief, message):
    with pytest.raises(InputError, match=message):
        Brief.from_dict(brief).check_names(site)


def test_a_brief_for_any_line_may_name_the_gates_of_one():
    brief = Brief.from_dict({"limits": {"air_2": {"high": 70}}}).check_names(MIXED)
    assert ends(brief.region(MIXED.space_of("deck-3")), "air_2") == (0, 70)
    with pytest.raises(InputError, match="'air' has no gates"):
        brief.region(MIXED.space_of("deck-1"))


def test_neighboring_gates_of_all_samples_are_near_each_other():
    region = Region.whole(SPACE)
    points = region.sample(2048, np.random.default_rng(3))
    assert len(points) == 2048
    assert np.abs(np.diff(gates_of(points), axis=1)).max() == 20
    assert region.contains(points).all()
    # The points are spread: each gate reaches both ends of its range within a step or two.
    assert gates_of(points).min(axis=0) == pytest.approx(0, abs=2)
    assert gates_of(points).max(axis=0) == pytest.approx(90, abs=2)


def test_a_small_region_is_enumerated_as_every_combination_within_the_taper():
    space = SettingSpace((Setting("air", "turn", 0, 4, 1),)).with_gates("air", 3, 1.0)
    points = Region.whole(space).sample(1000, np.random.default_rng(0))
    by_hand = {
        p for p in product(range(5), repeat=3) if abs(p[0] - p[1]) <= 1 and abs(p[1] - p[2]) <= 1
    }
    assert {tuple(p) for p in points.tolist()} == by_hand
    assert len(points) == len(by_hand)


def test_gates_that_must_be_alike_still_have_neighbors():
    space = GRAVITY_TABLE.with_gates("air", 4, 0.0)
    region = Region.whole(space)
    points = region.sample(500, np.random.default_rng(1))
    assert (np.ptp(space.values(points)[:, 4:], axis=1) == 0).all()
    around = space.values(region.neighbors(points[0]))
    here = space.values(points[0])
    moved = around[:, 4:] != here[:, 4:]
    assert moved.all(axis=1).any()
    assert (moved.all(axis=1) | ~moved.any(axis=1)).all()
    # One of the four others moves together with all gates.
    assert (moved.all(axis=1) & (around[:, :4] != here[:, :4]).any(axis=1)).any()


def test_neighbors_stay_within_the_taper():
    region = Region.whole(SPACE)
    point = region.sample(16, np.random.default_rng(5))[0]
    around = region.neighbors(point)
    assert np.abs(np.diff(gates_of(around), axis=1)).max() <= 20
    assert len(around) == len(np.unique(around, axis=0))


def test_a_tight_coupling_is_sampled_within_the_taper():
    """The random walk keeps both limits, also where gates must be alike."""
    for taper in (0.0, 20.0):
        space = GRAVITY_TABLE.with_gates("air", 4, taper)
        tight = Coupling({"air": 1.0, "side_tilt": 1.0}, at_most=40.05, at_least=39.95)
        region = Region.whole(space, [tight])
        points = region.sample(400, np.random.default_rng(7))
        assert len(points) > 50
        assert region.contains(points).all()


def test_limits_that_no_taper_meets_are_refused_with_it():
    limits = {"air_1": {"high": 10}, "air_2": {"low": 40}}
    region = Brief.from_dict({"limits": limits}).region(SPACE)
    with pytest.raises(LimitError, match="air gate 1 and air gate 2 at most 20 turn apart"):
        region.sample(100, np.random.default_rng(0))


def test_a_space_without_gates_is_sampled_as_before():
    """The first three points of the sample as the program made them before there were gates."""
    points = Region.whole(GRAVITY_TABLE).sample(2048, np.random.default_rng(11))
    assert points[:3].tolist() == BEFORE


BEFORE = [[0, 12, 11, 38, 61], [32, 2, 39, 14, 19], [27, 38, 26, 51, 67]]
