"""One campaign in progress: what was run and read so far, and how far a setting is from the best.

Regret is (best - y) / span of the truth at what a method would run now: 0 for the best settings,
1 for settings of no merit. For a function the span runs down to the median of all settings that
meet the constraint, for an experiment to the worst settings of the table. Where the constraint is
missed:

- *strict*: regret is 1.
- *in proportion*: c over a typical miss is added, so that a near miss costs little; at most 1.
"""

from __future__ import annotations

import numpy as np

from tests.benchmarks.replays.problem import Problem


class Task:
    """One problem to learn, and what was read of it so far.

    Args:
        problem: what is learned.
        seed: of the starts, of the readings, and of whoever plans.

    Attributes:
        values: settings that were run, shape (n, d).
        y, c: their readings, NaN where a run failed, shape (n,).
    """

    def __init__(self, problem: Problem, seed: int) -> None:
        self.problem, self.seed = problem, seed
        self.values = np.empty((0, len(problem.space.names)))
        self.y = self.c = np.empty(0)
        for row in problem.starts(seed):
            self.run(row)

    def run(self, values: np.ndarray) -> None:
        """Run and read settings, shape (d,)."""
        y, c = self.problem.read(values, self.values, self.seed)
        self.values = np.vstack([self.values, values])
        self.y, self.c = np.append(self.y, y), np.append(self.c, c)

    def ask(self, values: np.ndarray) -> None:
        """Run what the problem has for the settings that a method names, shape (d,)."""
        self.run(self.problem.trial(values, self.values))

    @property
    def good(self) -> np.ndarray:
        """Which runs have readings, shape (n,)."""
        return np.isfinite(self.y)

    def padded(self) -> tuple[np.ndarray, np.ndarray]:
        """Readings of ``y`` and ``c``, failed runs by the worst read so far; each (n,).

        Floor padding, Wakabayashi et al. (2022), npj Comput. Mater. 8 (s41524-022-00859-8).
        """
        if not self.good.any():
            return np.zeros(len(self.y)), np.zeros(len(self.y))
        y = np.where(self.good, self.y, np.nanmin(self.y))
        return y, np.where(self.good, self.c, np.nanmax(self.c))

    def best_reading(self) -> np.ndarray | None:
        """Settings of the highest ``y`` read with ``c`` at most 0, else of the least ``c``.

        The order of Deb (2000), Comput. Methods Appl. Mech. Eng. 186, 311-338. None when every
        run failed.
        """
        if not self.good.any():
            return None
        met = np.flatnonzero(self.good & (self.c <= 0.0))
        if len(met):
            return self.values[met[np.argmax(self.y[met])]]
        return self.values[np.nanargmin(self.c)]

    def regret(self, values: np.ndarray | None) -> tuple[float, float]:
        """Regret of settings, shape (d,), strict and in proportion; 1 when there are none."""
        if values is None:
            return 1.0, 1.0
        y, c = self.problem.truth(self.problem.standing(values))
        scale = self.problem.scale
        short = min(max((scale.best - y) / scale.span, 0.0), 1.0)
        if c <= 0.0:
            return short, short
        return 1.0, min(short + c / scale.miss, 1.0)
