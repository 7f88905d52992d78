"""A person at the deck while hostile senders of many kinds are at work: ``service_load`` runs it.

``python -m tests.benchmarks.service_attack --seconds 60 --each 32 --pace 1`` prints its part of the
report alone. Senders share the processors with the service, so they pause between requests.
"""

# ruff: noqa: E501 - the lines of a table are long
from __future__ import annotations

import argparse
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from tests.benchmarks.hostile_senders import READ_TOKEN
from tests.serving import ask, free_port, start

BRIEF = {"line": "deck-1", "trials": {"count": 1}}
AIM_RECORD, AIM_PLAN = 2.0, 15.0
"""Seconds within which a result is acknowledged at p99, and a plan is made."""
FLAT = 1.10
"""Memory at the end over memory after a third of the time, at most."""


def row(run_id: str, rng: random.Random) -> dict:
    """A run at one of few settings, so that a fit stays small."""
    return {
        "run_id": run_id, "line": "deck-1", "feed_rate": rng.choice([2.0, 2.4]), "end_raise": 2.4,
        "side_tilt": rng.choice([2.0, 2.2]), "eccentric_speed": 450, "air": rng.choice([36, 40]),
        "grade": round(rng.uniform(0.97, 0.99), 5), "recovery": round(rng.uniform(0.88, 0.94), 5),
    }  # fmt: skip


@dataclass
class Person:
    """What a person at the deck waited for, seconds, and what was refused."""

    records: list[float] = field(default_factory=list)
    plans: list[float] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)

    def repeat(
        self, into: list[float], until: float, pause: float, act: Callable[[int], None]
    ) -> None:
        """Do something again and again, and note how long each time took."""
        k = 0
        while time.monotonic() < until:
            began = time.monotonic()
            try:
                act(k)
                into.append(time.monotonic() - began)
            except OSError as error:
                self.refused.append(repr(error))
            k += 1
            time.sleep(pause)


def memory(process: int) -> float:
    """Resident memory of a process and all that it started, MiB (Linux)."""
    found = 0
    for task in Path("/proc").glob("[0-9]*"):
        with suppress(OSError, ValueError):
            parent = int((task / "stat").read_text().rpartition(")")[2].split()[1])
            if process in (int(task.name), parent):
                found += int((task / "statm").read_text().split()[1])
    return found * os.sysconf("SC_PAGE_SIZE") / 2**20


def slowhttptest(port: int, seconds: int) -> str:
    """What Debian's slowhttptest says of slow headers from one address, and whether another one
    was answered meanwhile."""
    if shutil.which("slowhttptest") is None:
        return "not run: slowhttptest is missing (apt-get install slowhttptest)"
    command = ["slowhttptest", "-c", "1000", "-H", "-i", "5", "-r", "200", "-l", str(seconds)]
    tool = subprocess.Popen(
        [*command, "-u", f"http://127.0.0.1:{port}/", "-p", "3"],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    times = []
    while tool.poll() is None:
        began = time.monotonic()
        subprocess.run(
            [sys.executable, "-c", OTHER_SENDER, str(port)], check=False, capture_output=True
        ).check_returncode()
        times.append(time.monotonic() - began)
        time.sleep(0.5)
    return f"`{' '.join(command)}`: {len(times)} of {len(times)} requests of another address answered, the slowest in {max(times):.1f} s (with the start of its process)"


OTHER_SENDER = """
import http.client, sys
link = http.client.HTTPConnection("127.0.0.1", int(sys.argv[1]), 30, source_address=("127.2.0.1", 0))
link.request("GET", "/health")
assert link.getresponse().status == 200
"""


def run(seconds: float, each: int, pace: float) -> tuple[str, bool]:
    """The part of the report, and whether all aims were reached."""
    folder, port = Path(tempfile.mkdtemp(prefix="service-attack-")), free_port()
    os.environ["HIGHSIDE_READ_TOKEN"] = READ_TOKEN
    process = start(folder, port, "--rate", "50")
    rng, person = random.Random(1), Person()
    try:
        ask(port, "/v1/runs", [row(f"first-{k}", rng) for k in range(30)])
        ask(port, "/v1/plans", BRIEF)
        log, began = folder / "log.txt", time.monotonic()
        logged = log.stat().st_size
        command = [sys.executable, "-m", "tests.benchmarks.hostile_senders", str(port)]
        command += ["--seconds", str(seconds), "--each", str(each), "--pace", str(pace)]
        hostile = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)

        def record(k: int) -> None:
            ask(port, "/v1/runs", [row(f"person-{k}", rng)])

        def plan(k: int) -> None:
            ask(port, "/v1/plans", {**BRIEF, "goal": {"min_grade": 0.97 + k % 10 / 1000}})

        until = began + seconds
        acts = ((person.records, 0.5, record), (person.plans, 2.0, plan))
        threads = [
            threading.Thread(target=person.repeat, args=(into, until, pause, act))
            for into, pause, act in acts
        ]
        for thread in threads:
            thread.start()
        time.sleep(seconds / 3)
        early = memory(process.pid)
        for thread in threads:
            thread.join()
        late, heard = memory(process.pid), json.loads(hostile.communicate()[0])
        logged = log.stat().st_size - logged
        slow = slowhttptest(port, 20)
        began = time.monotonic()
        process.terminate()
        process.wait(120)
        ended = time.monotonic() - began
    finally:
        process.kill()
    p99 = float(np.quantile(person.records, 0.99))
    good = p99 < AIM_RECORD and max(person.plans) < AIM_PLAN and late < FLAT * early
    good = good and not person.refused and ended < 30
    told = "; ".join(
        f"{kind}: {', '.join(f'{s} × {n}' for s, n in sorted(got.items()))}"
        for kind, got in heard.items()
    )
    return (
        f"""## Hostile senders of every kind at once

`python -m tests.benchmarks.service_attack --seconds {seconds:g} --each {each} --pace {pace:g}`

| | |
|---|---|
| hostile senders | {each} of each of {len(heard)} kinds, each with an address of its own, {pace:g} s between two requests of one |
| what they were answered (status × times) | {told} |
| a person's result, acknowledged | {len(person.records)}: median {np.median(person.records):.2f} s, p99 {p99:.2f} s (aim: {AIM_RECORD:g}), longest {max(person.records):.2f} s |
| a person's plan, made anew | {len(person.plans)}: median {np.median(person.plans):.1f} s, longest {max(person.plans):.1f} s (aim: {AIM_PLAN:g}) |
| refused to the person | {len(person.refused)} {person.refused[:3] or ""} |
| memory of all processes of the service | {early:.0f} MiB after a third of the time, {late:.0f} MiB at the end |
| log | {logged / 2**10:.0f} KiB in {seconds:g} s |
| SIGTERM with what waits then | ended in {ended:.1f} s (aim: 30) |
| slow headers from one address | {slow} |

{os.cpu_count()} cores, which the senders share; load of the machine at the end {os.getloadavg()[0]:.1f}.
""",
        good,
    )


def main() -> None:
    """Run it alone, and print its part of the report."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--seconds", type=float, default=60.0)
    asked.add_argument("--each", type=int, default=32)
    asked.add_argument("--pace", type=float, default=1.0)
    given = asked.parse_args()
    text, good = run(given.seconds, given.each, given.pace)
    print(text)
    raise SystemExit(not good)


if __name__ == "__main__":
    main()
