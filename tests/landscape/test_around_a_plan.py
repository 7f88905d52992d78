"""What surrounds a plan, by hand, of a line of three settings whose model is a stub.

Sharpness is 1 plus the sum of the unit coordinates, balance half of it; grade and recovery of the
expectations that the situation gives are numbers that tell which points were asked for.
"""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import expit
from threadpoolctl import threadpool_info, threadpool_limits

from optimizer.errors import InputError, LimitError
from optimizer.interval import Interval
from optimizer.landscape import progress, surroundings, what_if
from optimizer.landscape.progress import progress_of
from optimizer.landscape.surroundings import today_of, usual_pair
from optimizer.landscape.what_if import WhatIf, ranges_of
from optimizer.model.coordinates import from_latent, to_latent
from optimizer.plant.brief import Brief
from optimizer.plant.profiles import profiles_of
from optimizer.plant.region import Coupling, Region
from optimizer.plant.settings import GRAVITY_TABLE, Setting, SettingSpace


@pytest.fixture(autouse=True)
def constants(monkeypatch):
    """The examples are worked out for these values, which are choices and may change."""
    monkeypatch.setattr("optimizer.landscape.progress.MOST_STRETCHES", 26)


SPACE = SettingSpace(
    (
        Setting("feed_rate", "t/h", 1.0, 3.0, 0.1),
        Setting("side_tilt", "deg", 0.0, 4.0, 0.5),
        Setting("eccentric_speed", "rpm", 400.0, 500.0, 5.0),
    )
)
REGION = Region.whole(SPACE).narrow("side_tilt", 1.0, 3.0, "asked")
ODDS = 0.7


def interval(mean):
    return Interval(mean, mean - 0.1, mean + 0.1)


def expected(index):
    told = index @ np.array([0.01, 0.0001, 0.000001])
    return SimpleNamespace(
        grade=interval(told), recovery=interval(told + 0.2), chance_of_grade=told + 0.4,
        chance_even=told + 0.6,
    )  # fmt: skip


def latent(inputs):
    """Two members, one 0.5 above the mean and one 0.5 below it; both have the mean of the stub."""
    total = np.asarray(inputs).sum(axis=1)
    mean = np.array([1.0 + total, 0.5 * total])
    return SimpleNamespace(mean=np.array([mean + 0.5, mean - 0.5]))


def situation(**more):
    evidence = SimpleNamespace(
        space=SPACE,
        feed_odds_today=ODDS,
        inputs_today=lambda index: SPACE.to_unit(SPACE.values(index)),
        **more.pop("evidence", {}),
    )
    return SimpleNamespace(
        evidence=evidence,
        surrogate=SimpleNamespace(latent=latent, outlook=more.pop("outlook", None)),
        limits=SimpleNamespace(region=REGION),
        expected=expected,
        **more,
    )


# -- effects and map ------------------------------------------------------------------------------

HERE = np.array([[5, 4, 6]])  # feed 1.5, tilt 2.0, speed 430
POINTS = SimpleNamespace(
    inputs=np.array([[0.1, 0.5, 0.2], [0.9, 0.25, 0.4]]),
    grade_logit=np.array([2.0, 3.0]),
    recovery_logit=np.array([1.0, 2.5]),
    feed_odds=np.array([0.5, 0.9]),
)


def test_each_effect_passes_through_the_settings_to_run_now_within_the_range_of_the_deck():
    effects = surroundings._effects(situation(), POINTS, HERE[0])
    assert [e.setting.name for e in effects] == list(SPACE.names)
    assert [e.now for e in effects] == [1.5, 2.0, 430.0]
    # Of the region alone, not of the deck, are the ends of the limits.
    assert [(e.low, e.high) for e in effects] == [(1.0, 3.0), (1.0, 3.0), (400.0, 500.0)]
    for e, setting in zip(effects, SPACE.settings, strict=True):
        np.testing.assert_allclose(e.levels, setting.values(np.arange(setting.top + 1)))
    tilt = effects[1].expected.grade.mean
    np.testing.assert_allclose(tilt, 0.05 + 0.0001 * np.arange(9) + 0.000006)


