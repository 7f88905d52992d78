"""Plans of a deck whose air is set at four gates: limits, order of moves, and what is said."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.diagnostics.sensitivity import sensitivity
from optimizer.diagnostics.unexplored import collinear, untried_ranges
from optimizer.evidence.line_model import LineModel
from optimizer.history.snapshot import Snapshot
from optimizer.landscape.surroundings import landscape
from optimizer.landscape.what_if import WhatIf
from optimizer.planning.explanations import changes_between, watch_for, with_profile
from optimizer.planning.planner import plan_of, suggest
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.profiles import profiles_of
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from optimizer.simulation import demo_deck, demo_material
from optimizer.simulation.cases import with_tapered_need
from tests.conftest import run_table

FOUR = GRAVITY_TABLE.with_gates("air", 4)
SITE, AIR = Site(base=FOUR), FOUR.names[4:]
ASKED = {"line": "deck-1", "material": {"feed_grade": 0.93}, "goal": {"min_grade": 0.98}}


def runs(points, seed=4):
    """Runs at lattice points of a deck whose feed end needs more air."""
    settings, deck = FOUR.values(points), with_tapered_need(demo_deck("deck-1"), 0.15)
    read = deck.measure(settings, demo_material(), np.random.default_rng(seed))
    gates = {name: settings[:, FOUR.names.index(name)] for name in AIR}
    table = run_table(settings, read.grade, read.recovery, read.deck_state, **gates)
    return table.drop_columns(["air"])


@pytest.fixture(scope="module")
def situation():
    near = Region.whole(FOUR)
    usual = {"feed_rate": (1.5, 2.5), "end_raise": (2.0, 3.0), "eccentric_speed": (420.0, 500.0)}
    for name, ends in {**usual, **dict.fromkeys(AIR, (24.0, 44.0))}.items():
        near = near.narrow(name, *ends, "a deck that runs even")
    table = runs(near.sample(14, np.random.default_rng(3)))
    limits = {"limits": {"air_2": {"high": 60.0}, "air_4": {"low": 20.0}}, "trials": {"count": 2}}
    return situation_of(Snapshot.of_table(table), SITE, Brief.from_dict({**ASKED, **limits}))


@pytest.fixture(scope="module")
def plan(situation):
    return plan_of(situation)


def air_of(settings):
    return np.array([settings[name] for name in AIR])


def test_every_gate_keeps_its_own_limits_and_profiles_are_smooth(plan):
    for settings in (plan.run_now.settings, *(r.settings for r in plan.recommendations)):
        air = air_of(settings)
        assert air[1] <= 60.0
        assert air[3] >= 20.0
        if 0.0 < air[0] < 90.0 and air[1] < 60.0 and air[3] > 20.0:
            assert abs(profiles_of(FOUR).gates[0].profile(air[None, :])[0, 3]) < 2.0


def test_gates_are_set_one_after_another_from_the_feed_end_and_last():
    start = dict.fromkeys(FOUR.names, 20.0) | {"feed_rate": 1.5, "eccentric_speed": 400.0}
    start |= {"end_raise": 1.0, "side_tilt": 1.0}
    end = {name: value + 10.0 * FOUR[name].step for name, value in start.items()}
    moved = [change.setting for change in changes_between(FOUR, start, end)]
    assert moved == ["end_raise", "side_tilt", "eccentric_speed", *AIR, "feed_rate"]
    # Gates have the place of the setting that they make up, not of one that is not known.
    tilted = GRAVITY_TABLE.with_gates("side_tilt", 2)
    start = {s.name: s.low for s in tilted.settings}
    end = {s.name: s.low + s.step for s in tilted.settings}
    moved = [change.setting for change in changes_between(tilted, start, end)]
    assert moved[1:4] == ["side_tilt_1", "side_tilt_2", "eccentric_speed"]


def test_watch_speaks_of_the_profile_where_it_changes_most():
    here = dict.fromkeys(FOUR.names, 20.0) | {"feed_rate": 1.5, "eccentric_speed": 400.0}

    def told(*air):
        there = here | dict(zip(AIR, air, strict=True))
        return watch_for(FOUR, changes_between(FOUR, here, there))

    assert told(30, 30, 30, 30) == "Watch for a bed that bubbles and mixes; it needs less air."
    assert "a feed end that bubbles" in told(35, 25, 15, 5)
    assert "a feed end that stands still" in told(5, 15, 25, 35)
    assert "bubbles in its middle" in told(10, 30, 30, 10)
    assert "bubbles at its ends" in told(30, 10, 10, 30)


def test_a_reason_says_how_the_profile_differs_from_run_now():
    now = dict.fromkeys(FOUR.names, 20.0)

    def told(*air):
        return with_profile("Learns.", FOUR, now | dict(zip(AIR, air, strict=True)), now)

    assert told(30, 24, 16, 10) == "Learns. Tries more air at the feed end than run-now."
    assert told(10, 18, 22, 30) == "Learns. Tries more air at the discharge end than run-now."
    both = "Learns. Tries more air at the feed end and more air in the middle than run-now."
    assert told(24, 28, 22, 6) == both
    assert told(30, 30, 30, 30) == "Learns."
    one = GRAVITY_TABLE.settings
    assert with_profile("Learns.", GRAVITY_TABLE, {s.name: s.low for s in one}, {}) == "Learns."


def test_the_first_batch_varies_the_level_widely_and_tapers_modestly():
    one = runs(np.array([[20, 20, 20, 30, 45, 45, 45, 45]]))
    asked = Brief.from_dict({**ASKED, "trials": {"count": 8}})
    trials = suggest(Snapshot.of_table(one), SITE, asked).recommendations
    air = np.array([air_of(trial.settings) for trial in trials])
    level, taper, bow, rest = profiles_of(FOUR).gates[0].profile(air).T
    assert np.ptp(level) > 45.0
    assert 0.0 < np.abs(taper).max() <= 9.5
    assert np.abs(bow).max() <= 9.5
    assert np.abs(rest).max() < 6.0
    assert (profiles_of(FOUR).shapes[[4, 5], 4:] > 0.0).any()


def test_runs_with_gates_alike_are_told_of_once():
    points = Region.whole(GRAVITY_TABLE).sample(10, np.random.default_rng(5))
    alike = np.hstack([points[:, :4], np.repeat(points[:, 4:], 4, axis=1)])
    asked = Brief.from_dict(ASKED)
    warnings = situation_of(Snapshot.of_table(runs(alike)), SITE, asked).evidence.warnings
    assert sum("gates of air" in text for text in warnings) == 1
    assert not any("always moved together" in text for text in warnings)


def test_effects_are_of_level_and_taper(situation, plan):
    effects = landscape(situation, plan).run_now.effects
    assert [e.setting.name for e in effects] == [*GRAVITY_TABLE.names, "air_taper"]
    profiles, now = profiles_of(FOUR), air_of(plan.run_now.settings)
    air = profiles.gates[0].profile(now[None, :])[0] * profiles.told_by[4:]
    assert (effects[4].now, effects[5].now) == pytest.approx((air[0], air[1]))
    assert np.any(np.isclose(effects[5].levels, air[1]))
    assert effects[5].reading_levels.min() < 0.0 < 0.2 < effects[5].reading_levels.max()


def test_sensitivity_and_gaps_are_of_level_taper_and_bow(situation):
    model = LineModel(situation.evidence, fitted=situation.surrogate)
    found = sensitivity(model)
    assert found.names == (*GRAVITY_TABLE.names, "air_taper", "air_bow")
    assert found.low[5] < 0.0 < found.high[5]
    names = {gap.setting for gap in untried_ranges(model, situation.limits.region)}
    assert names <= set(GRAVITY_TABLE.names)
    assert not {c.setting for c in collinear(model)} & set(AIR)


def test_what_if_answers_for_a_profile(situation):
    what_if = WhatIf(situation)
    level = what_if.expected(dict.fromkeys(AIR, 40.0))
    ragged = what_if.expected(dict(zip(AIR, (80.0, 20.0, 60.0, 20.0), strict=True)))
    width = [e.recovery.high - e.recovery.low for e in (level, ragged)]
    assert width[1] > width[0]
