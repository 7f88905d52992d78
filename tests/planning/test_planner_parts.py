"""How a planner puts a plan together from its parts, each of which is a stub."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from optimizer.interval import Interval, Intervals
from optimizer.planning import planner
from optimizer.planning.first_batch import unknown_trials
from optimizer.planning.hold import Expectation
from optimizer.planning.objective import RECOVERY, Recovery, ValuePerHour
from optimizer.planning.plan import PendingTrial, Plan, RunNow, Stopping
from optimizer.planning.situation import FEWEST_TO_LEARN
from optimizer.planning.trial_selection import Selection
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site

MIDDLE = dict(zip(GRAVITY_TABLE.names, (2.0, 2.5, 2.5, 450.0, 40.0), strict=True))
HERE = GRAVITY_TABLE.index_of(MIDDLE)[0]
OTHERS = GRAVITY_TABLE.index_of({**MIDDLE, "air": 44.0}, {**MIDDLE, "air": 31.0})
NOW = RunNow(MIDDLE, Interval(0.98, 0.97, 0.99), Interval(0.9, 0.88, 0.92), 0.9, 1.5, True)
PRICES = {"product": 4.0, "feed": 1.0}


def situation(objective=RECOVERY, known=20, tried=OTHERS[:1], pending=None, count=2, **goal):
    """A situation with the attributes that a planner reads."""
    brief = Brief.from_dict({"goal": goal, "trials": {"count": count}})
    evidence = SimpleNamespace(
        space=GRAVITY_TABLE, line="deck-1", material={"feed_grade": 0.9}, grade=np.zeros(30),
        measured=np.array([True] * 2 + [False] * 28), set_points=12, warnings=("of the runs",),
        feed_odds_today=0.7, inputs_at=lambda values: ("inputs", values.tolist()),
    )  # fmt: skip
    said = []
    return SimpleNamespace(
        evidence=evidence, brief=brief, site=Site(), seed=7, objective=objective, said=said,
        known_runs=known, min_grade=0.97, progress=said.append, tried=tried,
        snapshot=SimpleNamespace(version=3), pending=np.empty((0, 5), int),
        surrogate=SimpleNamespace(agreement_=0.4, favored_="favored"),
        limits=SimpleNamespace(affordable=lambda: (count, ["shortage"])),
        under_way=pending or SimpleNamespace(trials=(), issued=False, warnings=("under way",)),
        start=lambda: MIDDLE, trial_tonnes=lambda p: 0.1 * p[4],
        product_tonnes=lambda p: 1.0 * p[4],
    )  # fmt: skip


@pytest.fixture
def stubs(monkeypatch):
    """The parts of a planning; what they were given is kept by name."""
    given = {}

    def part(name, answer):
        def called(*arguments):
            given[name] = arguments
            return answer(*arguments) if callable(answer) else answer

        monkeypatch.setattr(planner, name, called)

    chosen = SimpleNamespace(point=HERE, run_now=NOW, warnings=("chosen",), over_shift=None)
    stopping = Stopping("continue", 0.1, "go on")
    part("cautions", ["caution"])
    part("choose_run_now", chosen)
    part("select_trials", Selection(OTHERS, (0.02, 0.01), ("selected",)))
    part("stopping_of", stopping)
    part("of_other_labels", ["labels"])
    part("over_the_shift", ["over"])
    part("_contradicting", ["contradicting"])
    part("changes_unlogged", ["unlogged"])
    part("drift_at", None)
    part("trade_off", "curve")
    part("expected_over_shift", Expectation(
        Intervals(*np.array([[0.98, 0.96], [0.97, 0.95], [0.99, 0.97]])),
        Intervals(*np.array([[0.93, 0.89], [0.92, 0.88], [0.94, 0.90]])),
        np.array([0.9, 0.4]), np.array([0.99, 0.8]),
    ))  # fmt: skip
    part("expected_middlings", [None, None])
    given["chosen"] = chosen
    return given


def test_a_plan_is_put_together_from_its_parts(stubs):
    made = situation()
    plan = planner.plan_of(made)
    assert (plan.line, plan.material, plan.seed) == ("deck-1", {"feed_grade": 0.9}, 7)
    assert (plan.history_version, plan.runs_used, plan.set_points) == (3, 30, 12)
    assert (plan.run_now, plan.stopping.why, plan.favored) == (NOW, "go on", "favored")
    assert (plan.maximise, plan.gain_unit) == ("recovery", RECOVERY.unit)
    assert (plan.prices, plan.trade_off, plan.hold, plan.drift) == (None,) * 4
    assert plan.warnings == (
        "of the runs", "under way", "shortage", "caution", "labels", "over", "contradicting",
        "unlogged", "chosen", "selected",
    )  # fmt: skip
    assert [s.key for s in made.said] == ["stage_learning", "stage_weighing"]
    assert (made.said[0].values["count"], made.said[1].values["count"]) == (30, 2)
    # What each part is given.
    assert stubs["cautions"] == (made.evidence, 0.97, made.brief)
    assert stubs["select_trials"][:2] == (made, 2)
    assert stubs["select_trials"][2].tolist() == HERE.tolist()
    assert stubs["stopping_of"][:3] == (made, (0.02, 0.01), NOW)
    assert stubs["of_other_labels"] == (made.evidence, 0.4)
    values = [list(MIDDLE.values())]
    assert stubs["changes_unlogged"] == (made.surrogate, made.evidence, ("inputs", values))
    surrogate, evidence, at, odds = stubs["drift_at"]
    assert (surrogate, evidence, odds) == (made.surrogate, made.evidence, 0.7)
    assert at == pytest.approx(np.array(values))


def test_each_trial_has_its_own_figures_and_reason(stubs):
    first, second = planner.plan_of(situation()).recommendations
    assert (first.rank, second.rank) == (1, 2)
    assert (first.settings["air"], second.settings["air"]) == (44.0, 31.0)
    assert (first.grade.mean, second.recovery.mean) == (0.98, 0.89)
    assert (first.chance_of_grade, first.chance_even, first.expected_gain) == (0.9, 0.99, 0.02)
    assert (second.chance_of_grade, second.chance_even, second.expected_gain) == (0.4, 0.8, 0.01)
    air = OTHERS[:, 4]
    assert first.product_t_per_h == pytest.approx(1.0 * air[0])
    assert first.material_t == pytest.approx(0.1 * air[0])
    assert first.minutes == Brief().trials.minutes
    # Of 0.93 and 0.89 for 0.90, the first surely better; from 40, 44 is nearer than 31.
    assert (first.why.key, second.why.key) == ("why_likely_better", "why_learns")
    assert (first.order, second.order) == (1, 2)
    assert [(c.setting, c.start, c.end) for c in first.changes] == [("air", 40.0, 44.0)]


@pytest.mark.parametrize(("chance", "key"), [(0.9, "why_likely_better"), (0.89, "why_likely_meets"),
                                             (None, "why_likely_meets")])  # fmt: skip
def test_run_now_is_sure_at_just_the_confidence(stubs, chance, key):
    stubs["chosen"].run_now = RunNow(MIDDLE, NOW.grade, NOW.recovery, chance, 1.5, True)
    first, _ = planner.plan_of(situation(confidence=0.9)).recommendations
    assert first.why.key == key


@pytest.mark.parametrize(
    ("objective", "goal", "keys"),
    [
        (Recovery(0.97), {"maximise": "trade-off", "min_grade": 0.97},
         ["why_adds_recovery_over_grades", "why_fills_points"]),
        (Recovery(None), {"maximise": "trade-off"}, ["why_adds_recovery", "why_fills_points"]),
        (ValuePerHour(None, 0.0, None), {"maximise": "value", "prices": PRICES},
         ["why_adds", "why_fills"]),
        (ValuePerHour(None, 0.0, None), {"maximise": "value", "prices": PRICES, "min_grade": 0.97},
         ["why_adds_sure", "why_fills"]),
    ],
)  # fmt: skip
def test_where_the_goal_is_no_recovery_at_a_grade_the_gain_gives_the_reason(
    stubs, monkeypatch, objective, goal, keys
):
    monkeypatch.setattr(planner, "least_gain", lambda situation, now: 0.015)
    monkeypatch.setattr(ValuePerHour, "unit", "credits/h")
    made = situation(objective, **goal)
    plan = planner.plan_of(made)
    assert [trial.why.key for trial in plan.recommendations] == keys
    assert plan.trade_off == ("curve" if goal["maximise"] == "trade-off" else None)
    assert (plan.prices is None) == ("prices" not in goal)


def test_the_grade_to_reach_is_that_of_the_brief_where_only_prices_or_too_few_runs_count(stubs):
    assert planner.plan_of(situation()).min_grade == 0.97
    value = situation(ValuePerHour(Brief.from_dict({"goal": {"maximise": "value", "prices": PRICES}}
                                                   ).goal.prices, 0.0, None),
                      maximise="value", prices=PRICES)  # fmt: skip
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(planner, "least_gain", lambda *_: 0.0)
        plan = planner.plan_of(value)
    assert (plan.min_grade, plan.sampling) == (None, None)
    assert planner.plan_of(situation()).sampling is not None


def test_a_trade_off_is_of_the_settings_to_run_now(stubs, monkeypatch):
    monkeypatch.setattr(planner, "least_gain", lambda *_: 0.0)
    made = situation(Recovery(0.96), maximise="trade-off", min_grade=0.96)
    planner.plan_of(made)
    one, now, here, grade, maximise = stubs["trade_off"]
    assert (one, now, grade, maximise) == (made, NOW, 0.97, "trade-off")
    assert here.tolist() == [HERE.tolist()]


def test_pending_trials_are_told_where_batches_were_issued(stubs):
    trial = PendingTrial("deck-1-1.1", MIDDLE)
    for issued, told in ((True, (trial,)), (False, None)):
        under_way = SimpleNamespace(trials=(trial,), issued=issued, warnings=())
        assert planner.plan_of(situation(pending=under_way)).pending == told


def test_a_shift_tells_what_it_holds(stubs):
    stubs["chosen"].over_shift = SimpleNamespace(as_dict=lambda: "held")
    assert planner.plan_of(situation()).hold == "held"


# ------------------------------------------------------------------ without a model


def first_plan(monkeypatch, known, measured=(), placed=2, **more):
    asked = []

    def spread(limits, taken, count):
        asked.append((limits, taken.tolist(), count))
        return OTHERS[:placed]

    monkeypatch.setattr(planner, "spread_trials", spread)
    made = situation(known=known, tried=OTHERS[1:], **more)
    made.pending = HERE[None, :]
    made.evidence.measured = np.array([*measured, False], dtype=bool)
    plan = planner.plan_of(made)
    return plan, asked[0] + (made.limits,)


def test_with_too_few_runs_trials_spread_away_from_what_was_run_or_started(monkeypatch):
    plan, (limits, taken, count, own) = first_plan(monkeypatch, FEWEST_TO_LEARN - 1, [True, True])
    assert limits is own
    assert (taken, count) == ([OTHERS[1].tolist(), HERE.tolist()], 2)
    assert isinstance(plan, Plan)
    assert (plan.run_now, plan.favored, plan.min_grade) == (None, None, None)
    assert [t.settings["air"] for t in plan.recommendations] == [44.0, 31.0]
    expected = unknown_trials([{}, {}], [0.1 * air for air in OTHERS[:, 4]], Brief().trials.minutes)
    for trial, like in zip(plan.recommendations, expected, strict=True):
        assert (trial.rank, trial.material_t, trial.minutes, trial.why.key) == (
            like.rank, pytest.approx(like.material_t), like.minutes, like.why.key
        )  # fmt: skip
    assert (plan.stopping.advice, plan.stopping.expected_gain) == ("continue", None)
    assert plan.stopping.why.values["needed"] == FEWEST_TO_LEARN
    assert plan.warnings[:3] == ("of the runs", "under way", "shortage")
    assert plan.warnings[3].key == "few_measured_runs"
    assert plan.warnings[3].values["count"] == 2
    assert len(plan.warnings) == 4


def test_what_cannot_be_placed_and_that_nothing_was_measured_is_said(monkeypatch):
    plan, _ = first_plan(monkeypatch, 0, placed=1)
    assert [w.key for w in plan.warnings[3:]] == ["no_measured_run", "trials_inside"]
    assert plan.warnings[4].values == {"placed": 1, "asked": 2}


def test_just_enough_runs_are_learned_from_on_one_thread(stubs, monkeypatch):
    """On several threads sums in another order would round differently."""
    threads, chosen = set(), stubs["chosen"]

    def choose(_):
        threads.update(each["num_threads"] for each in threadpool_info())
        return chosen

    monkeypatch.setattr(planner, "choose_run_now", choose)
    with threadpool_limits(2):
        planner.plan_of(situation(known=FEWEST_TO_LEARN))
    assert threads == {1}
