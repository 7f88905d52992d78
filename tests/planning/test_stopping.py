"""The stopping rule: its threshold, its advice, and the expected regret that the advice uses."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.history.snapshot import Snapshot
from optimizer.interval import Interval
from optimizer.planning.planner import plan_of
from optimizer.planning.regret import regret
from optimizer.planning.situation import situation_of
from optimizer.planning.stopping import advise, bar_of, before_the_last_run, stopping_of
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from tests.benchmarks.trials.decks import problem
from tests.benchmarks.trials.task import Task

GRADE = Brief.from_dict({"goal": {"min_grade": 0.985}, "trials": {"count": 1}})


def run_now_point(plan) -> np.ndarray:
    return GRAVITY_TABLE.index_of(plan.run_now.settings)[0]


def test_the_threshold_is_half_a_point_over_a_dozen_trials_or_a_quarter_of_the_scatter():
    at = Interval(0.8, 0.7, 0.9)
    assert bar_of((0.0, 0.0), at) == pytest.approx(0.005 / 12)
    # Recovery r = expit(a), a = (S + C) / 2: a reading has sd r (1 - r) hypot(1.2, 0.9) / 2.
    assert bar_of((1.2, 0.9), at) == pytest.approx(0.25 * 0.16 * 0.75 / 12)


@pytest.mark.parametrize(
    ("gain", "sure", "tried", "advice"),
    [
        (0.0003, True, 20, "stop"),
        (0.0005, True, 20, "continue"),
        (0.0003, False, 20, "continue"),
        (0.0003, True, 12, "continue"),
    ],
)
def test_stop_is_advised_below_the_threshold_when_sure_and_after_enough_trials(
    gain, sure, tried, advice
):
    said = advise(gain, 0.0004, "fraction of recovery", sure, tried, few=13)
    assert said.advice == advice
    assert said.expected_gain == gain


def test_a_gain_next_to_the_threshold_is_not_printed_like_the_threshold():
    said = advise(0.00041, 0.005 / 12, "fraction of recovery", True, 20, few=13).why
    assert "0.041 points of recovery, less than the 0.042 points" in said


@pytest.mark.parametrize(
    ("chances", "sure", "tried", "advice"),
    [
        ([0.93], True, 20, "stop"),
        ([0.93, 0.91], True, 20, "stop"),
        ([0.93, 0.87], True, 20, "continue"),
        ([0.899], True, 20, "continue"),
        ([0.93], False, 20, "continue"),
        ([0.93], True, 12, "continue"),
    ],
)
def test_stop_is_advised_where_nine_draws_of_ten_have_nothing_better(chances, sure, tried, advice):
    # The gain is above the threshold, so it cannot be the reason for this advice.
    said = advise(0.0005, 0.0004, "fraction of recovery", sure, tried, 13, chances)
    assert said.advice == advice
    if sure and tried >= 13:
        assert f"{int(100 * chances[0])} % sure" in said.why
        assert "1 point of recovery more" in said.why
        assert ("only 87 % without the last run" in said.why) == (0.87 in chances)


def test_the_last_run_alone_does_not_stop_a_campaign(season_table):
    """The second look uses the other runs only, with the same required grade."""
    goal = Brief.model_validate({"goal": {"min_grade": None}})
    planned = situation_of(Snapshot.of_table(season_table), Site(), goal, seed=3)
    before = before_the_last_run(planned)
    every = planned.evidence
    np.testing.assert_array_equal(before.evidence.settings, every.settings[:-1])
    np.testing.assert_array_equal(before.evidence.grade, every.grade[:-1])
    assert before.min_grade == planned.min_grade
    fewer = situation_of(
        Snapshot.of_table(season_table.slice(0, season_table.num_rows - 1)), Site(), goal, seed=3
    )
    inputs = every.inputs_today(planned.tried[:5])
    np.testing.assert_allclose(
        before.surrogate.latent(inputs).mean, fewer.surrogate.latent(inputs).mean
    )


@pytest.fixture(scope="module")
def grade_plan(season_table):
    """A situation with a required grade, and its plan."""
    planned = situation_of(Snapshot.of_table(season_table), Site(), GRADE, seed=3)
    return planned, plan_of(planned)


@pytest.mark.parametrize(
    ("by_all", "before", "few_runs", "advice"),
    [
        (0.0, 0.0, 100, "stop"),
        (0.0, 0.5, 100, "continue"),
        (0.0, 0.5, 5, "stop"),
        (0.5, 0.0, 100, "continue"),
    ],
)
def test_a_plan_checks_twice_before_it_advises_stop(
    grade_plan, monkeypatch, by_all, before, few_runs, advice
):
    """The regret given all runs and the regret without the last run must both advise to stop. With
    many runs, one run hardly matters and the second check is skipped."""
    planned, plan = grade_plan
    now, point = plan.run_now, run_now_point(plan)
    runs = len(planned.evidence.settings)

    def regret_of(asked, settings):
        assert settings is point
        return np.full(10, by_all if len(asked.evidence.settings) == runs else before)

    monkeypatch.setattr("optimizer.planning.stopping.regret", regret_of)
    monkeypatch.setattr("optimizer.planning.stopping.FEW_RUNS", few_runs)
    sure = replace(now, chance_of_grade=0.95)
    said = stopping_of(planned, [0.001], sure, point)
    assert said.advice == advice
    assert ("without the last run" in said.why) == (before > 0.0 and few_runs == 100)


def test_regret_shrinks_with_more_runs_and_is_stated_in_the_advice():
    """Compares plans after 15 and after 90 spread runs of one simulated deck."""
    means = []
    for runs in (15, 90):
        task = Task(problem("grain", "moderate", 7), runs)
        planned = situation_of(Snapshot.of_table(task.table()), brief=task.brief(), seed=3)
        plan = plan_of(planned)
        found = regret(planned, run_now_point(plan))
        assert np.all(found >= 0.0)
        means.append(found.mean())
        if plan.run_now.chance_of_grade >= 0.9:
            assert f"{int(100 * np.mean(found < 0.01))} % sure" in plan.stopping.why
    assert plan.run_now.chance_of_grade >= 0.9
    assert means[1] < 0.7 * means[0]


def test_regret_is_the_mean_lead_of_the_best_of_each_draw_over_run_now(season_table, monkeypatch):
    """With two candidates a and b: E max(b - a, 0) - E max(a - b, 0) = E b - E a; 256 draws."""
    planned = situation_of(Snapshot.of_table(season_table), Site(), GRADE, seed=3)
    a, b = planned.tried[0], planned.tried[5]
    monkeypatch.setattr("optimizer.planning.regret._candidates", lambda planning, point: b[None, :])
    monkeypatch.setattr(type(planned), "min_grade", 1e-6)
    found = regret(planned, a)
    even = planned.chance_even(np.stack([a, b]))
    inputs = planned.inputs(np.stack([a, b]))
    expected = even * planned.expected_worth(inputs)
    monkeypatch.setattr("optimizer.planning.regret._candidates", lambda planning, point: a[None, :])
    other = regret(planned, b)
    assert found.mean() - other.mean() == pytest.approx(expected[1] - expected[0], abs=0.02)
