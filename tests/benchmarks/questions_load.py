"""Questions about hard-to-believe values make a load of 1,000,000 rows at most a quarter longer.

    python -m tests.benchmarks.questions_load [ROWS]

A season of two lines is loaded into an empty history, and a second one into the history that holds
the first, each with and without questions, in turn in one process. The result is the median over
the rounds of the ratio of the two times of the processor, which other work on the machine hardly
changes. Fails when one of the ratios is above 1.25.
"""

from __future__ import annotations

import gc
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from unittest import mock

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from optimizer import History, load_logs
from optimizer.intake.questioning.asking import Asking

ROWS = 1_000_000
ROUNDS = 3
MOST = 1.25


def season(first: str, rows: int, rng: np.random.Generator) -> pa.Table:
    """Rows of two lines, one every ten seconds, with readings that scatter as measured ones do."""
    start = np.datetime64(first) + 10 * np.arange(rows).astype("timedelta64[s]")
    return pa.table(
        {
            "line": np.where(np.arange(rows) % 100_000 < 50_000, "deck-1", "deck-2"),
            "started_at": start.astype(str),
            "feed_rate": rng.normal(2.2, 0.2, rows).clip(0.6, 3.9).round(2),
            "end_raise": rng.normal(3.0, 0.2, rows).clip(0.6, 4.9).round(2),
            "side_tilt": rng.normal(2.4, 0.2, rows).clip(0.6, 4.4).round(2),
            "eccentric_speed": rng.normal(460, 15, rows).clip(310, 590).round(1),
            "air": rng.normal(42, 3, rows).clip(1, 89).round(1),
            "grade": (1 / (1 + np.exp(-rng.normal(4.2, 0.35, rows)))).round(5),
            "recovery": (1 / (1 + np.exp(-rng.normal(2.3, 0.3, rows)))).round(5),
            "grade_count": rng.integers(300, 600, rows),
            "feed_grade": rng.normal(0.93, 0.005, rows).round(4),
        }
    )


class NoQuestions:
    """Stands in for ``Asking`` and asks nothing."""

    def __init__(self, *_: object) -> None: ...

    def learn(self, batches: Iterator[pa.RecordBatch]) -> Iterator[pa.RecordBatch]:
        return batches

    def begin(self, *_: object) -> None: ...

    add = known = end = begin

    def questions(self, _: object) -> tuple[tuple[()], int]:
        return (), 0


def seconds(log: Path, history: History, asking: type) -> float:
    gc.collect()
    with mock.patch("optimizer.intake.settling.loading.Asking", asking):
        if asking is NoQuestions:  # nor is the column read that only questions need
            with mock.patch("optimizer.history.snapshot.Snapshot.known_runs", _keys):
                begin = time.process_time()
                load_logs([log], history)
                return time.process_time() - begin
        begin = time.process_time()
        report = load_logs([log], history)
        took = time.process_time() - begin
    print(f"  {report.added:,} added, {report.questions_total} questions, {took:.2f} s")
    return took


def _keys(snapshot, lines):
    return snapshot.keys(lines)


def main() -> int:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else ROWS
    rng = np.random.default_rng(0)
    ratios: dict[str, list[float]] = {"empty history": [], "filled history": []}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        logs = [folder / "first.csv", folder / "second.csv"]
        for log, first in zip(logs, ("2023-01-01T00:00:00", "2024-06-01T00:00:00"), strict=True):
            pa_csv.write_csv(season(first, rows, rng), log)
        for k in range(ROUNDS):
            took = {}
            for asking in (Asking, NoQuestions) if k % 2 else (NoQuestions, Asking):
                history = History(folder / f"history-{k}-{asking.__name__}")
                took[asking] = [seconds(log, history, asking) for log in logs]
            for label, a, b in zip(ratios, took[Asking], took[NoQuestions], strict=True):
                ratios[label].append(a / b)
    for label, found in ratios.items():
        print(f"{label}: {statistics.median(found):.3f} (at most {MOST:.2f})")
    return int(max(statistics.median(found) for found in ratios.values()) > MOST)


if __name__ == "__main__":
    sys.exit(main())
