"""This project's planner on a task."""

from __future__ import annotations

import numpy as np

from optimizer.config import Site
from optimizer.planner import suggest
from tests.benchmarks.replays.shares import brief_of, log_of
from tests.benchmarks.replays.task import Task
from tests.benchmarks.trials.methods import Choice


def plan(task: Task) -> Choice:
    """One trial of ``suggest``; what it would run now, tried or not, and the best reading."""
    space = task.problem.space
    found = suggest(log_of(task), Site(base=space), brief_of(task), seed=task.seed)

    def named(settings: dict[str, float]) -> np.ndarray:
        return np.array([settings[n] for n in space.names])

    now = None if found.run_now is None else named(found.run_now.settings)
    reports = {"ours": now, "ours tried": task.best_reading()}
    return Choice(reports, named(found.recommendations[0].settings))
