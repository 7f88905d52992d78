"""Calibration of intervals and chances at settings that were never run.

    python -m tests.benchmarks.calibration --decks 6 --workers 2

For each deck a plan is made from a history of some runs; then the truth at 400 unseen settings that
run even is compared with the predictions of the plan's model: the share of true grades and
recoveries inside their 90 % intervals, and how often the grade was met among settings with a given
stated chance. Histories: *spread* over the region (failed runs included), *habit*
(around one setting, speed moved with tilt) and *campaign* (spread starts, then our own trials);
unseen settings lie anywhere, and for *campaign* also near what would be run now (*near*). Writes
reports/calibration.md.

Goal: coverage of 86 to 94 % on every family, chances within 0.05 of their frequency.
"""

from __future__ import annotations

import sys
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import situation_of
from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.trials.campaigns import Kept, each, stamp
from tests.benchmarks.trials.command import parser, report_file
from tests.benchmarks.trials.decks import REGION, problem
from tests.benchmarks.trials.methods import ours
from tests.benchmarks.trials.task import STARTS, Task, settings_of

CASES = (("spread", 12), ("spread", 30), ("spread", 60), ("habit", 60), ("campaign", 24))
UNSEEN, MOST_FAILURE = 400, 0.3
NEAR_SD = 0.08
HABIT_SD, TOGETHER_SD = np.array([0.06, 0.05, 0.05, 0.03, 0.02]), 0.05
BINS = np.linspace(0.0, 1.0, 11)


@dataclass(frozen=True)
class Key:
    """What identifies one history."""

    family: str
    demand: str
    seed: int
    kind: str
    runs: int


def history(key: Key) -> Task:
    """The runs that the plan is made from."""
    p = problem(key.family, key.demand, key.seed)
    if key.kind == "spread":
        return Task(p, key.runs)
    if key.kind == "campaign":
        task = Task(p, STARTS)
        while len(task.values) < key.runs:
            task.run(ours(task).trial)
        return task
    task, rng = Task(p, 0), np.random.default_rng((key.seed, 21))
    values = GRAVITY_TABLE.values(REGION.sample(2000, rng))
    truth = p.deck.run(values, p.material)
    usual = values[np.argmax(truth.grade * truth.recovery * (1.0 - truth.failure))]
    unit = GRAVITY_TABLE.to_unit(usual) + HABIT_SD * rng.standard_normal((key.runs, 5))
    unit[:, 2:4] += TOGETHER_SD * rng.standard_normal((key.runs, 1))
    task.run(on_lattice(unit))
    return task


def on_lattice(unit: np.ndarray) -> np.ndarray:
    """Lattice settings nearest to unit coordinates, inside the region, shape (n, 5)."""
    index = GRAVITY_TABLE.nearest_index(GRAVITY_TABLE.low + unit * GRAVITY_TABLE.span)
    return GRAVITY_TABLE.values(np.clip(index, REGION.first, REGION.last))


def judged(key: Key) -> dict[str, Any]:
    """Coverage, and predicted chances with their outcomes, anywhere and near the optimum."""
    with threadpool_limits(1):
        task = history(key)
        planned = situation_of(Snapshot.of_table(task.table()), brief=task.brief(), seed=task.seed)
        rng = np.random.default_rng((key.seed, 22))
        places = {"anywhere": GRAVITY_TABLE.values(REGION.sample(4000, rng))}
        if key.kind == "campaign":
            now = GRAVITY_TABLE.to_unit(settings_of(plan_of(planned).run_now.settings))
            places["near"] = on_lattice(now + NEAR_SD * rng.standard_normal((2000, 5)))
        found = {name: compare(task, planned, values) for name, values in places.items()}
    return {**asdict(key), "found": found}


