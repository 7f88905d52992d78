"""The value of a sister line's runs for a new line, and their cost when they mislead.

    python -m tests.benchmarks.transfer --decks 4 --workers 2

A new line without runs starts in three ways: *cold*; with 300 runs of a *sister*, a deck whose
every quantity differs by a few per cent; with 300 runs of a *misleading* line whose tilt, speed and
air act in the opposite direction. The trials needed are counted until the gap in proportion (see
``trials.task``) is at most 0.035 twice in a row. Writes reports/transfer.md.

Goal: a sister halves the trials that a cold start needs; a misleading line costs at most a
tenth more.
"""

from __future__ import annotations

import sys
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

import numpy as np
import pyarrow as pa
from threadpoolctl import threadpool_limits

from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import suggest
from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.trials.campaigns import Kept, each, stamp
from tests.benchmarks.trials.command import parser, report_file
from tests.benchmarks.trials.decks import REGION, Problem, problem
from tests.benchmarks.trials.task import Task, settings_of

KINDS = ("cold", "sister", "misleading")
LAST, RUNS, NEAR_ENOUGH = 30, 300, 0.035
# Two decks of one design: their recoveries at equal settings have correlations of 0.86 to 0.99.
DIFFERENCE = 0.02
# Half of the sister's runs lie around a habit, with this standard deviation in unit coordinates.
HABIT_SD = 0.06


@dataclass(frozen=True)
class Key:
    """What identifies one start of one new line."""

    family: str
    demand: str
    seed: int
    kind: str


def sister_deck(deck: Any, rng: np.random.Generator) -> Any:
    """A deck with every number changed by a few per cent; laws and signs are unchanged."""
    numbers = [f.name for f in fields(deck) if isinstance(getattr(deck, f.name), float)]
    factors = rng.lognormal(0.0, DIFFERENCE, len(numbers))
    return replace(
        deck, **{n: getattr(deck, n) * float(f) for n, f in zip(numbers, factors, strict=True)}
    )


def sister_runs(p: Problem, kind: str) -> pa.Table:
    """300 runs of another line: half spread over settings that run even, half around its habit."""
    rng = np.random.default_rng((p.seed, 11))
    deck = sister_deck(p.deck, rng)
    values = GRAVITY_TABLE.values(REGION.sample(4000, rng))
    # Bed state and habit depend on the settings that the other line really has.
    really = _mirrored(values) if kind == "misleading" else values
    truth = deck.run(really, p.material)
    even = np.flatnonzero(truth.failure < 0.5)
    usual = values[even][np.argmax((truth.grade * truth.recovery)[even])]
    unit = GRAVITY_TABLE.to_unit(usual) + HABIT_SD * rng.standard_normal((RUNS // 2, 5))
    habit = GRAVITY_TABLE.low + np.clip(unit, 0, 1) * GRAVITY_TABLE.span
    habit = GRAVITY_TABLE.values(GRAVITY_TABLE.nearest_index(habit))
    task = Task(replace(p, deck=_Mirror(deck) if kind == "misleading" else deck), starts=0)
    task.run(np.vstack([values[even[: RUNS - len(habit)]], habit]))
    return task.table("sister")


def _mirrored(values: np.ndarray) -> np.ndarray:
    """Settings with tilt, speed and air mirrored within their ranges, shape (n, 5)."""
    unit = GRAVITY_TABLE.to_unit(values)
    unit[:, 2:] = 1.0 - unit[:, 2:]
    # A tilt or speed of 0 has no logarithm.
    return GRAVITY_TABLE.low + np.clip(unit, 0.0, 1.0) * GRAVITY_TABLE.span


@dataclass(frozen=True)
class _Mirror:
    """A deck with mirrored tilt, speed and air."""

    deck: Any

    def measure(self, values: np.ndarray, material: Any, rng: np.random.Generator) -> Any:
        return self.deck.measure(_mirrored(values), material, rng)


def start(key: Key) -> dict[str, Any]:
    """Gaps after every trial of one start."""
    with threadpool_limits(1):
        p = problem(key.family, key.demand, key.seed)
        task = Task(p, starts=0)
        other = None if key.kind == "cold" else sister_runs(p, key.kind)
        strict, proportion = [], []
        for n in range(LAST + 1):
            runs = task.table("new")
            both = runs if other is None else pa.concat_tables([other, runs])
            plan = suggest(Snapshot.of_table(both), brief=task.brief(line="new"), seed=p.seed)
            now = None if plan.run_now is None else settings_of(plan.run_now.settings)
            a, b = task.gaps(now)
            strict.append(round(a, 5))
            proportion.append(round(b, 5))
            if n < LAST:
                task.run(settings_of(plan.recommendations[0].settings))
    return {**asdict(key), "strict": strict, "proportion": proportion}


def needed(gaps: list[float]) -> int:
    """The first number of trials with two small gaps in a row; LAST + 1 if there is none."""
    near = np.array(gaps) <= NEAR_ENOUGH
    twice = np.flatnonzero(near[:-1] & near[1:])
    return int(twice[0]) if len(twice) else LAST + 1


def table(rows: list[dict[str, Any]]) -> str:
    """Markdown table of the trials needed by family and demand, and of both ratios."""
    lines = [
        "| family | demand | decks | trials needed: cold | sister | misleading | sister : cold "
        "| misleading : cold | mean gap, trials 8–30: cold | sister | misleading |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    groups = sorted({(r["family"], r["demand"]) for r in rows})
    for family, demand in [*groups, ("all", "all")]:
        own = [r for r in rows if family == "all" or (r["family"], r["demand"]) == (family, demand)]
        by = {k: [r for r in own if r["kind"] == k] for k in KINDS}
        trials = {k: float(np.median([needed(r["proportion"]) for r in by[k]])) for k in KINDS}
        mean = {k: np.mean([np.mean(r["proportion"][8:]) for r in by[k]]) for k in KINDS}
        cells = [f"{trials[k]:g}" if trials[k] <= LAST else f"> {LAST}" for k in KINDS]
        cells += [f"{trials[k] / max(trials['cold'], 1):.2f}" for k in KINDS[1:]]
        cells += [f"{mean[k]:.3f}" for k in KINDS]
        lines.append(f"| {family} | {demand} | {len(by['cold'])} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def identity(key: Key) -> tuple[Any, ...]:
    """The key of a kept row: the start and a stamp of the code."""
    return ("transfer", *asdict(key).values(), stamp("ours", __file__))


def main(words: list[str] | None = None) -> int:
    """Run the starts that are not kept yet, then write the report."""
    asked = parser("transfer", __doc__ or "", decks=2).parse_args(words)
    keys = [
        Key(family, demand, asked.first + k, kind)
        for k in range(asked.decks)
        for demand in asked.demands
        for family in asked.families
        for kind in KINDS
    ]
    rows = each(start, keys, Kept(asked.cache), identity, asked.workers)
    report_file(asked, "transfer", "A sister line's runs on a new line", __doc__ or "", table(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
