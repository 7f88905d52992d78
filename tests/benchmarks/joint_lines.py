"""Whether compared lines would learn from each other's runs; the comparison does not do this yet.

    python -m tests.benchmarks.joint_lines --sets 12 --seed 1100

Sets of three simulated lines with a short season (about 30 runs each, where a plan borrows from
other lines, ``evidence.borrowing``). The first and the last line are studied on their own runs,
together with the other lines, and together with other lines of which line 2 has an inverted
recovery. Prints the error and coverage of the attainable recovery, how often the cause is named
first, and how far the spoiled line moves the answers of the other two.
"""

from __future__ import annotations

import argparse
import sys

import numpy as np
import pyarrow.compute as pc

from optimizer.comparison.basis import choose_basis
from optimizer.comparison.line_study import Task, study_line
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.simulation import FAMILIES
from tests.benchmarks.simulated_lines import make_set

DAYS, SPOILED = 12, "line-2"
WAYS = ("alone", "together", "one spoiled")


def study_set(k: int) -> list[tuple[str, float, float, float, float, bool]]:
    """Kind of study, truth, mean, low, high and whether the cause is named first, for two lines."""
    true = make_set(list(FAMILIES)[k % len(FAMILIES)], k, 3, DAYS)
    site, runs = Site(), true.runs
    brief = Brief.from_dict(
        {
            "goal": {"min_grade": true.min_grade},
            "material": {"feed_grade": true.material.feed_grade},
        }
    )
    upside_down = pc.if_else(
        pc.equal(runs["line"], SPOILED), pc.subtract(1.0, runs["recovery"]), runs["recovery"]
    )
    spoiled = runs.set_column(runs.column_names.index("recovery"), "recovery", upside_down)
    own = {line.name: runs.filter(pc.equal(runs["line"], line.name)) for line in true.lines}
    basis = choose_basis(own, site, brief, true.feed_rate)
    found = []
    for line in true.lines:
        if line.name == SPOILED:
            continue
        for way, table in zip(WAYS, (own[line.name], runs, spoiled), strict=True):
            study = study_line(Task(line.name, table, site, brief, basis, k))
            if study.reach_draws is None:  # no setting is sure enough of the grade
                found.append((way, line.attainable, np.nan, np.nan, np.nan, False))
                continue
            low, high = np.quantile(study.reach_draws, [0.05, 0.95])
            first = study.names[int(np.argmax(study.parts))]
            found.append(
                (way, line.attainable, study.reach_draws.mean(), low, high, first == line.cause)
            )
    return found


def main() -> int:
    """Run the benchmark and print its figures."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--sets", type=int, default=12)
    options.add_argument("--seed", type=int, default=1100)
    asked = options.parse_args()
    found = [row for k in range(asked.seed, asked.seed + asked.sets) for row in study_set(k)]
    mean = {way: np.array([row[2] for row in found if row[0] == way]) for way in WAYS}
    for way in WAYS:
        rows = [row for row in found if row[0] == way and np.isfinite(row[2])]
        error = 100 * np.array([row[2] - row[1] for row in rows])
        print(
            f"{way:<12} {len(rows)} lines: attainable off by {error.mean():+.1f}, root mean square "
            f"{np.sqrt(np.mean(error**2)):.1f} points; inside "
            f"{100 * np.mean([row[3] <= row[1] <= row[4] for row in rows]):.0f} %; cause first "
            f"{100 * np.mean([row[5] for row in rows]):.0f} %; moved from 'together' by "
            f"{100 * np.nanmean(np.abs(mean[way] - mean['together'])):.1f} points"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
