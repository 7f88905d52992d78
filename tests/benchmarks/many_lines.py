"""How long a comparison of many lines takes.

    python -m tests.benchmarks.many_lines --lines 200 --workers 1

Ten simulated lines, each with a season of thirty days, are copied to the given number of lines.
Each copy has independent errors in its recoveries. The lines are then compared. Prints the time and
whether copies of one line have similar ranks.
"""

from __future__ import annotations

import argparse
import sys
import time

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from scipy.special import expit, logit

from optimizer.comparison import ComparisonRequest, compare
from optimizer.history.snapshot import Snapshot
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from tests.benchmarks.simulated_lines import make_set

KINDS, DAYS, SEED = 10, 30, 1900
# On the logit scale: about half a point at a recovery of 90 %.
READ_ANEW = 0.05


def many(count: int) -> tuple[pa.Table, Brief, float]:
    """Runs of ``count`` lines, the brief and the feed rate."""
    true = make_set("beans", SEED, KINDS, DAYS)
    rng = np.random.default_rng(SEED)
    tables = []
    for k in range(count):
        table = true.runs.filter(pc.equal(true.runs["line"], f"line-{1 + k % KINDS}"))
        recovery = table["recovery"].to_numpy()
        read = expit(logit(recovery) + READ_ANEW * rng.standard_normal(len(recovery)))
        changes = {
            "line": pa.array([f"kind-{k % KINDS}-{k // KINDS:02d}"] * len(read)),
            "run_id": pa.array([f"{k:03d}-{n:04d}" for n in range(len(read))]),
            "recovery": pa.array(read, from_pandas=True),
        }
        for name, column in changes.items():
            table = table.set_column(table.column_names.index(name), name, column)
        tables.append(table)
    brief = Brief.from_dict(
        {
            "goal": {"min_grade": true.min_grade},
            "material": {"feed_grade": true.material.feed_grade},
        }
    )
    return pa.concat_tables(tables), brief, true.feed_rate


def main() -> int:
    """Run the comparison and print its time and ranks."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--lines", type=int, default=200)
    options.add_argument("--workers", type=int, default=1)
    asked = options.parse_args()
    runs, brief, feed_rate = many(asked.lines)
    began = time.perf_counter()
    found = compare(
        Snapshot.of_table(runs),
        Site(),
        brief,
        request=ComparisonRequest(feed_rate=feed_rate),
        workers=asked.workers,
    ).as_dict()
    took = time.perf_counter() - began
    kinds: dict[str, list[int]] = {}
    for line in found["lines"]:
        kinds.setdefault(line["line"][:6], []).append(line["rank"])
    spread = np.mean([np.ptp(ranks) for ranks in kinds.values()])
    print(
        f"{len(found['lines'])} lines of {runs.num_rows} runs compared in {took:.0f} s with "
        f"{asked.workers} workers, {took / max(1, len(found['lines'])):.1f} s a line; ranks of one "
        f"kind span {spread:.0f} on average"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
