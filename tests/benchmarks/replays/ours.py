"""This project's planner on a task."""

from __future__ import annotations

import numpy as np

from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import Situation, situation_of
from optimizer.plant.site import Site
from tests.benchmarks.replays.experiments import Experiment
from tests.benchmarks.replays.shares import brief_of, log_of
from tests.benchmarks.replays.task import Task
from tests.benchmarks.trials.methods import Choice


def plan(task: Task) -> Choice:
    """The next trial of ``suggest``, and two reports: the run-now settings and the best reading.

    For a measured table a third report holds the best settings of the table by the model.
    """
    space = task.problem.space
    planned = situation_of(
        Snapshot.of_table(log_of(task)), Site(base=space), brief_of(task), seed=task.seed
    )
    found = plan_of(planned)

    def named(settings: dict[str, float]) -> np.ndarray:
        return np.array([settings[n] for n in space.names])

    now = None if found.run_now is None else named(found.run_now.settings)
    reports = {"ours": now, "ours tried": task.best_reading()}
    if isinstance(task.problem, Experiment):
        reports["ours listed"] = None if now is None else _best_of(planned, task.problem.settings)
    return Choice(reports, named(found.recommendations[0].settings))


def _best_of(planned: Situation, settings: np.ndarray) -> np.ndarray:
    """The row of ``settings``, shape (n, d), that the planner's rule would run now: the highest
    recovery among rows with enough chance of the grade, or of recovery times chance if none."""
    evidence = planned.evidence
    index = evidence.space.nearest_index(settings)
    chance, recovery = planned.surrogate.outlook(
        evidence.inputs_today(index), planned.min_grade, evidence.feed_odds_today
    )
    chance = chance * planned.chance_even(index)
    sure = chance >= planned.brief.goal.confidence
    return settings[np.argmax(np.where(sure, 1.0 + recovery, chance * recovery))]
