"""One campaign in progress: its runs and readings so far, and the gap of settings to the optimum.

Two gaps are computed. R is the true recovery times the chance of an even deck, R* its value at the
attainable optimum.

- *strict*: gap = R* - R, or R* where the true grade misses the goal.
- *in proportion*: gap = max(0, R* - R) + R* (g* - g) / (g* - f), at most R*, with g the true grade,
  g* the goal and f the feed grade. A product as poor as the feed loses everything; a product that
  misses the goal by a tenth of the upgrade g* - f loses a tenth. Recovery above R* earns nothing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa

from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.trials.decks import LEAST_FEED, REGION, Problem

NAMES = GRAVITY_TABLE.names
STARTS = 8


class Task:
    """One deck to learn, with the runs and readings so far.

    The k-th run of a problem has equal noise for all methods.

    Args:
        problem: the deck.
        starts: number of spread runs at the beginning, equal for every method.
    """

    def __init__(self, problem: Problem, starts: int = STARTS) -> None:
        self.problem, self.seed, self.min_grade = problem, problem.seed, problem.min_grade
        self.values = np.empty((0, len(NAMES)))
        self.grade = self.recovery = self.grade_count = self.recovery_se = np.empty(0)
        self.feed_grade = np.empty(0)
        self.state: list[str] = []
        if starts:
            # Independent of the generator that drew the deck.
            rng = np.random.default_rng((problem.seed, 1))
            self.run(GRAVITY_TABLE.values(REGION.sample(starts, rng)))

    def run(self, values: np.ndarray) -> None:
        """Run settings, shape (n, 5), and store their readings."""
        for row in np.atleast_2d(values):
            noise = np.random.default_rng((self.seed, 2, len(self.values)))
            p = self.now()
            read = self.spoiled(p.deck.measure(row[None, :], p.material, noise), noise)
            self.feed_grade = np.append(self.feed_grade, p.feed_grade)
            self.values = np.vstack([self.values, row])
            self.grade = np.append(self.grade, read.grade)
            self.recovery = np.append(self.recovery, read.recovery)
            self.grade_count = np.append(self.grade_count, read.grade_count)
            self.recovery_se = np.append(self.recovery_se, read.recovery_se)
            self.state.append(str(read.deck_state[0]))

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the settings; overridden by tasks whose deck has others."""
        return NAMES

    def now(self) -> Problem:
        """The problem at the current trial; overridden by tasks whose deck changes."""
        return self.problem

    def spoiled(self, read: Any, rng: np.random.Generator) -> Any:
        """The reading as the log records it; overridden by tasks with faulty logs."""
        return read

    @property
    def even(self) -> np.ndarray:
        """Mask of the runs that have readings, shape (n,)."""
        return np.isfinite(self.grade) & np.isfinite(self.recovery)

    def gaps(self, values: np.ndarray | None) -> tuple[float, float]:
        """Strict gap and gap in proportion of settings, shape (5,); both R* for None."""
        p = self.now()
        best = p.best
        if values is None:
            return best, best
        truth = p.deck.run(values[None, :], p.material)
        recovery = float(truth.recovery[0] * (1.0 - truth.failure[0]))
        short = max(self.min_grade - float(truth.grade[0]), 0.0)
        strict = best - recovery if short == 0.0 else best
        missed = short / (self.min_grade - p.feed_grade)
        return strict, min(max(best - recovery, 0.0) + best * missed, best)

    def best_reading(self) -> np.ndarray | None:
        """Settings of the highest recovery read with the grade met, otherwise of the highest grade.

        The order of Deb (2000), Comput. Methods Appl. Mech. Eng. 186, 311-338: feasible before
        infeasible, then by the objective or by the violation. None when every run failed.
        """
        if not self.even.any():
            return None
        met = np.flatnonzero(self.even & (self.grade >= self.min_grade))
        if len(met):
            return self.values[met[np.argmax(self.recovery[met])]]
        return self.values[np.nanargmax(self.grade)]

    def table(self, line: str = "deck") -> pa.Table:
        """The runs as a history table."""
        n = len(self.values)
        return pa.table(
            {
                "line": pa.array([line] * n, pa.string()),
                "started_at": pa.nulls(n, pa.timestamp("us", "UTC")),
                "material": pa.nulls(n, pa.string()),
                **{name: self.values[:, j] for j, name in enumerate(self.names)},
                "grade": pa.array(self.grade, from_pandas=True),
                "recovery": pa.array(self.recovery, from_pandas=True),
                "grade_count": self.grade_count.astype(int),
                "recovery_se": self.recovery_se,
                "feed_grade": self.feed_grade,
                "deck_state": pa.array(self.state, pa.string()),
            }
        )

    def brief(self, count: int = 1, line: str = "deck") -> Brief:
        """The brief for the planner, which requests ``count`` trials."""
        return Brief.from_dict(
            {
                "line": line,
                "material": {"feed_grade": self.now().feed_grade},
                "goal": {"min_grade": self.min_grade},
                "capacity": {"min_feed_rate": LEAST_FEED},
                "trials": {"count": count},
            }
        )


def settings_of(named: dict[str, float]) -> np.ndarray:
    """Settings by name as an array, shape (5,)."""
    return np.array([named[n] for n in NAMES])