def test_readings_are_moved_to_the_settings_to_run_now_along_one_setting_alone():
    """Sharpness and balance move with the sums of the other two inputs."""
    effects = surroundings._effects(situation(), POINTS, HERE[0])
    read = to_latent(POINTS.grade_logit, POINTS.recovery_logit, POINTS.feed_odds)
    now = SPACE.to_unit(SPACE.values(HERE))[0]
    for j, effect in enumerate(effects):
        others = [k for k in range(3) if k != j]
        moved = now[others].sum() - POINTS.inputs[:, others].sum(axis=1)
        wanted = from_latent(read[0] + moved, read[1] + 0.5 * moved, ODDS)
        np.testing.assert_allclose(effect.reading_grade, wanted[0])
        np.testing.assert_allclose(effect.reading_recovery, wanted[1])
        values = SPACE.low[j] + POINTS.inputs[:, j] * SPACE.span[j]
        np.testing.assert_allclose(effect.reading_levels, values)


def test_gates_have_effects_of_their_level_and_taper():
    """Two gates: moving one part moves both by as much, in the same or in opposite directions; the
    second gate may not go above level 30, so that the level stops there."""
    space = GRAVITY_TABLE.with_gates("air", 2)
    region = Region.whole(space).narrow("air_2", 0.0, space["air_2"].values(np.array(30)), "asked")
    here = np.array([3, 3, 3, 3, 20, 10])
    level, low, high = surroundings._along(region, here, 4)
    assert np.all(level[:, :4] == 3)
    np.testing.assert_array_equal(level[:, 4] - 20, level[:, 5] - 10)
    first = space["air_1"]
    assert (low, high) == pytest.approx((first.low + first.step * 5, first.low + first.step * 35))
    taper, low, high = surroundings._along(region, here, 5)
    np.testing.assert_array_equal(taper[:, 4] + taper[:, 5], 30)
    assert taper[0, 4] == 0 or taper[0, 5] == 0
    assert low < high


def test_a_taper_of_three_gates_moves_the_outer_two_level_by_level_and_leaves_the_middle():
    region = Region.whole(GRAVITY_TABLE.with_gates("air", 3))
    here = np.array([3, 3, 3, 3, 10, 20, 12])
    taper, _, _ = surroundings._along(region, here, 5)
    assert np.all(taper[:, 5] == 20)
    assert taper[:, 4].tolist() == list(range(23))  # until the last gate is at its lowest level
    assert np.all(taper[:, 4] - 10 == 12 - taper[:, 6])


def test_readings_of_gates_are_told_by_level_and_taper():
    """Gates at 30 and 10 have the level 20 and, told as people are told of it, the taper that their
    own settings to run now would have."""
    space = GRAVITY_TABLE.with_gates("air", 2)
    profiles = profiles_of(space)
    here = np.array([[3, 3, 3, 3, 30, 10]])
    one = situation()
    one.evidence.space, one.limits.region = space, Region.whole(space)
    one.evidence.inputs_today = lambda index: profiles.inputs(space.values(index))
    one.expected = lambda index: "expected"
    points = SimpleNamespace(
        **{**vars(POINTS), "inputs": np.vstack([profiles.inputs(space.values(here))] * 2)}
    )
    effects = surroundings._effects(one, points, here[0])
    assert len(effects) == 6
    for effect in effects:
        np.testing.assert_allclose(effect.reading_levels, effect.now, atol=1e-9)
    assert effects[4].now == pytest.approx(space.values(here)[0, 4:].mean())


@pytest.mark.parametrize("here", [0, 7, 100])
def test_the_levels_of_a_fine_setting_hold_the_present_one_and_both_ends(here):
    """At most about 41 of 101 levels: every third."""
    space = SettingSpace((Setting("air", "turn", 0.0, 100.0, 1.0),))
    index, _, _ = surroundings._along(Region.whole(space), np.array([here]), 0)
    levels = index[:, 0].tolist()
    assert levels == sorted({0, 100, *range(here % 3, 101, 3)})


@pytest.mark.parametrize(
    ("here", "top", "most", "levels"),
    [
        (3, 6, 7, [0, 1, 2, 3, 4, 5, 6]),
        (3, 7, 7, [0, 1, 3, 5, 7]),
        (4, 12, 5, [0, 1, 4, 7, 10, 12]),
        (0, 1, 31, [0, 1]),
    ],
)
def test_levels_are_even_and_hold_the_present_one_and_both_ends(here, top, most, levels):
    """With at most 7 of 8 levels the step is 2, with 5 of 13 it is 3."""
    assert surroundings._levels(here, top, most).tolist() == levels


