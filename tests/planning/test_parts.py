"""Parts of a plan, each by itself: the product of a shift, the curve of a trade-off, a warning."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import expit, logit

from optimizer.errors import LimitError
from optimizer.interval import Interval, Intervals
from optimizer.planning.first_batch import spread_trials, unknown_trials
from optimizer.planning.hold import (
    _held,
    _share_over_shift,
    expected_middlings_at,
    expected_over_shift,
    outlook,
    over_shift,
)
from optimizer.planning.limits import Limits
from optimizer.planning.objective import Recovery, objective_of
from optimizer.planning.plan import RunNow
from optimizer.planning.planner import _contradicting
from optimizer.planning.trade_off import _front, _spread, trade_off
from optimizer.plant.brief import Brief, Goal
from optimizer.plant.settings import GRAVITY_TABLE
from tests.planning.test_wiring import EVERY, FEED, KNOWN, a_of, at, b_of, chance_at, planned

# ------------------------------------------------------------------ the product of a shift

# Two materials: a quarter of the feed at a feed grade of 0.8, the rest at 0.9.
SHIFT = SimpleNamespace(share=np.array([0.25, 0.75]), feed_odds=logit([0.8, 0.9]))
GRADES, RECOVERIES = np.array([[0.96, 0.99]]), np.array([[0.5, 1.0]])


def test_the_product_of_a_shift_is_the_sum_of_its_materials():
    """By hand, for 100 t of feed: 20 and 67.5 t of wanted material, of which 10 and 67.5 t are
    kept in 10 / 0.96 and 67.5 / 0.99 t of product."""
    grade, recovery = _held(SHIFT, GRADES, RECOVERIES, "blend")
    assert recovery == pytest.approx([77.5 / 87.5])
    assert grade == pytest.approx([77.5 / (10 / 0.96 + 67.5 / 0.99)])
    grade, recovery = _held(SHIFT, GRADES, RECOVERIES, "throughout")
    assert (grade, recovery) == (pytest.approx([0.96]), pytest.approx([77.5 / 87.5]))


class Process:
    """A share that is its one input, known to a tenth of itself, at one setting."""

    def predict(self, inputs):
        mean = np.asarray(inputs, float)
        return Intervals(mean, 0.9 * mean, 1.1 * mean)


def over(shift, **middlings):
    evidence = SimpleNamespace(
        today=0.1, shift=shift, inputs_at=lambda values, material: np.full(len(values), material)
    )
    return SimpleNamespace(evidence=evidence, middlings=SimpleNamespace(**middlings))


def test_middlings_of_a_shift_are_weighted_by_feed_and_their_grade_by_their_mass():
    """By hand: of 100 t of feed 25 t give 10 % and 75 t give 20 % middlings, 2.5 and 15 t. What is
    weighted by these masses has (2.5 x 0.1 + 15 x 0.2) / 17.5."""
    shift = SimpleNamespace(share=np.array([0.25, 0.75]), today=[0.1, 0.2])
    (share,), mass = _share_over_shift(over(shift), Process(), np.zeros((1, 5)), None)
    assert (share.mean, share.low, share.high) == pytest.approx((0.175, 0.1575, 0.1925))
    assert mass[:, 0] == pytest.approx([0.025, 0.15])
    situation = over(shift, share=Process(), grade=Process())
    (found,) = expected_middlings_at(situation, np.zeros((1, 5)))
    assert found.share.mean == pytest.approx(0.175)
    assert found.grade.mean == pytest.approx((2.5 * 0.1 + 15.0 * 0.2) / 17.5)


def test_middlings_of_one_material_are_those_of_today():
    (found,) = expected_middlings_at(over(None, share=Process(), grade=None), np.zeros((1, 5)))
    assert (found.share.mean, found.grade) == (pytest.approx(0.1), None)
    nothing = SimpleNamespace(middlings=None)
    assert expected_middlings_at(nothing, np.zeros((2, 5))) == [None, None]


@pytest.mark.parametrize("hold", ["blend", "throughout"])
def test_the_chance_over_a_shift_is_that_of_its_product_or_of_its_worst_material(hold):
    """Known everywhere, each air meets the grade for sure or not at all, by the two-product formula
    at each feed grade."""
    goal = {"min_grade": 0.985, "confidence": 0.8, "hold": hold}
    feeds = {"feed_grade": {"low": 0.86, "high": 0.94}}
    made = planned(tried=EVERY, variance=KNOWN, material=feeds, goal=goal)
    shift, airs = made.evidence.shift, np.array(EVERY)
    wanted, unwanted = expit(a_of(airs))[:, None], expit(b_of(airs))[:, None]
    feed = expit(shift.feed_odds)
    product = feed * wanted + (1 - feed) * unwanted
    grades = feed * wanted / product
    held = grades.min(axis=1)
    if hold == "blend":
        held = (feed * wanted) @ shift.share / (product @ shift.share)
    index = np.vstack([at(air) for air in airs])
    for coarse in (False, True):
        chance, recovery = outlook(made, index, coarse)
        assert chance.tolist() == (held >= 0.985).astype(float).tolist()
        assert recovery == pytest.approx(wanted[:, 0], abs=1e-4)
    assert 0.0 < np.mean(held >= 0.985) < 1.0
    chance, _ = outlook(made, index, grade=0.97)
    assert chance.tolist() == (held >= 0.97).astype(float).tolist()


def test_what_is_expected_over_a_shift_is_of_its_whole_product(monkeypatch):
    """At an air that is known: the product of five feed grades, the lowest of which is the worst.
    A grade that counts lower by half a deviation of two logits is met no more."""
    feeds = {"feed_grade": {"low": 0.86, "high": 0.94}}
    made = planned(tried=EVERY, variance=KNOWN, material=feeds)
    monkeypatch.setattr("optimizer.planning.hold.noise_of_grade", lambda *_: np.zeros(1))
    shift, air = made.evidence.shift, 33.0
    feed, wanted, unwanted = expit(shift.feed_odds), expit(a_of(air)), expit(b_of(air))
    kept, other = shift.share @ feed * wanted, shift.share @ (1 - feed) * unwanted
    found = over_shift(made, at(air)[0])
    assert found.grade.mean == pytest.approx(kept / (kept + other), abs=1e-5)
    assert found.recovery.mean == pytest.approx(wanted, abs=1e-4)
    assert found.over == {"feed_grade": {"low": 0.86, "high": 0.94}}
    assert (found.chance_before, found.chance_of_grade) == (1.0, 1.0)
    assert found.worst.material == {"feed_grade": 0.86}
    assert found.worst.chance_of_grade == 0.0
    assert found.as_dict()["worst"]["chance_of_grade"] == 0.0
    monkeypatch.setattr("optimizer.planning.hold.noise_of_grade", lambda *_: np.full(1, 2.0))
    careful = over_shift(made, at(air)[0])
    assert (careful.chance_before, careful.chance_of_grade) == (1.0, 0.0)
    both = expected_over_shift(made, np.vstack([at(33.0), at(50.0)]))
    assert both.grade.mean[0] == pytest.approx(found.grade.mean)
    assert both.chance_of_grade.tolist() == [1.0, 0.0]


# ------------------------------------------------------------------ a trade-off


def test_a_front_holds_what_nothing_exceeds_in_both_the_surest_first():
    sure = np.array([0.95, 0.99, 0.97, 0.97, 0.99, 0.90])
    recovery = np.array([0.92, 0.80, 0.90, 0.85, 0.79, 0.92])
    assert _front(sure, recovery).tolist() == [1, 2, 0]
    assert _front(np.zeros(0), np.zeros(0)).tolist() == []


def test_a_long_front_is_thinned_evenly_and_keeps_its_ends():
    front = np.arange(10, 21)
    assert _spread(front, 11).tolist() == front.tolist()
    assert _spread(front, 6).tolist() == [10, 12, 14, 16, 18, 20]


def now_at(air, chance=0.9):
    recovery = Interval(float(1 / (1 + np.exp(-a_of(air)))), 0.0, 1.0)
    grade = Interval(0.98, 0.97, 0.99)
    return RunNow({"air": air}, grade, recovery, chance, None, True)


def curve_of(made, air, goal=0.985, maximise="recovery", chance=0.9):
    return trade_off(made, now_at(air, chance), at(air), goal, maximise)


def test_along_the_curve_the_grade_falls_and_the_recovery_rises():
    """Known everywhere, more air always recovers more at a lower grade: all airs are on the front,
    and the settings to run now stand there once, at the grade to reach."""
    curve = curve_of(planned(tried=EVERY, variance=KNOWN), 34.0)
    sure = [point.sure_grade for point in curve]
    recovery = [point.recovery.mean for point in curve]
    assert sure == sorted(sure, reverse=True)
    assert recovery == sorted(recovery)
    (here,) = [point for point in curve if point.run_now]
    assert (here.sure_grade, here.settings) == (0.985, {"air": 34.0})
    assert [p.settings["air"] for p in curve].count(34.0) == 1
    assert 5 < len(curve) <= 15
    airs = [point.settings["air"] for point in curve]
    assert (airs[0], airs[-1]) == (30.0, 50.0)


def test_the_sure_grade_is_exceeded_with_the_confidence_of_the_brief():
    made = planned(tried=(30.0,), goal={"min_grade": 0.985, "confidence": 0.8})
    for point in curve_of(made, 30.0)[1:4]:
        air = point.settings["air"]
        assert chance_at(air, asked=point.sure_grade) == pytest.approx(0.8, abs=0.02)


def test_settings_to_run_now_that_are_not_sure_are_shown_at_their_own_sure_grade():
    made = planned(tried=EVERY, variance=KNOWN)
    for how in ({"chance": 0.5}, {"goal": None}, {"maximise": "value"}):
        (here,) = [point for point in curve_of(made, 34.0, **how) if point.run_now]
        assert here.sure_grade != 0.985
        assert here.sure_grade == pytest.approx(_grade(34.0), abs=1e-3)
    (sure,) = [p for p in curve_of(made, 34.0, chance=0.8) if p.run_now]
    assert sure.sure_grade == 0.985


def _grade(air):
    """Grade at an air that is known, by the two-product formula."""
    wanted, unwanted = FEED * expit(a_of(air)), (1 - FEED) * expit(b_of(air))
    return wanted / (wanted + unwanted)


def test_a_curve_holds_only_settings_that_run_even_inside_the_capacity():
    made = planned(tried=EVERY, variance=KNOWN, even=lambda air: np.where(air > 40.0, 0.94, 0.96))
    assert max(p.settings["air"] for p in curve_of(made, 34.0)) == 40.0


@pytest.fixture
def by_air(monkeypatch):
    """The sure grade falls by 1/1024 and the recovery rises by 1/128 for each turn of air."""

    def stated(situation, index):
        air = np.round(GRAVITY_TABLE.values(index)[:, -1])
        return 1.0 - air / 1024.0, air / 128.0

    monkeypatch.setattr("optimizer.planning.trade_off._sure_grade", stated)


def others_of(made, goal, maximise="recovery", recovered_at=34.0):
    """Airs of the points of a curve that are not run now; run now is at 34 turns."""
    recovery = Interval(recovered_at / 128, 0.0, 1.0)
    now = RunNow({"air": 34.0}, Interval(0.98, 0.9, 1.0), recovery, 0.9, None, True)
    curve = trade_off(made, now, at(34.0), goal, maximise)
    return sorted(point.settings["air"] for point in curve if not point.run_now)


@pytest.mark.parametrize(
    ("recovered_at", "left_out"), [(36, [33.0, 34.0, 35.0, 36.0]), (32, [32.0, 33.0, 34.0])]
)
def test_what_is_no_better_than_the_settings_to_run_now_in_one_of_both_is_not_on_the_curve(
    by_air, recovered_at, left_out
):
    """The settings to run now have the sure grade of 33 turns, and the recovery of 36 or 32."""
    made = planned(limits={"air": {"low": 30, "high": 40}})
    airs = others_of(made, 1.0 - 33 / 1024, recovered_at=recovered_at)
    assert airs == [air for air in np.arange(30.0, 41.0) if air not in left_out]


def test_a_sure_grade_just_at_the_lowest_of_a_trade_off_counts(by_air):
    goal = {"maximise": "trade-off", "min_grade": 1.0 - 38 / 1024}
    made = planned(limits={"air": {"low": 30, "high": 40}}, goal=goal)
    airs = others_of(made, 1.0 - 34 / 1024, "trade-off")
    assert airs == [30.0, 31.0, 32.0, 33.0, 35.0, 36.0, 37.0, 38.0]


def test_a_trade_off_ends_at_its_lowest_grade():
    goal = {"maximise": "trade-off", "min_grade": 0.97}
    made = planned(tried=EVERY, variance=KNOWN, goal=goal)
    curve = curve_of(made, 34.0, 0.97, "trade-off", chance=0.99)
    assert min(p.sure_grade for p in curve) == 0.97
    assert curve[-1].run_now
    assert len(curve) > 3
    far = curve_of(made, 50.0, None, "trade-off")
    assert not any(p.run_now for p in far)


# ------------------------------------------------------------------ objective


def test_each_goal_has_its_objective():
    odds = float(logit(0.9))
    assert objective_of(Goal(), GRAVITY_TABLE, 1.0, odds) == Recovery()
    found = objective_of(Goal(maximise="trade-off"), GRAVITY_TABLE, 1.0, odds)
    assert found.reference == pytest.approx(0.9)
    found = objective_of(Goal(maximise="trade-off", min_grade=0.97), GRAVITY_TABLE, 1.0, odds)
    assert found.reference == 0.97
    assert "0.97" in found.unit
    assert Recovery().unit == "fraction of recovery"


# ------------------------------------------------------------------ the first trials


def limits(**brief):
    return Limits(GRAVITY_TABLE, Brief.from_dict(brief), 1.0, seed=0)


def test_the_first_trial_is_in_the_middle_and_the_next_far_from_it():
    found = limits()
    points = spread_trials(found, np.empty((0, 5), int), 4)
    unit = GRAVITY_TABLE.to_unit(GRAVITY_TABLE.values(points))
    pool = GRAVITY_TABLE.to_unit(GRAVITY_TABLE.values(found.pool))
    tops = np.array([s.top for s in GRAVITY_TABLE.settings])
    middle = GRAVITY_TABLE.to_unit(GRAVITY_TABLE.values(np.rint(tops / 2)))[0]
    inner = pool[np.all((found.pool >= 0.1 * tops) & (found.pool <= 0.9 * tops), axis=1)]
    off = np.linalg.norm(inner - middle, axis=1)
    assert np.linalg.norm(unit[0] - middle) == pytest.approx(off.min())
    assert np.linalg.norm(unit[1] - unit[0]) == pytest.approx(
        np.linalg.norm(inner - unit[0], axis=1).max()
    )
    # Each further trial is farthest from the nearest of those before it.
    for k in (2, 3):
        gap = np.linalg.norm(inner[:, None] - unit[None, :k], axis=2).min(axis=1)
        own = np.linalg.norm(unit[k] - unit[:k], axis=1).min()
        assert own == pytest.approx(gap.max())


def test_trials_keep_away_from_what_was_run():
    found, taken = limits(), GRAVITY_TABLE.index_of(
        {"feed_rate": 2, "end_raise": 2.5, "side_tilt": 2, "eccentric_speed": 450, "air": 45}
    )  # fmt: skip
    (point,) = spread_trials(found, taken, 1)
    assert np.linalg.norm(
        GRAVITY_TABLE.to_unit(GRAVITY_TABLE.values(np.vstack([point, taken])))[0]
        - GRAVITY_TABLE.to_unit(GRAVITY_TABLE.values(taken))[0]
    ) > 0.5  # fmt: skip


FIXED = {"feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 2.0, "eccentric_speed": 450.0}


def test_where_few_settings_are_allowed_all_are_used_and_then_none_is_left():
    few = {name: {"fixed": value} for name, value in FIXED.items()}
    found = limits(limits={**few, "air": {"low": 40, "high": 42}})
    points = spread_trials(found, np.empty((0, 5), int), 5)
    assert sorted(GRAVITY_TABLE.values(points)[:, 4]) == [40.0, 41.0, 42.0]
    with pytest.raises(LimitError, match="pending or were tried"):
        spread_trials(found, points, 1)


def test_the_first_trials_share_the_lot():
    """At 2 t/h for half an hour a trial takes 1 t: a lot of 2 t is for two."""
    lot = limits(
        limits={"feed_rate": {"fixed": 2.0}}, trials={"count": 5, "material_available": 2.0}
    )
    assert len(spread_trials(lot, np.empty((0, 5), int), 2)) == 2


def test_trials_without_a_model_expect_nothing():
    made = unknown_trials([{"air": 40.0}, {"air": 50.0}], [1.0, None], 30.0)
    found = [(t.rank, t.settings["air"], t.material_t) for t in made]
    assert found == [(1, 40.0, 1.0), (2, 50.0, None)]
    assert {t.minutes for t in made} == {30.0}
    assert {t.why.key for t in made} == {"why_first_batch"}


# ------------------------------------------------------------------ readings that are doubted


def doubted(weights, recovery, grades=0.99, expected=0.8, air=(34.0, 36.0, 38.0), **tables):
    made = planned(tried=air, grades=grades, **tables)
    made.surrogate.run_weights_ = np.array(weights)
    made.evidence.readings.recovery[:] = recovery
    now = Interval(expected, 0.0, 1.0)
    said = _contradicting(made, RunNow({}, now, now, 0.9, None, True))
    return said, made


def test_a_doubted_reading_that_promises_more_is_worth_a_repeat():
    said, _ = doubted([0.1, 0.1, 1.0], [0.85, 0.95, 0.99])
    assert [s.key for s in said] == ["runs_count_little", "doubted_but_best"]
    assert said[0].values == {"count": 2}
    assert said[1].values["recovery"] == pytest.approx(0.95)
    assert said[1].values["grade"] == pytest.approx(0.99)
    named = {s.values["name"]: s.values["value"] for s in said[1].values["settings"]}
    assert named["air"] == 36.0


@pytest.mark.parametrize(
    "how",
    [
        {"expected": 0.95},
        {"grades": 0.98},
        {"limits": {"air": {"low": 30, "high": 35}}},
        {"air": (34.0, 36.0, 36.0)},
        {"goal": {"maximise": "trade-off", "min_grade": 0.97}},
    ],
    ids=["no more", "grade missed", "not allowed today", "contradicted there", "other goal"],
)
def test_other_doubted_readings_are_only_counted(how):
    said, _ = doubted([1.0, 0.1, 1.0], [0.7, 0.95, 0.7], **how)
    assert [s.key for s in said] == ["runs_count_little"]


def test_nothing_is_said_where_no_reading_is_doubted():
    assert doubted([1.0, 1.0, 1.0], [0.9, 0.9, 0.9])[0] == []
