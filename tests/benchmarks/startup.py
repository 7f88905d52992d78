"""Waiting times of whole commands: start-up, a plan and the demo.

    python -m tests.benchmarks.startup [--slack 2]

Medians of interleaved runs on one thread. Fails when `--help` takes more than twice as long as a
bare `import typer`, a plan on 200 runs more than 3 s, or the demo more than 60 s. On a shared
machine ``--slack`` multiplies the limits in seconds, but not the ratio.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from optimizer import History, Site, load_logs
from optimizer.operations.demo import season_folder

RUNS = 7
MOST_HELP_RATIO = 2.0
MOST_SUGGEST_SECONDS = 3.0
MOST_DEMO_SECONDS = 60.0
SEASON_RUNS = 200


def seconds(command: list[str], folder: Path) -> float:
    env = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    start = time.perf_counter()
    subprocess.run(command, cwd=folder, env=env, check=True, capture_output=True)
    return time.perf_counter() - start


def main() -> int:
    slack = float(sys.argv[sys.argv.index("--slack") + 1]) if "--slack" in sys.argv else 1.0
    highside = str(Path(sys.executable).with_name("highside"))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        rows = (season_folder() / "deck-1.csv").read_text(encoding="utf-8").splitlines()
        (folder / "log.csv").write_text("\n".join(rows[: SEASON_RUNS + 1]), encoding="utf-8")
        for file in ("site.toml", "brief.toml"):
            (folder / file).write_bytes((season_folder() / file).read_bytes())
        site = Site.read(folder / "site.toml")
        load_logs([folder / "log.csv"], History(folder / "history"), site)
        commands = {
            "import typer": [sys.executable, "-c", "import typer"],
            "highside --help": [highside, "--help"],
            "highside suggest": [highside, "suggest", "--brief", "brief.toml"],
        }
        times: dict[str, list[float]] = {k: [] for k in commands}
        for _ in range(RUNS):
            for label, command in commands.items():
                times[label].append(seconds(command, folder))
        demo = seconds([highside, "demo"], folder)
    median = {k: statistics.median(v) for k, v in times.items()}
    pairs = zip(times["highside --help"], times["import typer"], strict=True)
    ratio = statistics.median(a / b for a, b in pairs)
    for label, value in median.items():
        print(f"{label:<20}{value:8.3f} s (median of {RUNS})")
    print(f"{'highside demo':<20}{demo:8.3f} s")
    print(f"--help / import typer: {ratio:.2f} (at most {MOST_HELP_RATIO:g})")
    slow = [
        ratio > MOST_HELP_RATIO,
        median["highside suggest"] > slack * MOST_SUGGEST_SECONDS,
        demo > slack * MOST_DEMO_SECONDS,
    ]
    return int(any(slow))


if __name__ == "__main__":
    sys.exit(main())
