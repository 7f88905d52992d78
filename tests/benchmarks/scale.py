"""Load, reload and plan on a million rows, compared with a plain read and write.

    python -m tests.benchmarks.scale [--rows 1000000] [--lines 5] [--points 300] [--pairs 3]
                                     [--costs 500 1000 2000] [--kills 500]

Every figure belongs to a whole command in a separate process: wall time, processor time and peak
resident memory. The load and the plain work (pyarrow's CSV reader into the table library's writer,
with our partitions) alternate; the ratio is the median over the pairs. Prints tables for
``reports/scale.md`` and fails when a limit is missed. ``--costs`` adds the cost of a plan by the
number of set-points, ``--kills`` the campaign of ``tests.benchmarks.kills``. On a shared machine
only the processor times are meaningful.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from tests.benchmarks.kills import report_kills

MOST_RATIO = 2.0
MOST_SUGGEST_SECONDS = 8.0
MOST_GIB = 1.5
AT_ONCE = 500_000

SITE = """
[material.moisture]
unit = "%"
low = 5.0
high = 20.0
"""

RAW = """
import sys
import pyarrow.csv as pa_csv
from deltalake import write_deltalake
write_deltalake(sys.argv[2], pa_csv.read_csv(sys.argv[1]), partition_by=["line"])
"""


@dataclass(frozen=True)
class Cost:
    """Wall and processor seconds of a command, its peak memory in GiB, and its output."""

    wall: float
    processor: float
    gib: float
    said: str


def cost(command: list[str], folder: Path) -> Cost:
    """Run a command to its end and measure it."""
    env = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    with tempfile.TemporaryFile() as out:
        started = time.perf_counter()
        child = subprocess.Popen(command, cwd=folder, env=env, stdout=out)
        _, status, used = os.wait4(child.pid, 0)
        wall = time.perf_counter() - started
        child.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        said = out.read().decode()
    if child.returncode:
        raise SystemExit(f"{' '.join(command[:6])} ended with {child.returncode}: {said[-2000:]}")
    kilobytes = used.ru_maxrss / (1024 if sys.platform == "darwin" else 1)
    return Cost(wall, used.ru_utime + used.ru_stime, kilobytes / 2**20, said)


def write_logs(folder: Path, rows: int, lines: int, points: int) -> None:
    """Write a season of ``rows`` runs at ``points`` set-points as log.csv and log.parquet."""
    random = np.random.default_rng(0)
    low, step = np.array([1.0, 1.0, 1.0, 400.0, 20.0]), np.array([0.1, 0.1, 0.25, 5.0, 1.0])
    steps = np.array([20, 25, 8, 20, 40])
    sets = low + step * random.integers(0, steps, (lines, points, 5))
    writers = []
    for start in range(0, rows, AT_ONCE):
        n = min(AT_ONCE, rows - start)
        k = np.arange(start, start + n)
        line, point = k % lines, random.integers(0, points, n)
        x = sets[line, point]
        pull = ((x - low) / (step * steps) - 0.5) @ np.array([-1.0, 0.8, 0.5, 0.3, 0.9])
        logit = np.array([4.2, 2.6])[:, None] + np.array([0.8, -0.9])[:, None] * pull
        grade, recovery = 1 / (1 + np.exp(-logit - 0.2 * random.standard_normal((2, n))))
        began = np.datetime64("2025-03-01T00:00:00") + (k * 10).astype("timedelta64[s]")
        names = ["feed_rate", "end_raise", "side_tilt", "eccentric_speed", "air"]
        columns = {
            "line": pa.array(np.char.mod("deck-%d", line)),
            "started_at": pa.array(np.datetime_as_string(began)),
            **{name: np.round(x[:, j], 2) for j, name in enumerate(names)},
            "grade": np.round(grade, 4),
            "recovery": np.round(recovery, 4),
            "grade_count": random.integers(300, 900, n),
            "moisture": np.round(random.normal(11.0, 0.05, n), 2),
        }
        table = pa.table(columns)
        if not writers:
            writers = [
                pa_csv.CSVWriter(
                    folder / "log.csv", table.schema,
                    write_options=pa_csv.WriteOptions(quoting_style="needed"),
                ),
                pq.ParquetWriter(folder / "log.parquet", table.schema),
            ]  # fmt: skip
        for writer in writers:
            writer.write_table(table)
    for writer in writers:
        writer.close()


def plan_cost(highside: str, points: int) -> Cost:
    """Cost of a plan on one line with ``points`` set-points of a dozen runs each."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_logs(folder, 12 * points, 1, points)
        load = [highside, "load", "log.csv", "--map", "moisture=ignore"]
        cost([*load, "--history", "history", "--json"], folder)
        suggest = [highside, "suggest", "--history", "history", "--line", "deck-0"]
        return cost([*suggest, "--min-grade", "0.985", "--json"], folder)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--lines", type=int, default=5)
    parser.add_argument("--points", type=int, default=300)
    parser.add_argument("--pairs", type=int, default=3)
    parser.add_argument("--costs", type=int, nargs="*", default=[])
    parser.add_argument("--kills", type=int, default=0)
    asked = parser.parse_args()
    highside = str(Path(sys.executable).with_name("highside"))
    missed = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "site.toml").write_text(SITE, "utf-8")
        write_logs(folder, asked.rows, asked.lines, asked.points)
        raw, load = [], []
        for k in range(asked.pairs):
            raw.append(cost([sys.executable, "-c", RAW, "log.csv", f"raw-{k}"], folder))
            command = [highside, "load", "log.csv", "--history", f"history-{k}", "--json"]
            load.append(cost(command, folder))
            assert json.loads(load[-1].said)["added"] == asked.rows, load[-1].said[:2000]
        again = cost([highside, "load", "log.parquet", "--history", "history-0", "--json"], folder)
        assert json.loads(again.said)["already_known"] == asked.rows, again.said[:2000]
        plan = cost(
            [highside, "suggest", "--history", "history-0", "--line", "deck-1",
             "--min-grade", "0.985", "--json"], folder,
        )  # fmt: skip
        points = json.loads(plan.said)["set_points"]
        summary = cost([highside, "history", "--history", "history-0", "--json"], folder)
        verify = cost([highside, "history", "--verify", "--history", "history-0", "--json"], folder)
        assert json.loads(verify.said)["runs"] == asked.rows
        size = (folder / "log.csv").stat().st_size / 2**20
        kept = sum(p.stat().st_size for p in (folder / "history-0").rglob("*.parquet")) / 2**20
    ratio = statistics.median(a.wall / b.wall for a, b in zip(load, raw, strict=True))
    print(f"{asked.rows:,} rows, {asked.lines} lines with {asked.points} set-points each: ")
    print(f"{size:.0f} MiB of CSV, {kept:.0f} MiB in the history.\n")
    print("| command | wall s | processor s | peak GiB |")
    print("|---|---|---|---|")
    middle = sorted(range(asked.pairs), key=lambda k: load[k].wall / raw[k].wall)[asked.pairs // 2]
    for label, used in (
        ("raw read and write", raw[middle]),
        ("load the CSV", load[middle]),
        ("load it again as Parquet", again),
        (f"suggest on one line ({points} set-points)", plan),
        ("history", summary),
        ("history --verify", verify),
    ):
        print(f"| {label} | {used.wall:.2f} | {used.processor:.2f} | {used.gib:.2f} |")
    print(f"\nLoad / raw: {ratio:.2f}, median of {asked.pairs} pairs (at most {MOST_RATIO:g}).")
    processor = statistics.median(a.processor / b.processor for a, b in zip(load, raw, strict=True))
    busy = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    print(f"By processor time: {processor:.2f}. Load of the machine: {busy:.1f}.")
    if ratio > MOST_RATIO:
        missed.append("load / raw")
    if plan.wall > MOST_SUGGEST_SECONDS:
        missed.append("suggest")
    missed += [
        f"memory of {label}"
        for label, used in (("load", load[middle]), ("again", again), ("suggest", plan))
        if used.gib > MOST_GIB
    ]
    if asked.costs:
        print("\n| set-points | wall s | processor s | peak GiB |")
        print("|---|---|---|---|")
    for points in asked.costs:
        used = plan_cost(highside, points)
        print(f"| {points} | {used.wall:.1f} | {used.processor:.1f} | {used.gib:.2f} |", flush=True)
    if asked.kills:
        print()
        report_kills(asked.kills, seed=0)
    if missed:
        print(f"\nMissed: {', '.join(missed)}.")
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main())
