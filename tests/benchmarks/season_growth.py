"""How a history and the folder of its service grow over a season: disk, memory, time to start.

    python -m tests.benchmarks.season_growth [--records 100000] [--plans 10000]

Records come in loads of a hundred, and between them plans of one trial are issued; the next load
holds their results, so that all but the last are closed. One plan is made for each quarter and
issued again and again, since making ten thousand would take hours and store the same. After each
quarter of the season a service is started and asked for the history, for the batches and for pages,
for a plan, and to record a result. Writes ``reports/season_growth.md``.
"""

# ruff: noqa: E501 - the lines of a table are long
from __future__ import annotations

import argparse
import os
import random
import tempfile
import time
from pathlib import Path

from optimizer import Brief, History, Site
from optimizer.intake.settling.load import load_table
from optimizer.operations.issuing import issue_plan, plan_to_issue
from optimizer.planning.situation import situation_of
from tests.benchmarks.service_attack import memory, row
from tests.serving import ask, free_port, start

ROOT = Path(__file__).resolve().parents[2]
EACH = 100
"""Records of a load."""
STEPS = 4
"""Number of points of the table."""
LINE = "line=deck-1"
ASKED = ("/v1/history", f"/v1/batches?{LINE}", f"/batches?{LINE}", "/runs")
BRIEF = {"line": "deck-1", "trials": {"count": 1}}


def disk(folder: Path) -> tuple[float, int]:
    """MiB and number of the files of a folder."""
    sizes = [path.stat().st_size for path in folder.rglob("*") if path.is_file()]
    return sum(sizes) / 2**20, len(sizes)


def measured(folder: Path, records: int, plans: int, batch: int) -> str:
    """A row of the table: the folder as it stands, and a service that starts over it; it records
    the result of a batch."""
    size, files = disk(folder)
    port, began = free_port(), time.monotonic()
    process = start(folder, port)
    try:
        started, times = time.monotonic() - began, []
        for path in ASKED:
            began = time.monotonic()
            ask(port, path)
            times.append(time.monotonic() - began)
        result = {"grade": 0.98, "recovery": 0.9, "sure": True}
        for path, body in (
            ("/v1/plans", BRIEF),
            (f"/v1/batches/deck-1-{batch}/trials/1/result", result),
        ):
            began = time.monotonic()
            ask(port, path, body)
            times.append(time.monotonic() - began)
        held = memory(process.pid)
    finally:
        process.kill()
        process.wait()
    told = " | ".join(f"{seconds:.2f}" for seconds in times)
    return f"| {records:,} | {plans:,} | {size:,.0f} | {files:,} | {started:.1f} | {told} | {held:.0f} |"


def main() -> None:
    """Let a season grow, measure it after each quarter, and write the report."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--records", type=int, default=100_000)
    asked.add_argument("--plans", type=int, default=10_000)
    asked.add_argument("--out", type=Path, default=ROOT / "reports" / "season_growth.md")
    given = asked.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="season-growth-"))
    history, site, rng = History(folder / "history"), Site(), random.Random(0)
    table, began = [], time.monotonic()
    load_table([row(f"first-{k}", rng) for k in range(30)], history, site)
    brief = Brief.from_dict(BRIEF)
    records = plans = results = 0
    for quarter in range(1, STEPS + 1):
        about = plan_to_issue(situation_of(history.at(), site, brief, seed=0))
        while records < given.records * quarter // STEPS:
            ids = [f"deck-1-{k + 1}.1" for k in range(results, min(plans, results + EACH))]
            results += len(ids)
            ids += [f"r{records + k}" for k in range(EACH - len(ids))]
            load_table([row(name, rng) for name in ids], history, site)
            records += EACH
            while plans < given.plans * records // given.records:
                issue_plan(history, site, history.at(), about, "engineer")
                plans += 1
        results += 1
        table.append(measured(folder, records, plans, results))
        print(table[-1], f"after {time.monotonic() - began:.0f} s", flush=True)
    lines = "\n".join(table)
    text = f"""# A season of records and plans

`python -m tests.benchmarks.season_growth --records {given.records} --plans {given.plans}`

| records | issued plans | MiB on disk | files | s to start | {" | ".join(f"s `{path}`" for path in ASKED)} | s a plan | s a result | MiB of memory |
|{"---|" * (len(ASKED) + 8)}
{lines}

The first request of each kind after a start, so that nothing is kept. Memory is that of all processes of the service. {os.cpu_count()} cores; load of the machine at the end {os.getloadavg()[0]:.1f}.
"""
    given.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