def test_a_map_shows_two_settings_with_the_others_to_run_now():
    found = surroundings._map(situation(), HERE[0], ("side_tilt", "eccentric_speed"))
    assert (found.x, found.y) == ("side_tilt", "eccentric_speed")
    np.testing.assert_allclose(found.x_levels, np.arange(9) * 0.5)
    np.testing.assert_allclose(found.y_levels, 400.0 + 5.0 * np.arange(21))
    told = 0.05 + 0.0001 * np.arange(9) + 0.000001 * np.arange(21)[:, None]
    np.testing.assert_allclose(found.recovery, told + 0.2)
    np.testing.assert_allclose(found.chance_of_grade, told + 0.4)
    np.testing.assert_allclose(found.chance_even, told + 0.6)
    usual = surroundings._map(situation(), HERE[0], None)
    assert (usual.x, usual.y) == ("eccentric_speed", "side_tilt")


def test_without_speed_and_tilt_the_first_two_settings_are_shown():
    assert usual_pair(("air", "side_tilt", "feed_rate")) == ("air", "side_tilt")
    assert usual_pair(("air",)) == ("air",)
    alone = situation()
    alone.evidence.space = SettingSpace(SPACE.settings[:1])
    assert surroundings._map(alone, HERE[0, :1], None) is None


def plan(**more):
    return SimpleNamespace(
        **{
            "run_now": SimpleNamespace(settings=SPACE.named(HERE[0])),
            "trade_off": "curve",
            "min_grade": 0.9,
            "maximise": "recovery",
            **more,
        }
    )


def test_what_surrounds_the_settings_to_run_now(monkeypatch):
    asked = []
    monkeypatch.setattr(surroundings, "trade_off", lambda *a: (asked.append(a), "made")[1])
    monkeypatch.setattr(surroundings, "_effects", lambda s, points, here: ("effects", *here))
    monkeypatch.setattr(surroundings, "_map", lambda s, here, pair: ("map", pair))
    of, one = surroundings._surroundings, situation()
    assert of(one, plan(run_now=None), POINTS, None) is None
    found = of(one, plan(), POINTS, ("a", "b"))
    assert (found.trade_off, found.map) == ("curve", ("map", ("a", "b")))
    assert found.effects == ("effects", 5, 4, 6)
    assert not asked
    bare = plan(trade_off=None, min_grade=None)
    found = of(one, bare, POINTS, None)
    assert (found.trade_off, found.map) == ("made", None)
    ((given, run_now, here, least, maximise),) = asked
    assert (given, run_now, least, maximise) == (one, bare.run_now, None, "recovery")
    assert here.tolist() == HERE.tolist()


def test_a_landscape_joins_its_parts_on_one_thread(monkeypatch):
    """On several threads sums in another order would round differently."""
    threads = []

    def collapsed(evidence):
        threads.extend(each["num_threads"] for each in threadpool_info())
        return ("points of", evidence.space)

    stubs = {"collapse_runs": collapsed, "today_of": lambda s: ("today of", s),
             "progress_of": lambda *given: ("progress of", *given),
             "_surroundings": lambda *given: ("around", *given)}  # fmt: skip
    for name, stub in stubs.items():
        monkeypatch.setattr(surroundings, name, stub)
    one = situation(site=SimpleNamespace(time_zone=SimpleNamespace(name="zone")))
    with threadpool_limits(2):
        found = surroundings.landscape(one, "plan", ("a", "b"))
    points = ("points of", SPACE)
    assert set(threads) == {1}
    assert (found.plan, found.points, found.names) == ("plan", points, SPACE.names)
    assert (found.today, found.time_zone) == (("today of", one), "zone")
    assert found.progress == ("progress of", one, points, "plan")
    assert found.run_now == ("around", one, "plan", points, ("a", "b"))


def test_the_conditions_of_today():
    brief = Brief()
    found = today_of(
        situation(site=SimpleNamespace(name="mill"), brief=brief, start=lambda: {"feed_rate": 2})
    )
    assert (found.site, found.brief, found.start) == ("mill", brief, {"feed_rate": 2.0})
    assert [(s.name, low, high) for s, low, high in found.ranges] == [
        ("feed_rate", 1.0, 3.0), ("side_tilt", 1.0, 3.0), ("eccentric_speed", 400.0, 500.0),
    ]  # fmt: skip


# -- progress -------------------------------------------------------------------------------------


def stretches(*started):
    evidence = SimpleNamespace(started_by_clock=np.array(started, dtype="datetime64[us]"))
    which, names = progress._stretches(evidence)
    return which.tolist(), names


