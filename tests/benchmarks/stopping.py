"""Whether it was right to stop when told to.

    python -m tests.benchmarks.stopping --decks 4 --workers 2

A campaign of ours from 8 spread runs is stopped at the first plan that says *stop*, or at 40
trials, and for the record goes on for 12 more. What stopping loses is told three ways: the strict
gap of the settings to run now to the attainable optimum (see ``trials.task``); what going on would
have gained, that gap less the median of the last five of the 12 that follow; and the most that
hindsight could have gained, that gap less the least of the 12. Writes reports/stopping.md.

Asked for: a loss of less than 0.01 in at least 9 of 10 runs.
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
    """One campaign."""

    family: str
    demand: str
    seed: int


def stopped(key: Key) -> dict[str, Any]:
    """When a campaign stopped, its gaps then, and those of the trials after."""
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
    """By family and demand: when it stopped and what that lost."""
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
    """What a campaign is known by."""
    return ("stopping", *asdict(key).values(), stamp("ours", __file__))


def main(words: list[str] | None = None) -> int:
    """Run what is not kept, then write the report."""
    asked = parser("stopping", __doc__ or "", decks=2).parse_args(words)
    keys = [
        Key(family, demand, asked.first + k)
        for k in range(asked.decks)
        for demand in asked.demands
        for family in asked.families
    ]
    rows = each(stopped, keys, Kept(asked.cache), identity, asked.workers)
    report_file(asked, "stopping", "Stopping when told", __doc__ or "", table(rows))
    return 0


if __name__ == "__main__":
    sys.exit(main())
