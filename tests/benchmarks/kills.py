"""The long kill test: hundreds of processes are killed at random moments of their work.

    python -m tests.benchmarks.kills [--kills 500] [--seed 0]

Loads, records, compactions, restores, issues of batches, results of trials, corrections,
withdrawals and reinstatements run in separate processes and are killed (SIGKILL) at a random moment
of the time that the work takes. After each kill the history must hold only complete loads and
changes, every run once, every change on record once, every batch with the states of its trials,
every earlier version unchanged and every file intact; the repeated work must complete.
Prints a table for ``reports/scale.md``; fails at the first fault.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from pathlib import Path

from tests.faults import Campaign


def report_kills(kills: int, seed: int) -> None:
    """Run the campaign and print its table."""
    started = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        campaign = Campaign(Path(folder), seed)
        campaign.run(kills)
    minutes = (time.perf_counter() - started) / 60
    print(f"{campaign.kills} kills in {minutes:.1f} minutes, seed {seed}, no fault.\n")
    print("| work | kills | had committed | had not |")
    print("|---|---|---|---|")
    for kind, count in sorted(campaign.by_work.items()):
        # A merge does not change the runs, so they do not show whether it had committed.
        kept = campaign.kept_by[kind]
        told = ("-", "-") if kind == "compact" else (kept, count - kept)
        print(f"| {kind} | {count} | {told[0]} | {told[1]} |")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=500)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    report_kills(asked.kills, asked.seed)


if __name__ == "__main__":
    main()
