"""The cost of faulty logs and changing decks, against campaigns without the fault.

    python -m tests.benchmarks.robustness --decks 3 --workers 2

Campaigns of ours to 30 trials with equal decks, starts and noise are judged by both gaps of
``trials.task`` at 12, 20 and 30 trials; a deck that changes is judged by its optimum at that trial.

- *clean*: no fault.
- *gross errors*: one reading in twenty is replaced by a random number from its range.
- *swapped columns*: grade and recovery are swapped in the readings of one shift, trials 4 to 6.
- *drifting deck*: the cut drifts by 1 % of the contrast per trial, as the scale of the tilt drifts.
- *new material*: from the 17th trial on the deck gets another material, whose feed grade the log
  and the brief state.

Then logs that must get a plan with a warning or a clear refusal, never a crash:
1 to 5 runs, every run failed, a setting never moved, every row twice. Writes
reports/robustness.md.
"""

from __future__ import annotations

import sys
from dataclasses import asdict, dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
import pyarrow as pa
from threadpoolctl import threadpool_limits

from optimizer.errors import HighsideError
from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import suggest
from optimizer.simulation import attainable, demanding_grade
from tests.benchmarks.trials.campaigns import Kept, each, stamp
from tests.benchmarks.trials.command import parser, report_file
from tests.benchmarks.trials.decks import DEMANDS, REGION, Problem, draw, problem
from tests.benchmarks.trials.methods import ours
from tests.benchmarks.trials.task import Task

MARKS = (12, 20, 30)
GROSS = 0.05
SWAPPED = range(3, 6)
# Relative drift per trial of the effect of a degree of tilt.
CREEP = 0.012
CHANGED_AT = 16


@dataclass(frozen=True)
class Key:
    """What identifies one campaign."""

    family: str
    demand: str
    seed: int
    fault: str


class Gross(Task):
    """A task in which one reading in twenty is a random number."""

    def spoiled(self, read: Any, rng: np.random.Generator) -> Any:
        wrong, nonsense = rng.random(2) < GROSS, rng.uniform(0.02, 0.99, 2)
        grade, recovery = (
            np.where(np.isfinite(q) & w, x, q)
            for q, w, x in zip((read.grade, read.recovery), wrong, nonsense, strict=True)
        )
        return replace(read, grade=grade, recovery=recovery)


class Swapped(Task):
    """A task in which grade and recovery are swapped for one shift."""

    def spoiled(self, read: Any, rng: np.random.Generator) -> Any:
        if len(self.values) not in SWAPPED:
            return read
        return replace(read, grade=read.recovery, recovery=read.grade)


class Drifting(Task):
    """A task in which the deck drifts with every trial."""

    def now(self) -> Problem:
        return _crept(self.problem.family, self.problem.demand, self.seed, len(self.values))


class NewMaterial(Task):
    """A task with another material from some trial on, with the required grade of that material."""

    def now(self) -> Problem:
        if len(self.values) < CHANGED_AT:
            return self.problem
        changed = _changed(self.problem.family, self.problem.demand, self.seed)
        self.min_grade = changed.min_grade
        return changed


@dataclass(frozen=True)
class _Creeping:
    """A deck whose side tilt has ``scale`` times its original effect."""

    deck: Any
    scale: float

    def _really(self, values: np.ndarray) -> np.ndarray:
        return np.atleast_2d(values) * np.array([1.0, 1.0, self.scale, 1.0, 1.0])

    def run(self, values: np.ndarray, material: Any) -> Any:
        return self.deck.run(self._really(values), material)

    def measure(self, values: np.ndarray, material: Any, rng: np.random.Generator) -> Any:
        return self.deck.measure(self._really(values), material, rng)


@lru_cache(maxsize=64)
def _crept(family: str, demand: str, seed: int, runs: int) -> Problem:
    """The problem after ``runs`` runs; its optimum is computed only at the marks."""
    p = problem(family, demand, seed)
    deck = _Creeping(p.deck, 1.0 + CREEP * runs)
    if runs not in MARKS:
        return replace(p, deck=deck)
    return _with_optimum(replace(p, deck=deck))


@lru_cache(maxsize=4)
def _changed(family: str, demand: str, seed: int) -> Problem:
    p = problem(family, demand, seed)
    _, material = draw(family, np.random.default_rng((seed, 31)))
    grade = demanding_grade(p.deck, material, DEMANDS[demand], REGION)
    return _with_optimum(replace(p, material=material, min_grade=grade))


