"""Turns a general problem into a run log and brief of this project.

A logistic map turns the quantity to maximize into a recovery, and the quantity that must stay below
0 into a grade that must reach one half. The scale of the map depends only on the readings of the
starts, which every method has.
"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
from scipy.special import expit

from optimizer.plant.brief import Brief
from optimizer.plant.settings import SettingSpace
from tests.benchmarks.replays.problem import STARTS
from tests.benchmarks.replays.task import Task

ENOUGH = 0.5
"""Grade at ``c = 0``."""
FREE, FREE_FEED, FREE_GOAL = 0.95, 0.5, 0.9
"""Grade, feed grade and least grade where there is no constraint."""


def grade_of(c: np.ndarray, scale: float = 1.0) -> np.ndarray:
    """Grade for a quantity that must stay at or below 0; at 0 it is one half."""
    return expit(-c / scale)


def recovery_of(y: np.ndarray, middle: float = 0.0, scale: float = 1.0) -> np.ndarray:
    """Recovery for a quantity to be maximized; at ``middle`` it is one half."""
    return expit((y - middle) / scale)


def run_log(
    space: SettingSpace,
    values: np.ndarray,
    grade: np.ndarray | float,
    recovery: np.ndarray,
    feed_grade: float | None = None,
    line: str = "a",
) -> pa.Table:
    """Runs as a history table; a run without a recovery has failed.

    Args:
        space: space of the settings.
        values: settings, shape (n, d).
        grade, recovery: fractions, NaN where a run failed, shape (n,).
        feed_grade: feed grade of all runs; not logged when None.
        line: name of the line.
    """
    n = len(values)
    good = np.isfinite(recovery)
    columns = {
        "line": pa.array([line] * n, pa.string()),
        "started_at": pa.nulls(n, pa.timestamp("us", "UTC")),
        "material": pa.nulls(n, pa.string()),
        **{name: values[:, j] for j, name in enumerate(space.names)},
        "grade": pa.array(np.where(good, grade, np.nan), from_pandas=True),
        "recovery": pa.array(recovery, from_pandas=True),
        "deck_state": ["even" if g else "starved" for g in good],
    }
    if feed_grade is not None:
        columns["feed_grade"] = np.full(n, feed_grade)
    return pa.table(columns)


def log_of(task: Task) -> pa.Table:
    """A campaign as a run log; middle and scale of the maps come from the starts."""
    y, c = task.y[:STARTS], task.c[:STARTS]
    y, c = y[np.isfinite(y)], c[np.isfinite(c)]
    middle, spread = (float(y.mean()), float(y.std())) if len(y) else (0.0, 0.0)
    recovery = recovery_of(task.y, middle, spread or 1.0)
    if not task.problem.constrained:
        return run_log(task.problem.space, task.values, FREE, recovery, FREE_FEED)
    size = float(np.sqrt(np.mean(c**2))) if len(c) else 0.0
    return run_log(task.problem.space, task.values, grade_of(task.c, size or 1.0), recovery)


def brief_of(task: Task) -> Brief:
    """The brief for the planner, which requests one trial."""
    goal = ENOUGH if task.problem.constrained else FREE_GOAL
    return Brief.from_dict({"goal": {"min_grade": goal}, "trials": {"count": 1}})
