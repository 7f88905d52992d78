"""Validation of a messy log takes at most three times as long as a copy of a clean log.

    python -m tests.benchmarks.messy_load

The log has 100,000 rows with decimal commas and units in the headings; one row in a hundred has one
of many faults. Validation reads and checks the rows, gives them ids, recognizes known runs and
names every fault; a load then also writes the runs to the history and the rejects to their files.
The reference is a clean CSV file of the same runs, read by pyarrow and written without any check to
a table of the format of a history and to a plain Parquet file. The works alternate in one process,
each with its default threads; the result is the median ratio over the rounds. Fails when validation
takes more than 3 times as long as the copy to a table. On a shared machine the ratio is higher,
because loading uses a second processor when one is free.
"""

from __future__ import annotations

import gc
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
from deltalake import write_deltalake

from optimizer import History, Site, load_logs

ROWS = 100_000
ROUNDS = 15
MOST = 3.0
BASE = "clean log copied to a table"
BAD = 0.01
# One row in a hundred gets one of these values in place of its own.
FAULTS = [
    ("air", "high"), ("air", ""), ("feed_rate", "9,75"), ("feed_rate", "1.500"),
    ("end_raise", "n/a"), ("grade", "97,2"), ("recovery", "1,7"), ("deck_state", "boilin"),
    ("started_at", "soon"), ("line", ""), ("eccentric_speed", "420 kg"), ("grade_count", "3,5"),
]  # fmt: skip
HEADINGS = {
    "feed_rate": "Feed rate [t/h]",
    "end_raise": "End raise (deg)",
    "eccentric_speed": "Eccentric speed [rpm]",
    "grade": "Grade",
}


def clean(rng: np.random.Generator) -> pa.Table:
    """Rows of a log without faults, one per hour."""
    start = np.datetime64("2020-01-01T00:00:00")
    return pa.table(
        {
            "line": rng.choice(["deck-1", "deck-2"], ROWS),
            "started_at": (start + np.arange(ROWS).astype("timedelta64[h]")).astype(str),
            "feed_rate": rng.uniform(0.5, 4, ROWS).round(2),
            "end_raise": rng.uniform(0.5, 5, ROWS).round(2),
            "side_tilt": rng.uniform(0.5, 4.5, ROWS).round(2),
            "eccentric_speed": rng.uniform(300, 600, ROWS).round(1),
            "air": rng.uniform(0, 90, ROWS).round(1),
            "grade": rng.uniform(0.9, 1, ROWS).round(4),
            "recovery": rng.uniform(0.5, 1, ROWS).round(4),
            "grade_count": rng.integers(100, 900, ROWS),
            "deck_state": np.full(ROWS, "even"),
        }
    )


def messy(table: pa.Table, rng: np.random.Generator) -> tuple[bytes, int]:
    """The rows as a semicolon log with decimal commas, and how many of them are at fault."""
    columns = {
        name: [str(v).replace(".", ",") for v in table[name].to_pylist()]
        for name in table.column_names
    }
    bad = np.flatnonzero(rng.random(ROWS) < BAD)
    for row in bad.tolist():
        name, cell = FAULTS[int(rng.integers(len(FAULTS)))]
        columns[name][row] = cell
    lines = [";".join(HEADINGS.get(name, name) for name in columns)]
    lines += map(";".join, zip(*columns.values(), strict=True))
    return "\n".join(lines).encode(), len(bad)


def seconds(work: Callable[[], object]) -> float:
    gc.collect()
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def main() -> int:
    rng = np.random.default_rng(0)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        table = clean(rng)
        pa_csv.write_csv(table, folder / "clean.csv")
        content, bad = messy(table, rng)
        (folder / "messy.csv").write_bytes(content)

        def copy_to_file() -> None:
            pq.write_table(pa_csv.read_csv(folder / "clean.csv"), folder / "copy.parquet")

        def copy_to_table(k: int) -> None:
            read = pa_csv.read_csv(folder / "clean.csv")
            write_deltalake(folder / f"copy-{k}", read, partition_by=["line"])

        def load(k: int, dry_run: bool) -> None:
            history = History(folder / f"history-{k}")
            report = load_logs([folder / "messy.csv"], history, Site(), dry_run=dry_run)
            assert (report.read, report.rejected) == (ROWS, bad), report.as_dict()
            assert report.added == ROWS - bad

        rounds = [
            {
                BASE: seconds(partial(copy_to_table, k)),
                "clean log copied to a file": seconds(copy_to_file),
                "messy log validated": seconds(partial(load, k, dry_run=True)),
                "messy log loaded": seconds(partial(load, k, dry_run=False)),
            }
            for k in range(ROUNDS + 1)
        ][1:]
    ratios = {}
    print(f"{ROWS:,} rows, {bad} rejected; medians of {ROUNDS} rounds")
    for label in rounds[0]:
        middle = statistics.median(r[label] for r in rounds)
        ratios[label] = statistics.median(r[label] / r[BASE] for r in rounds)
        print(f"{label:<28}{middle:7.3f} s {ROWS / middle:11,.0f} rows/s {ratios[label]:6.2f}")
    print(f"validated / copied to a table: {ratios['messy log validated']:.2f} (at most {MOST:g})")
    return int(ratios["messy log validated"] > MOST)


if __name__ == "__main__":
    sys.exit(main())