def test_runs_are_told_by_day_and_those_without_a_time_last():
    found = stretches("2025-03-02T23:00", "NaT", "2025-03-01T05:00", "2025-03-02T00:00")
    assert found == ([1, 2, 0, 1], ["2025-03-01", "2025-03-02", None])
    assert stretches("NaT", "NaT") == ([0, 0], [None])


def days(number, apart=1):
    return np.datetime64("2024-01-01") + apart * np.arange(number)


def test_the_finest_unit_that_fits_is_used():
    """1 January 2024 was a Monday; weeks of numpy begin on Thursdays."""
    most = progress.MOST_STRETCHES
    assert stretches(*days(most))[1] == [str(day) for day in days(most)]
    weekly = stretches(*days(most + 1))
    assert weekly[1][:2] == ["2023-12-28", "2024-01-04"]
    assert weekly[0][2:5] == [0, 1, 1]
    monthly = stretches(*days(most + 1, 14))[1]
    assert monthly == [*(f"2024-{month:02d}-01" for month in range(1, 13))]


def test_many_years_are_told_in_blocks_of_several():
    """27 years in at most 26 stretches: two years each, and one at the end."""
    years = [f"{1960 + k}-06-01" for k in range(27)]
    which, names = stretches(*years)
    assert names == [f"{year}-01-01" for year in range(1960, 1987, 2)]
    assert which == [k // 2 for k in range(27)]
    # Blocks without a run are no stretch, and a block is named by its first year with a run.
    which, names = stretches(*years, "2020-06-01")
    assert names[:2] == ["1960-01-01", "1963-01-01"]
    assert names[-1] == "2020-01-01"
    assert which[:4] == [0, 0, 0, 1]


def runs(**more):
    """Six runs of three days, of which one has no reading and one no time."""
    return {
        "grade": np.array([0.95, 0.80, np.nan, 0.90, 0.97, 0.85]),
        "readings": SimpleNamespace(recovery_logit=np.array([1.0, 2.0, np.nan, 3.0, 0.5, 0.0])),
        "measured": np.array([True, True, False, True, True, True]),
        "even": np.array([True, True, False, True, True, True]),
        "settings": SPACE.values(
            np.array([[0, 2, 0], [1, 2, 0], [9, 2, 0], [0, 2, 0], [2, 2, 0], [3, 2, 0]])
        ),
        "started_by_clock": np.array(
            ["2025-03-01", "2025-03-01", "2025-03-01", "2025-03-02", "2025-03-04", "NaT"],
            dtype="datetime64[us]",
        ),
        **more,
    }


OWNER = np.array([0, 1, 0, 2, 3])
SET_POINTS = SimpleNamespace(
    count=np.array([2, 1, 1, 1]),
    owner=OWNER,
    settings=SPACE.values(np.array([[0, 2, 0], [1, 2, 0], [2, 2, 0], [3, 2, 0]])),
)
CHANCES, RECOVERIES = np.array([0.8, 0.9, 1.0, 0.8]), np.array([0.5, 0.7, 0.6, 0.9])


def told(confidence=0.8, evidence=None, **plan_):
    asked = []

    def outlook(inputs, least, odds):
        asked.append((inputs, least, odds))
        return CHANCES, RECOVERIES

    one = situation(
        evidence=runs() if evidence is None else evidence,
        outlook=outlook,
        min_grade=0.93,
        brief=SimpleNamespace(goal=SimpleNamespace(confidence=confidence)),
    )
    return progress_of(one, SET_POINTS, plan(**plan_)), asked


def test_a_campaign_is_told_by_stretches_with_the_best_that_was_sure_so_far():
    found, ((inputs, least, odds),) = told()
    assert [s.start for s in found] == ["2025-03-01", "2025-03-02", "2025-03-04", None]
    assert [s.runs for s in found] == [3, 1, 1, 1]
    assert [s.failed for s in found] == [1, 0, 0, 0]
    assert [s.new_set_points for s in found] == [3, 0, 1, 1]
    assert [s.met for s in found] == [0.5, 1.0, 1.0, 0.0]
    assert [s.best_so_far for s in found] == [0.7, 0.7, 0.7, 0.9]
    assert (least, odds) == (0.93, ODDS)
    np.testing.assert_allclose(inputs, SPACE.to_unit(SET_POINTS.settings))
    assert found[1].grade == Interval(0.90, 0.90, 0.90)
    assert found[0].recovery.mean == pytest.approx(float(expit([1.0, 2.0]).mean()))
    # A tenth and nine tenths of the way from 0.80 to 0.95.
    assert found[0].grade.low == pytest.approx(0.815)
    assert found[0].grade.high == pytest.approx(0.935)


def test_only_settings_that_are_sure_of_the_grade_count_as_the_best():
    assert [s.best_so_far for s in told(confidence=0.85)[0]] == [0.7, 0.7, 0.7, 0.7]
    assert [s.best_so_far for s in told(confidence=0.95)[0]] == [None, None, 0.6, 0.6]
    assert [s.best_so_far for s in told(run_now=None)[0]] == [None] * 4


def test_without_a_grade_or_readings_nothing_is_said_of_meeting_it():
    assert [s.met for s in told(min_grade=None)[0]] == [None] * 4
    assert told(evidence=runs(grade=np.zeros(0)))[0] == ()
    assert progress._middle(np.zeros(0)) is None
    assert [s.met for s in told(min_grade=0.90)[0]] == [0.5, 1.0, 1.0, 0.0]


# -- what if --------------------------------------------------------------------------------------


def asked_of(monkeypatch, **more):
    calls = []

    def at(situation, values, least):
        calls.append((values.tolist(), least))
        one = [interval(0.9)]
        return SimpleNamespace(
            grade=one, recovery=[interval(0.8)], chance_of_grade=[0.6], chance_even=[0.7]
        )

    monkeypatch.setattr(what_if, "expected_at", at)
    monkeypatch.setattr(what_if, "expected_middlings_at", lambda s, v: ("middlings",))
    measured = np.array([True, True, False])
    evidence = {
        "settings": np.array([[1.5, 2.0, 430.0], [2.5, 2.0, 440.0], [3.0, 2.0, 500.0]]),
        "measured": measured,
        "grade": np.zeros(3),
        "line": "deck-1",
        "material": {"moisture": 12.0},
        "warnings": ("one of the runs.",),
        "shift": None,
        **more.pop("evidence", {}),
    }
    one = situation(
        evidence=evidence,
        known_runs=more.pop("known_runs", 3),
        min_grade=0.93,
        snapshot=SimpleNamespace(version=4),
        start=lambda: more.get("start", {"feed_rate": 2.04, "side_tilt": 0.0}),
        product_tonnes_at=lambda values: float(values[0, 0]),
    )
    return WhatIf(one), calls


def test_settings_left_out_are_as_at_the_latest_run_inside_the_limits(monkeypatch):
    """Feed 2.04 is nearest to 2.0; a tilt of 0 is moved to 1, a speed not known to the middle."""
    asked, calls = asked_of(monkeypatch)
    found = asked.expected({})
    assert found.settings == {"feed_rate": 2.0, "side_tilt": 1.0, "eccentric_speed": 450.0}
    assert calls == [([[2.0, 1.0, 450.0]], 0.93)]
    asked.expected({"side_tilt": 2.0}, 0.95)
    assert calls[1] == ([[2.0, 2.0, 450.0]], 0.95)


def test_an_answer_holds_what_the_situation_expects(monkeypatch):
    asked, _ = asked_of(monkeypatch)
    found = asked.expected({"side_tilt": 2.0, "eccentric_speed": 430.0})
    assert (found.line, found.history_version, found.runs_used) == ("deck-1", 4, 3)
    assert found.units == {"feed_rate": "t/h", "side_tilt": "deg", "eccentric_speed": "rpm"}
    assert (found.min_grade, found.grade, found.recovery) == (0.93, interval(0.9), interval(0.8))
    assert (found.chance_of_grade, found.chance_even) == (0.6, 0.7)
    assert (found.product_t_per_h, found.middlings) == (2.0, "middlings")
    assert (found.material, found.warnings) == ({"moisture": 12.0}, ("one of the runs.",))
    assert found.over == {}
    shift = SimpleNamespace(over={"moisture": SimpleNamespace(ends=(10.0, 14.0))})
    asked, _ = asked_of(monkeypatch, evidence={"shift": shift})
    assert asked.expected({}).over == {"moisture": {"low": 10.0, "high": 14.0}}


def test_an_answer_is_written_with_what_it_has_and_without_what_it_has_not(monkeypatch):
    asked, _ = asked_of(monkeypatch)
    found = asked.expected({"side_tilt": 2.0, "eccentric_speed": 430.0})
    kept = replace(found, middlings=SimpleNamespace(as_dict=lambda: "kept")).as_dict()
    assert (kept["middlings"], kept["nearest_run"]["differs"]) == ("kept", {"feed_rate": 0.5})
    bare = replace(found, middlings=None, nearest_run=None).as_dict()
    assert "middlings" not in bare
    assert "over" not in bare
    assert bare["nearest_run"] is None
    varied = replace(found, over={"moisture": {"low": 10.0, "high": 14.0}}, middlings=None)
    assert varied.as_dict()["over"] == {"moisture": {"low": 10.0, "high": 14.0}}


def test_the_nearest_run_is_by_shares_of_ranges_and_the_latest_of_equals(monkeypatch):
    """Feed 2.0 is as far from 1.5 as from 2.5, and so is speed 435 from 430 and 440."""
    asked, _ = asked_of(monkeypatch)
    near = asked.expected({"side_tilt": 2.0, "eccentric_speed": 435.0}).nearest_run
    assert near.settings == {"feed_rate": 2.5, "side_tilt": 2.0, "eccentric_speed": 440.0}
    assert near.differs == {"feed_rate": -0.5, "eccentric_speed": -5.0}
    near = asked.expected({"side_tilt": 2.5, "eccentric_speed": 430.0}).nearest_run
    assert near.differs == {"feed_rate": 0.5, "side_tilt": 0.5}
    asked, _ = asked_of(monkeypatch, evidence={"measured": np.zeros(3, bool)})
    assert asked.expected({}).nearest_run is None
    assert asked.expected({}).warnings == ("one of the runs.",)


@pytest.mark.parametrize(
    ("speed", "outside"), [(427.5, False), (427.4, True), (442.5, False), (442.6, True)]
)
def test_more_than_half_a_step_beyond_the_runs_is_warned_of(monkeypatch, speed, outside):
    asked, _ = asked_of(monkeypatch)
    warnings = asked.expected({"side_tilt": 2.0, "eccentric_speed": speed}).warnings
    said = [str(w) for w in warnings if "lies outside the runs (430 to 440)" in str(w)]
    assert len(said) == outside
    assert any("the nearest are 425 and 430" in w for w in warnings) is (speed < 430.0)


def test_too_few_runs_are_refused_and_just_enough_are_not(monkeypatch):
    asked, _ = asked_of(monkeypatch, known_runs=2)
    with pytest.raises(LimitError, match=r"3 measured runs are needed .* there are 2") as refused:
        asked.expected({})
    assert refused.value.code == "too-few-runs"
    asked_of(monkeypatch, known_runs=3)[0].expected({})


def test_settings_that_are_unknown_or_outside_are_refused(monkeypatch):
    asked, _ = asked_of(monkeypatch)
    with pytest.raises(InputError, match="there is no setting 'tilt'") as refused:
        asked.expected({"tilt": 2.0})
    assert "side_tilt" in refused.value.hint
    with pytest.raises(InputError, match=r"3\.5 deg is outside the limits, 1 to 3 deg") as refused:
        asked.expected({"side_tilt": 3.5})
    assert refused.value.code == "outside-limits"


@pytest.mark.parametrize(("feed", "held"), [(2.0, True), (2.1, False), (1.5, True), (1.4, False)])
def test_a_limit_between_settings_holds_to_its_end(monkeypatch, feed, held):
    """At a tilt of 2 the sum of feed and tilt is between 3.5 and 4."""
    asked, _ = asked_of(monkeypatch)
    between = Coupling({"feed_rate": 1.0, "side_tilt": 1.0}, 4.0, 3.5)
    asked.situation.limits.region = Region.whole(SPACE, [between])
    if held:
        asked.expected({"feed_rate": feed, "side_tilt": 2.0})
        return
    with pytest.raises(InputError, match=rf"outside the limit .*: it is {feed + 2.0:g}") as refused:
        asked.expected({"feed_rate": feed, "side_tilt": 2.0})
    assert refused.value.code == "outside-limits"


def test_a_value_on_the_end_of_a_range_or_on_a_step_is_no_fault():
    tilt = ranges_of(REGION)["side_tilt"]
    assert (tilt.low, tilt.high) == (1.0, 3.0)
    slack = what_if.STEP_TOLERANCE * 0.5
    for value in (1.0, 3.0, 1.0 - 0.9 * slack, 3.0 + 0.9 * slack):
        assert tilt.fault(value) == ""
        assert tilt.off_step(value) == ""
    assert "0.9 deg is outside" in tilt.fault(0.9)
    assert "3.1 deg is outside" in tilt.fault(3.1)
    assert "the nearest are 1.5 and 2." in tilt.off_step(1.7)
