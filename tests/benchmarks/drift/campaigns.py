"""Campaigns on decks where nothing changes with time, with and without effects of time.

The runs of a campaign are dated, three a day. The same campaign is made twice, once with the dates
hidden from the planner, so that it has no effects of time. Everything else is equal: the first
eight runs, the noise of the k-th run, the seed.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import pyarrow as pa
from threadpoolctl import threadpool_limits

from tests.benchmarks.trials.campaigns import played
from tests.benchmarks.trials.decks import problem
from tests.benchmarks.trials.methods import ours
from tests.benchmarks.trials.task import Task

MARKS = (12, 16, 20, 30)
RUNS_A_DAY, HOURS_APART = 3, 2
MICROSECONDS_AN_HOUR = 3_600_000_000
# Draws of the bootstrap over decks, and the level of its intervals.
RESAMPLED, LEVEL = 2000, 0.9


@dataclass(frozen=True)
class Key:
    """What identifies one pair of campaigns."""

    family: str
    demand: str
    seed: int


class Dated(Task):
    """A campaign whose runs have times."""

    def table(self, line: str = "deck") -> pa.Table:
        """The runs as a history table, three a day."""
        table = super().table(line)
        k = np.arange(len(table))
        hours = 24 * (k // RUNS_A_DAY) + HOURS_APART * (k % RUNS_A_DAY) + 8
        starts = pa.array(hours * MICROSECONDS_AN_HOUR).cast(pa.timestamp("us", "UTC"))
        return table.set_column(table.column_names.index("started_at"), "started_at", starts)


def both(key: Key) -> dict[str, Any]:
    """The gaps of a deck's two campaigns at the marks."""
    answer: dict[str, Any] = {}
    with threadpool_limits(1):
        for name, kind in (("with", Dated), ("without", Task)):
            task = kind(problem(key.family, key.demand, key.seed))
            found = played(task, ours, MARKS, task.gaps, task.run)
            answer[name] = {how: found[how]["ours"] for how in ("strict", "proportion")}
    return {**asdict(key), **answer}


def table_of(rows: list[dict[str, Any]]) -> str:
    """Gaps by family and number of runs, and how much larger they are with effects of time."""
    lines = [
        "| family | decks | runs | gap without, points | with | median without | with | "
        "larger by % (90 % interval) | equal plans % |",
        "|" + "---|" * 9,
    ]
    families = sorted({row["family"] for row in rows})
    for family in ("all", *families):
        own = [row for row in rows if family in ("all", row["family"])]
        for k, mark in enumerate(MARKS):
            a, b = (
                np.array([100.0 * row[name]["proportion"][k] for row in own])
                for name in ("without", "with")
            )
            low, high = _ratio_interval(a, b)
            cells = [family, str(len(own)), str(mark)]
            cells += [f"{x:.2f}" for x in (a.mean(), b.mean(), np.median(a), np.median(b))]
            cells += [f"{100 * (b.mean() / a.mean() - 1):+.0f} ({low:+.0f} to {high:+.0f})"]
            cells += [f"{100 * np.mean(a == b):.0f}"]
            lines.append("| " + " | ".join(cells) + " |")
    return "\n".join(lines)


def _ratio_interval(a: np.ndarray, b: np.ndarray) -> tuple[float, float]:
    """By how many % the mean of b exceeds that of a: ends of an interval by resampling decks."""
    rng = np.random.default_rng(0)
    picked = rng.integers(len(a), size=(RESAMPLED, len(a)))
    ratio = 100.0 * (b[picked].mean(axis=1) / a[picked].mean(axis=1) - 1.0)
    low, high = np.quantile(ratio, [0.5 - 0.5 * LEVEL, 0.5 + 0.5 * LEVEL])
    return float(low), float(high)