def compare(task: Task, planned: Any, values: np.ndarray) -> dict[str, Any]:
    """Coverage and chances at the first settings of ``values``, shape (n, 5), that run even."""
    p = task.problem
    truth = p.deck.run(values, p.material)
    even = np.flatnonzero(truth.failure < MOST_FAILURE)[:UNSEEN]
    evidence = planned.evidence
    inputs = evidence.inputs_today(GRAVITY_TABLE.nearest_index(values[even]))
    odds = evidence.feed_odds_today
    prediction = planned.surrogate.predict(inputs, odds)
    answer: dict[str, Any] = {}
    for name, estimate, true in (
        ("grade", prediction.grade, truth.grade[even]),
        ("recovery", prediction.recovery, truth.recovery[even]),
    ):
        answer[name] = round(float(np.mean((estimate.low <= true) & (true <= estimate.high))), 4)
    chance = planned.surrogate.chance_of_grade(inputs, task.min_grade, odds)
    met = truth.grade[even] >= task.min_grade
    where = np.clip(np.digitize(chance, BINS) - 1, 0, len(BINS) - 2)
    sums = [np.bincount(where, w, len(BINS) - 1) for w in (None, chance, met.astype(float))]
    answer["n"], answer["said"], answer["met"] = (np.round(s, 4).tolist() for s in sums)
    return answer


def coverage(rows: list[dict[str, Any]]) -> str:
    """Mean coverage by family, history and place, and the range over decks."""
    lines = [
        "| family | history | runs | where | decks | grade | recovery | inside 86–94 % |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for group, own in _groups(rows).items():
        place = group[-1]
        values = {q: [r["found"][place][q] for r in own] for q in ("grade", "recovery")}
        cells = [
            f"{100 * np.mean(v):.0f} ({100 * min(v):.0f}–{100 * max(v):.0f})"
            for v in values.values()
        ]
        inside = all(0.86 <= np.mean(v) <= 0.94 for v in values.values())
        cells = [*map(str, group), str(len(own)), *cells, "yes" if inside else "no"]
        lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _groups(rows: list[dict[str, Any]]) -> dict[tuple[Any, ...], list[dict[str, Any]]]:
    groups: dict[tuple[Any, ...], list[dict[str, Any]]] = {}
    for row in rows:
        for place in row["found"]:
            groups.setdefault((row["family"], row["kind"], row["runs"], place), []).append(row)
    return dict(sorted(groups.items()))


def reliability(rows: list[dict[str, Any]]) -> str:
    """Stated chance of grade and share that met it, in bins of a tenth, over all decks."""
    lines = [
        "| history | runs | where | "
        + " | ".join(f"{a:.1f}–{a + 0.1:.1f}" for a in BINS[:-1])
        + " | mean off | said - met |",
        "|---|---|---|" + "---|" * (len(BINS) + 1),
    ]
    kinds = sorted({g[1:] for g in _groups(rows)})
    for kind, runs, place in kinds:
        own = [r["found"][place] for r in rows if (r["kind"], r["runs"]) == (kind, runs)]
        n, said, met = (np.sum([o[k] for o in own], axis=0) for k in ("n", "said", "met"))
        known = n >= 20
        off = np.where(known, said - met, 0.0) / np.maximum(n, 1)
        cells = [f"{m / k:.2f} ({k:.0f})" if k else "" for m, k in zip(met, n, strict=True)]
        mean = float(np.sum(np.abs(off) * n) / n[known].sum())
        total = float((said.sum() - met.sum()) / n.sum())
        lines.append(
            f"| {kind} | {runs} | {place} | "
            + " | ".join(cells)
            + f" | {mean:.3f} | {total:+.3f} |"
        )
    return "\n".join(lines)


def identity(key: Key) -> tuple[Any, ...]:
    """The key that identifies a kept row: the history and a stamp of the code."""
    return ("calibration", *asdict(key).values(), stamp("ours", __file__))


def main(words: list[str] | None = None) -> int:
    """Compute the rows that are not kept yet, then write the report."""
    asked = parser("calibration", __doc__ or "", decks=4).parse_args(words)
    keys = [
        Key(family, demand, asked.first + k, kind, runs)
        for k in range(asked.decks)
        for demand in asked.demands
        for family in asked.families
        for kind, runs in CASES
    ]
    rows = each(judged, keys, Kept(asked.cache), identity, asked.workers)
    report_file(
        asked,
        "calibration",
        "Calibration of intervals and chances",
        __doc__ or "",
        "## 90 % intervals: mean (least and most of a deck), per cent",
        coverage(rows),
        "## Chance of grade: share that met it (settings), by the stated chance",
        reliability(rows),
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
