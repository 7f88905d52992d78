"""One plan of one history: what it says at the settings to run now, and the truth there."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import Situation, situation_of
from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks import calibration
from tests.benchmarks.calibration import MOST_FAILURE, NEAR_SD, Key, compare, history, on_lattice
from tests.benchmarks.trials.campaigns import stamp
from tests.benchmarks.trials.decks import REGION
from tests.benchmarks.trials.task import Task, settings_of

CASES = (("spread", 10), ("spread", 40), ("spread", 80), ("spread", 300), ("habit", 60))
ANYWHERE, NEAR = 4000, 2000


def situation(task: Task) -> Situation:
    """The situation of a plan of one trial from the runs so far."""
    return situation_of(Snapshot.of_table(task.table()), brief=task.brief(), seed=task.seed)


def said_and_true(task: Task, planned: Situation) -> tuple[dict[str, Any], np.ndarray | None]:
    """What a plan says at the settings to run now with the truth there, and these settings, (5,).

    Without settings to run now, after very few readings, the chances are None, the grade is not met
    and the gap is the whole of the best.
    """
    found = plan_of(planned).run_now
    now = None if found is None else settings_of(found.settings)
    strict, proportion = task.gaps(now)
    answer: dict[str, Any] = {
        "chance": None,
        "even": None,
        "confidence": planned.brief.goal.confidence,
        "met": False,
        "strict": round(strict, 5),
        "proportion": round(proportion, 5),
        "best": round(task.now().best, 5),
    }
    if now is None or found is None or found.chance_of_grade is None:
        return answer, now
    truth = task.problem.deck.run(now[None, :], task.problem.material)
    index = GRAVITY_TABLE.nearest_index(now[None, :])
    answer["chance"] = round(float(found.chance_of_grade), 5)
    answer["even"] = round(float(planned.chance_even(index)[0]), 5)
    answer["met"] = bool(truth.grade[0] >= task.min_grade)
    return answer, now


def judged(key: Key) -> dict[str, Any]:
    """What a plan says at the settings to run now, its coverage, and the truth.

    ``meet`` is the share of settings that meet the grade among those of the region that run even. A
    history without any reading has no intervals.
    """
    with threadpool_limits(1):
        task = history(key)
        planned = situation(task)
        answer, now = said_and_true(task, planned)
        rng = np.random.default_rng((key.seed, 22))
        values = GRAVITY_TABLE.values(REGION.sample(ANYWHERE, rng))
        places = {"anywhere": values}
        if now is not None:
            around = GRAVITY_TABLE.to_unit(now) + NEAR_SD * rng.standard_normal((NEAR, 5))
            places["near"] = on_lattice(around)
        truth = task.problem.deck.run(values, task.problem.material)
        even = truth.failure < MOST_FAILURE
        answer["meet"] = round(float(np.mean(truth.grade[even] >= task.min_grade)), 4)
        answer["cover"] = {
            name: compare(task, planned, at) if task.even.any() and _even(task, at) else None
            for name, at in places.items()
        }
    return {**asdict(key), **answer}


def _even(task: Task, values: np.ndarray) -> bool:
    """Whether any of the settings, shape (n, 5), runs even."""
    truth = task.problem.deck.run(values, task.problem.material)
    return bool((truth.failure < MOST_FAILURE).any())


def identity(key: Key) -> tuple[Any, ...]:
    """The key of a kept row: the history and a stamp of the code."""
    made_by = stamp("ours", __file__, calibration.__file__)
    return ("certainty", *asdict(key).values(), made_by)