def _with_optimum(p: Problem) -> Problem:
    found = attainable(p.deck, p.material, p.min_grade, REGION)
    return replace(p, best=found.recovery * (1.0 - found.failure), best_settings=found.settings)


FAULTS: dict[str, type[Task]] = {
    "clean": Task,
    "gross errors": Gross,
    "swapped columns": Swapped,
    "drifting deck": Drifting,
    "new material": NewMaterial,
}


def spoiled(key: Key) -> dict[str, Any]:
    """Gaps of one campaign at the marks."""
    with threadpool_limits(1):
        task = FAULTS[key.fault](problem(key.family, key.demand, key.seed))
        gaps = []
        while True:
            task.now()
            choice = ours(task)
            if len(task.values) in MARKS:
                gaps.append(task.gaps(choice.reports["ours"]))
            if len(task.values) >= MARKS[-1]:
                break
            task.run(choice.trial)
    strict, proportion = np.round(np.array(gaps), 5).T.tolist()
    return {**asdict(key), "strict": strict, "proportion": proportion}


def table(rows: list[dict[str, Any]]) -> str:
    """Median gap in proportion and share of missed grades by fault, over all families."""
    lines = [
        "| fault | campaigns | "
        + " | ".join(f"gap at {m}, in proportion" for m in MARKS)
        + " | "
        + " | ".join(f"grade missed at {m}" for m in MARKS)
        + " |",
        "|---|---|" + "---|" * (2 * len(MARKS)),
    ]
    for fault in dict.fromkeys(r["fault"] for r in rows):
        own = [r for r in rows if r["fault"] == fault]
        gap, strict = (np.array([r[k] for r in own]) for k in ("proportion", "strict"))
        missed = np.mean(strict > gap + 1e-9, axis=0)
        cells = [
            f"{b:.3f} ({a:.3f}–{c:.3f})"
            for a, b, c in np.quantile(gap, [0.25, 0.5, 0.75], axis=0).T
        ]
        cells += [f"{m:.2f}" for m in missed]
        lines.append(f"| {fault} | {len(own)} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def odd_logs(family: str, demand: str, seed: int) -> list[tuple[str, str]]:
    """The answers of the planner to logs with little information: name and answer."""
    p = problem(family, demand, seed)
    full = Task(p, 20)
    logs: dict[str, pa.Table] = {f"{n} runs": full.table().slice(0, n) for n in range(1, 6)}
    failed = np.flatnonzero(~full.even)
    logs["all failed"] = full.table().take(pa.array(failed))
    logs["every row twice"] = pa.concat_tables([full.table(), full.table()])
    still = Task(p, 0)
    values = full.values.copy()
    values[:, 4] = p.best_settings[4]
    still.run(values)
    logs["air never moved"] = still.table()
    answers = []
    for name, log in logs.items():
        try:
            plan = suggest(Snapshot.of_table(log), brief=full.brief(count=2), seed=seed)
            now = "nothing to run now" if plan.run_now is None else "settings to run now"
            text = f"{len(plan.recommendations)} trials, {now}; {len(plan.warnings)} warnings"
            text += f" ({plan.warnings[-1][:80]}…)" if plan.warnings else ""
        except HighsideError as error:
            text = f"refused: {error}"
        answers.append((name, text))
    return answers


def identity(key: Key) -> tuple[Any, ...]:
    """The key that identifies a kept row: the campaign and a stamp of the code."""
    return ("robustness", *asdict(key).values(), stamp("ours", __file__))


def main(words: list[str] | None = None) -> int:
    """Run the campaigns that are not kept yet, then write the report."""
    asked = parser("robustness", __doc__ or "", decks=1).parse_args(words)
    keys = [
        Key(family, demand, asked.first + k, fault)
        for k in range(asked.decks)
        for demand in asked.demands
        for family in asked.families
        for fault in FAULTS
    ]
    rows = each(spoiled, keys, Kept(asked.cache), identity, asked.workers)
    odd = odd_logs(asked.families[0], asked.demands[0], asked.first)
    listed = "\n".join(f"- {name}: {text}" for name, text in odd)
    report_file(
        asked,
        "robustness",
        "Spoiled logs and changing decks",
        __doc__ or "",
        "## Median (quartiles) over all families",
        table(rows),
        "## Logs with little information",
        listed,
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
