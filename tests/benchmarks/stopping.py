"""Whether the advice to stop comes at the right time.

    python -m tests.benchmarks.stopping --decks 4 --workers 2

A campaign of ours from 8 spread runs stops at the first plan that advises *stop*, or at 40 trials,
and continues for 12 further trials for comparison. The loss from stopping is stated in three ways:
the strict gap between the settings to run now and the attainable optimum (see ``trials.task``); the
gain of continuing, which is that gap minus the median gap after the last five of the 12 trials; and
the gain in hindsight, which is that gap minus the smallest of the 12. Writes reports/stopping.md.

Goal: a loss of less than 0.01 in at least 9 of 10 campaigns.
"""

from __future__ import annotations

import sys
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from threadpoolctl import threadpool_limits

from optimizer.diagnostics.calibration import share_interval
from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import suggest
from tests.benchmarks.trials.campaigns import Kept, each, stamp
from tests.benchmarks.trials.command import parser, report_file
from tests.benchmarks.trials.decks import problem
from tests.benchmarks.trials.task import Task, settings_of

MOST, BEYOND, LATER, LOSS = 40, 12, 5, 0.01


@dataclass(frozen=True)
class Key:
    """What identifies one campaign."""

    family: str
    demand: str
    seed: int


def stopped(key: Key) -> dict[str, Any]:
    """The trial at which a campaign stopped, its gaps there, and the gaps after later trials."""
    with threadpool_limits(1):
        task = Task(problem(key.family, key.demand, key.seed))
        gaps, stop = [], None
        while stop is None or len(task.values) < stop + BEYOND:
            plan = suggest(Snapshot.of_table(task.table()), brief=task.brief(), seed=task.seed)
            if stop is None and (plan.stopping.advice == "stop" or len(task.values) >= MOST):
                stop, told = len(task.values), plan.stopping.advice == "stop"
            if stop is not None:
                now = None if plan.run_now is None else settings_of(plan.run_now.settings)
                gaps.append(task.gaps(now))
            task.run(settings_of(plan.recommendations[0].settings))
    strict, proportion = np.round(np.array(gaps), 5).T.tolist()
    return {
        **asdict(key),
        "trials": stop,
        "told": told,
        "strict": strict,
        "proportion": proportion,
    }


def table(rows: list[dict[str, Any]]) -> str:
    """A Markdown table of the stopping trial and the losses by family and demand."""
    lines = [
        "| family | demand | decks | told to stop | median trials | gap below 0.01 (90 %) "
        "| going on gains below 0.01 (90 %) | in hindsight below 0.01 (90 %) | median gap "
        "| 9th of 10 |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    groups = sorted({(r["family"], r["demand"]) for r in rows})
    for family, demand in [*groups, ("all", "all")]:
        own = [r for r in rows if family == "all" or (r["family"], r["demand"]) == (family, demand)]
        told = [r for r in own if r["told"]]
        cells = [f"{len(told)} of {len(own)}"]
        if told:
            gap = np.array([r["strict"][0] for r in told])
            gain = gap - np.array([np.median(r["strict"][-LATER:]) for r in told])
            most = gap - np.array([min(r["strict"]) for r in told])
            cells.append(f"{np.median([r['trials'] for r in told]):g}")
            for loss in (gap, gain, most):
                share = share_interval(int((loss < LOSS).sum()), len(loss))
                low, high = share.low, share.high
                cells.append(f"{np.mean(loss < LOSS):.2f} ({low:.2f}–{high:.2f})")
            cells += [f"{np.median(gap):.3f}", f"{np.quantile(gap, 0.9):.3f}"]
        lines.append(f"| {family} | {demand} | {len(own)} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def identity(key: Key) -> tuple[Any, ...]:
    """The key that identifies a kept row: the campaign and a stamp of the code."""
    return ("stopping", *asdict(key).values(), stamp("ours", __file__))


def main(words: list[str] | None = None) -> int:
    """Run the campaigns that are not kept yet, then write the report."""
    asked = parser("stopping", __doc__ or "", decks=2).parse_args(words)
    keys = [
        Key(family, demand, asked.first + k)
        for k in range(asked.decks)
        for demand in asked.demands
        for family in asked.families
    ]
    rows = each(stopped, keys, Kept(asked.cache), identity, asked.workers)
    report_file(asked, "stopping", "The advice to stop", __doc__ or "", table(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
