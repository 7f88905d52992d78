"""The interval of the recovery at set-points that were run eight times, beside the repeats alone.

The repeats alone give Student's interval of their mean. It knows neither the other runs nor the
error of a weighing; the model knows both, so that its interval should be as narrow at least, and
hold the truth as often as it says.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np
from scipy.stats import t as student
from threadpoolctl import threadpool_limits

from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import Deck
from tests.benchmarks import calibration
from tests.benchmarks.calibration import Key
from tests.benchmarks.certainty import plans
from tests.benchmarks.certainty.plans import situation
from tests.benchmarks.trials.campaigns import stamp
from tests.benchmarks.trials.decks import REGION, Problem, problem
from tests.benchmarks.trials.task import Task

CASES = (("repeats", 60),)
SET_POINTS, REPEATS = 3, 8
COUNTED, WEIGHED = 200, 0.004
# Repeats lie where hardly any run fails, so that eight runs are about eight readings.
LEAST_EVEN = 0.98
LEVEL = 0.9


@dataclass(frozen=True)
class Counted:
    """A deck of any law, read with the count and the weighing of this module."""

    deck: Any

    def run(self, values: np.ndarray, material: Any) -> Any:
        return self.deck.run(values, material)

    def measure(self, values: np.ndarray, material: Any, rng: np.random.Generator) -> Any:
        if isinstance(self.deck, Deck):
            return self.deck.measure(values, material, rng, grade_count=COUNTED)
        return self.deck.measure(values, material, rng)


def counted(p: Problem) -> Problem:
    """The problem with every grade counted on 200 particles and every recovery weighed to 0.4
    points."""
    known = {"recovery_se": WEIGHED, "grade_count": COUNTED}
    stated = {f.name for f in fields(p.deck)}
    deck = replace(p.deck, **{k: v for k, v in known.items() if k in stated})
    return replace(p, deck=Counted(deck))


def replicated(key: Key) -> tuple[Task, np.ndarray]:
    """A history with three set-points of eight repeats among spread runs, and these set-points.

    The runs of a set-point do not follow each other. Returns the task and settings, shape (3, 5).
    """
    p = counted(problem(key.family, key.demand, key.seed))
    rng = np.random.default_rng((key.seed, 24))
    values = GRAVITY_TABLE.values(REGION.sample(2000, rng))
    even = np.flatnonzero(1.0 - p.deck.run(values, p.material).failure >= LEAST_EVEN)
    at = values[rng.choice(even, SET_POINTS, replace=False)]
    others = GRAVITY_TABLE.values(REGION.sample(key.runs - SET_POINTS * REPEATS, rng))
    task = Task(p, 0)
    task.run(rng.permutation(np.vstack([*[at] * REPEATS, others])))
    return task, at


def interval_of_mean(readings: np.ndarray, level: float = LEVEL) -> tuple[float, float]:
    """Student's interval of the mean of repeats, shape (n,) with n at least 2."""
    n = len(readings)
    half = student.ppf(0.5 + 0.5 * level, n - 1) * np.std(readings, ddof=1) / np.sqrt(n)
    return float(np.mean(readings) - half), float(np.mean(readings) + half)


def judged(key: Key) -> dict[str, Any]:
    """Both intervals of the recovery at each replicated set-point, and the truth."""
    with threadpool_limits(1):
        task, at = replicated(key)
        planned = situation(task)
        p, found = task.problem, []
        truth = p.deck.run(at, p.material).recovery
        model = planned.expected(GRAVITY_TABLE.nearest_index(at)).recovery
        for k, values in enumerate(at):
            own = task.even & np.all(task.values == values, axis=1)
            if own.sum() < 2:
                continue
            found.append(
                {
                    "n": int(own.sum()),
                    "true": round(float(truth[k]), 5),
                    "model": [round(float(v), 5) for v in (model.low[k], model.high[k])],
                    "repeats": [round(v, 5) for v in interval_of_mean(task.recovery[own])],
                }
            )
    return {**asdict(key), "points": found}


def identity(key: Key) -> tuple[Any, ...]:
    """The key of a kept row: the history and a stamp of the code."""
    made_by = stamp("ours", __file__, plans.__file__, calibration.__file__)
    return ("repeats", *asdict(key).values(), made_by)
