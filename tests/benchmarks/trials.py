"""How many trials a method needs: closed loop on simulated decks, same starts, same noise.

    python -m tests.benchmarks.trials [--decks 8] [--methods ours skopt random]

Each deck starts from the same spread runs for every method; then one trial at a time is asked
for, run and read with the deck's own noise. After some numbers of trials the settings a method
would run production on are valued by the truth: the gap is the attainable recovery less theirs,
all of it when they miss the grade. Writes reports/trials.md.
"""

from __future__ import annotations

import argparse
import sys
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
from threadpoolctl import threadpool_limits

from optimizer.config import Brief
from optimizer.planner import suggest
from optimizer.settings import GRAVITY_TABLE, Region
from optimizer.simulation import (
    FAMILIES,
    attainable,
    demanding_grade,
    random_deck,
    random_material,
)

REPORT = Path(__file__).resolve().parents[2] / "reports" / "trials.md"
STARTS, MARKS = 8, (8, 12, 16, 20, 30)
LEAST_FEED = 1.5
NAMES = GRAVITY_TABLE.names
REGION = Region.whole(GRAVITY_TABLE).narrow("feed_rate", LEAST_FEED, 9.0, "enough to be done")


class Task:
    """One deck to learn, and what was read on it so far."""

    def __init__(self, family: str, seed: int) -> None:
        self.seed = seed
        rng = np.random.default_rng(seed)
        self.deck, self.material = random_deck(rng, family), random_material(rng, family)
        self.min_grade = demanding_grade(self.deck, self.material, region=REGION)
        self.best = attainable(self.deck, self.material, self.min_grade, REGION).recovery
        self.noise = np.random.default_rng(10_000 + seed)
        self.values = np.empty((0, len(NAMES)))
        self.grade = self.recovery = np.empty(0)
        self.state: list[str] = []
        self.run(GRAVITY_TABLE.values(REGION.sample(STARTS, rng)))

    def run(self, values: np.ndarray) -> None:
        """Run and read settings, shape (n, 5)."""
        read = self.deck.measure(values, self.material, self.noise)
        self.values = np.vstack([self.values, values])
        self.grade = np.append(self.grade, read.grade)
        self.recovery = np.append(self.recovery, read.recovery)
        self.state += [str(s) for s in read.deck_state]
        self.grade_count, self.recovery_se = read.grade_count, read.recovery_se

    def gap(self, values: np.ndarray | None) -> float:
        """Attainable recovery less that of settings, shape (5,); all of it off the grade."""
        if values is None:
            return self.best
        truth = self.deck.run(values[None, :], self.material)
        return self.best - (truth.recovery[0] if truth.grade[0] >= self.min_grade else 0.0)

    def best_reading(self) -> np.ndarray | None:
        """Settings of the highest recovery read where the grade read met the goal."""
        met = np.flatnonzero(np.nan_to_num(self.grade) >= self.min_grade)
        return self.values[met[np.argmax(self.recovery[met])]] if len(met) else None


def ours(task: Task) -> tuple[np.ndarray | None, np.ndarray]:
    """Settings to run now, and the next trial."""
    n = len(task.values)
    table = pa.table(
        {
            "line": ["deck"] * n,
            "started_at": pa.nulls(n, pa.timestamp("us", "UTC")),
            "material": pa.nulls(n, pa.string()),
            **{name: task.values[:, j] for j, name in enumerate(NAMES)},
            "grade": pa.array(task.grade, from_pandas=True),
            "recovery": pa.array(task.recovery, from_pandas=True),
            "grade_count": [task.grade_count] * n,
            "recovery_se": [float(task.recovery_se)] * n,
            "feed_grade": [task.material.feed_grade] * n,
            "deck_state": task.state,
        }
    )
    brief = Brief.from_dict(
        {
            "goal": {"min_grade": task.min_grade},
            "capacity": {"min_feed_rate": LEAST_FEED},
            "trials": {"count": 1},
        }
    )
    plan = suggest(table, brief=brief, seed=task.seed)
    now = plan.run_now
    settings = None if now is None else np.array([now.settings[n] for n in NAMES])
    return settings, np.array([plan.recommendations[0].settings[n] for n in NAMES])


def by_chance(task: Task) -> tuple[np.ndarray | None, np.ndarray]:
    """Any setting next; the best reading to run now."""
    rng = np.random.default_rng((task.seed, len(task.values)))
    return task.best_reading(), GRAVITY_TABLE.values(REGION.sample(1, rng))[0]


def scikit_optimize(task: Task) -> tuple[np.ndarray | None, np.ndarray]:
    """scikit-optimize's expected improvement of a penalised loss; the best reading to run now."""
    from skopt import Optimizer

    low, high = np.array(REGION.first), np.array(REGION.last)
    optimizer = Optimizer(
        [(int(a), int(b)) for a, b in zip(low, high, strict=True)],
        acq_func="EI",
        n_initial_points=0,
        random_state=task.seed,
    )
    short = np.maximum(task.min_grade - np.nan_to_num(task.grade), 0.0)
    loss = -np.nan_to_num(task.recovery) + 20.0 * short
    index = GRAVITY_TABLE.nearest_index(task.values)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        optimizer.tell(index.tolist(), np.minimum(loss, 1.0).tolist())
        point = np.array([optimizer.ask()])
    return task.best_reading(), GRAVITY_TABLE.values(point)[0]


METHODS: dict[str, Callable[[Task], tuple[np.ndarray | None, np.ndarray]]] = {
    "ours": ours,
    "skopt": scikit_optimize,
    "random": by_chance,
}


def campaign(method: str, family: str, seed: int) -> list[float]:
    """Gaps of one method on one deck at each of the marks."""
    task, gaps = Task(family, seed), []
    while True:
        now, trial = METHODS[method](task)
        if len(task.values) in MARKS:
            gaps.append(task.gap(now))
        if len(task.values) >= MARKS[-1]:
            return gaps
        task.run(trial[None, :])


def main() -> int:
    """Run, print and write the report."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--decks", type=int, default=8)
    parser.add_argument("--first", type=int, default=0, help="seed of the first deck")
    parser.add_argument("--methods", nargs="+", default=list(METHODS), choices=list(METHODS))
    asked = parser.parse_args()
    lines = []
    with threadpool_limits(1):
        for family in FAMILIES:
            for method in asked.methods:
                seeds = range(asked.first, asked.first + asked.decks)
                gaps = np.array([campaign(method, family, s) for s in seeds])
                averages = zip(np.median(gaps, 0), gaps.mean(0), strict=True)
                cells = [f"{m:.3f} ({a:.3f})" for m, a in averages]
                lines.append(f"| {family} | {method} | " + " | ".join(cells) + " |")
                print(lines[-1], flush=True)
    marks = " | ".join(str(m) for m in MARKS)
    REPORT.write_text(
        "# Trials needed on simulated decks\n\n"
        f"`python -m tests.benchmarks.trials --decks {asked.decks} --first {asked.first}`\n\n"
        f"Median (mean) gap to the attainable recovery over {asked.decks} decks a family after so "
        f"many trials, {STARTS} of them spread starts of which some fail; a setting that misses "
        "the grade has the whole recovery as its gap. *ours* reports what it would run now, tried "
        "or not; the others their best reading.\n\n"
        f"| family | method | {marks} |\n|---|---|{'---|' * len(MARKS)}\n"
        + "\n".join(lines)
        + "\n",
        encoding="utf-8",
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
