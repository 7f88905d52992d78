"""Processor seconds of one suggestion, ours and the peers' in the same run.

    python -m tests.benchmarks.speed                 # what is installed; peers need their extra

Each history has a given number of different settings of one deck, all of which run even. A time is
the median of five suggestions after a warm-up; the methods take turns, so that a slow spell of the
machine affects all of them. Processor seconds on one thread equal wall time on an idle machine and
do not depend on other work on a busy one. Then 1,000 candidates are valued at 500 set-points: fit
and acquisition, ours and BoTorch's. Writes reports/speed.md.

Goal: under a second at 30 trials; at most half of BoTorch's time and one and a half of
scikit-optimize's; 1,000 candidates faster than BoTorch.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable
from importlib.util import find_spec
from pathlib import Path

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.history.snapshot import Snapshot
from optimizer.planning.acquisition import ConstrainedImprovement
from optimizer.planning.situation import situation_of
from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.trials.campaigns import ROOT
from tests.benchmarks.trials.decks import REGION, problem
from tests.benchmarks.trials.methods import METHODS
from tests.benchmarks.trials.task import Task

SIZES = (20, 30, 50, 200, 1000)
PEERS = {"skopt": "skopt", "optuna": "optuna", "botorch": "botorch"}
SET_POINTS, CANDIDATES = 500, 1000
ROUNDS = 5
# A suggestion that takes more seconds than this is timed only once.
SLOW = 20.0


def history(runs: int) -> Task:
    """A task with ``runs`` even runs, all at different settings."""
    p = problem("beans", "moderate", 0)
    values = GRAVITY_TABLE.values(REGION.sample(8 * runs, np.random.default_rng(41)))
    task = Task(p, starts=0)
    task.run(values[p.deck.run(values, p.material).failure < 0.05][:runs])
    if len(task.values) != runs:
        raise RuntimeError(f"only {len(task.values)} of {runs} settings run even")
    return task


def seconds(works: dict[str, Callable[[], object]], rounds: int = ROUNDS) -> dict[str, float]:
    """Median processor seconds of ``rounds`` calls of each work; a slow work is called once."""
    taken: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(rounds):
        for name, work in works.items():
            if taken[name] and taken[name][0] > SLOW:
                continue
            start = time.process_time()
            work()
            taken[name].append(time.process_time() - start)
    return {name: float(np.median(each)) for name, each in taken.items()}


def suggestions(methods: list[str], sizes: list[int]) -> dict[str, list[float]]:
    """Processor seconds of one suggestion, by method, for each number of set-points."""
    found: dict[str, list[float]] = {name: [] for name in methods}
    for name in methods:
        METHODS[name](history(sizes[0]))
    for size in sizes:
        task = history(size)
        works = {name: (lambda n=name, t=task: METHODS[n](t)) for name in methods}
        for name, each in seconds(works).items():
            found[name].append(each)
            print(f"{name} {size}: {each:.2f} s", file=sys.stderr, flush=True)
    return found


def candidates(with_botorch: bool) -> dict[str, float]:
    """Processor seconds to fit 500 set-points and value 1,000 candidates, by method."""
    task = history(SET_POINTS)
    index = REGION.sample(CANDIDATES, np.random.default_rng(42))

    def ours() -> np.ndarray:
        made = situation_of(Snapshot.of_table(task.table()), brief=task.brief(), seed=0)
        e = made.evidence
        best = np.argsort(-task.recovery)[:40]
        base = e.inputs_today(GRAVITY_TABLE.nearest_index(task.values[best]))
        improvement = ConstrainedImprovement(
            made.surrogate, base, task.min_grade, e.feed_odds_today, room=1, seed=0
        )
        return improvement.log_gain(e.inputs_today(index))

    works: dict[str, Callable[[], object]] = {"ours": ours}
    if with_botorch:
        from tests.benchmarks.trials.peer_botorch import value_candidates

        values = GRAVITY_TABLE.values(index)
        works["botorch"] = lambda: value_candidates(task, values)
    return seconds(works)


def main(words: list[str] | None = None) -> int:
    """Measure, print and write the report."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sizes", nargs="+", type=int, default=list(SIZES))
    parser.add_argument("--report", type=Path, default=ROOT / "reports" / "speed.md")
    asked = parser.parse_args(words)
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    peers = [name for name, module in PEERS.items() if find_spec(module)]
    with threadpool_limits(1):
        found = suggestions(["ours", *peers], asked.sizes)
        valued = candidates("botorch" in peers)
    lines = [
        "| method | " + " | ".join(f"{n} set-points" for n in asked.sizes) + " |",
        "|---|" + "---|" * len(asked.sizes),
    ]
    lines += [
        f"| {name} | " + " | ".join(f"{s:.2f}" for s in row) + " |" for name, row in found.items()
    ]
    lines += [
        f"| ours : {name} | "
        + " | ".join(f"{a / b:.2f}" for a, b in zip(found["ours"], row, strict=True))
        + " |"
        for name, row in found.items()
        if name != "ours"
    ]
    listed = "\n".join(f"- {name}: {s:.2f} s" for name, s in valued.items())
    paragraphs = [p for p in (__doc__ or "").strip().split("\n\n") if not p.startswith("    ")]
    text = [
        "# Seconds of a suggestion",
        f"`OMP_NUM_THREADS=1 python -m tests.benchmarks.speed --sizes "
        f"{' '.join(map(str, asked.sizes))}`",
        *paragraphs,
        "\n".join(lines),
        f"{CANDIDATES:,} candidates at {SET_POINTS} set-points, fit and acquisition:",
        listed,
    ]
    asked.report.write_text("\n\n".join(text) + "\n", encoding="utf-8")
    print("\n".join(lines), listed, sep="\n\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
