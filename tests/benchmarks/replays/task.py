"""One campaign in progress: its runs and readings so far, and the regret of settings.

Regret is (best - y) / span, with y the true value at the settings that a method would run now. It
is 0 for the best settings and 1 at the lower end of the span, which is the median of all feasible
settings for a function and the worst settings of the table for an experiment. Where the constraint
is violated:

- *strict*: regret is 1.
- *in proportion*: c divided by a typical violation is added, and the sum is at most 1.
"""

from __future__ import annotations

import numpy as np

from tests.benchmarks.replays.problem import Problem


class Task:
    """One problem to learn, with the runs and readings so far.

    Args:
        problem: the problem to learn.
        seed: seed of the starts, of the readings and of the method.

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
        """Run settings, shape (d,), and store their reading."""
        y, c = self.problem.read(values, self.values, self.seed)
        self.values = np.vstack([self.values, values])
        self.y, self.c = np.append(self.y, y), np.append(self.c, c)

    def ask(self, values: np.ndarray) -> None:
        """Run the trial that the problem offers for a method's settings, shape (d,)."""
        self.run(self.problem.trial(values, self.values))

    @property
    def good(self) -> np.ndarray:
        """Mask of the runs that have readings, shape (n,)."""
        return np.isfinite(self.y)

    def padded(self) -> tuple[np.ndarray, np.ndarray]:
        """Readings of ``y`` and ``c``; failed runs get the worst reading so far; each (n,).

        Floor padding, Wakabayashi et al. (2022), npj Comput. Mater. 8 (s41524-022-00859-8).
        """
        if not self.good.any():
            return np.zeros(len(self.y)), np.zeros(len(self.y))
        y = np.where(self.good, self.y, np.nanmin(self.y))
        return y, np.where(self.good, self.c, np.nanmax(self.c))

    def best_reading(self) -> np.ndarray | None:
        """Settings of the highest ``y`` read with ``c`` at most 0, otherwise of the lowest ``c``.

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
        """Strict regret and regret in proportion of settings, shape (d,); both 1 for None."""
        if values is None:
            return 1.0, 1.0
        y, c = self.problem.truth(self.problem.standing(values))
        scale = self.problem.scale
        short = min(max((scale.best - y) / scale.span, 0.0), 1.0)
        if c <= 0.0:
            return short, short
        return 1.0, min(short + c / scale.miss, 1.0)
