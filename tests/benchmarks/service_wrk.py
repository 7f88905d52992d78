"""The service under an independent load tool: `wrk` (from the Debian package of that name).

    python -m tests.benchmarks.service_wrk [--seconds 10] [--connections 16] [--threads 2]

Starts the service over 30 runs, makes one plan, and lets wrk request health, history and that plan
as fast as it can. Writes ``reports/service_wrk.md``; exits 1 when an answer was not 2xx or when no
answer came.
"""

# ruff: noqa: E501 - lines of a table
from __future__ import annotations

import argparse
import json
import os
import random
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

from tests.benchmarks.service_load import BRIEFS, row
from tests.serving import TOKEN, ask, started

ROOT = Path(__file__).resolve().parents[2]
ASKED = {"/health": None, "/v1/history": None, "/v1/plans": BRIEFS[0]}
"""Paths, and the body where one is posted."""
COUNT = """
local threads = {}
function setup(thread) table.insert(threads, thread) end
function init() good = 0; bad = 0 end
function response(status)
  if status >= 200 and status < 300 then good = good + 1 else bad = bad + 1 end
end
function done(summary, latency)
  local good, bad = 0, 0
  for _, thread in ipairs(threads) do
    good, bad = good + thread:get("good"), bad + thread:get("bad")
  end
  local e = summary.errors
  io.write(string.format("RESULT %d %d %d %d %.1f %.3f %.3f %.3f\\n", summary.requests, good, bad,
    e.connect + e.read + e.write + e.timeout, summary.requests / summary.duration * 1e6,
    latency:percentile(50) / 1000, latency:percentile(99) / 1000, latency.max / 1000))
end
"""


def script(body: object) -> str:
    """A Lua script for wrk that sends ``body`` and counts the answers by status."""
    lines = [f'wrk.headers["Authorization"] = "Bearer {TOKEN}"']
    if body is not None:
        lines += [
            'wrk.method = "POST"',
            'wrk.headers["Content-Type"] = "application/json"',
            f"wrk.body = [==[{json.dumps(body)}]==]",
        ]
    return "\n".join(lines) + COUNT


def main() -> None:
    """Run the benchmark and write the report."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--seconds", type=int, default=10)
    asked.add_argument("--connections", type=int, default=16)
    asked.add_argument("--threads", type=int, default=2)
    asked.add_argument("--out", type=Path, default=ROOT / "reports" / "service_wrk.md")
    given = asked.parse_args()
    if shutil.which("wrk") is None:
        raise SystemExit("wrk is missing: apt-get install wrk")
    folder = Path(tempfile.mkdtemp(prefix="service-wrk-"))
    rng = random.Random(0)
    sent = ["-t", str(given.threads), "-c", str(given.connections), "-d", f"{given.seconds}s"]
    rows, failed = [], False
    with started(folder) as (_, port):
        ask(port, "/v1/runs", [row(f"first-{k}", rng) for k in range(30)])
        ask(port, "/v1/plans", BRIEFS[0])
        for path, body in ASKED.items():
            file = folder / "ask.lua"
            file.write_text(script(body), encoding="utf-8")
            address = f"http://127.0.0.1:{port}{path}"
            command = ["wrk", *sent, "--timeout", "10s", "--latency", "-s", str(file), address]
            said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
            print(said)
            found = re.search(r"^RESULT (.*)$", said, re.MULTILINE)
            assert found, said
            total, good, bad, errors, rate, half, most, longest = found[1].split()
            failed |= not int(good) or bool(int(bad)) or bool(int(errors))
            method = "GET" if body is None else "POST"
            rows.append(
                f"| `{method} {path}` | {total} | {float(rate):.0f} | {float(half):.1f} | {float(most):.1f} | {float(longest):.1f} | {bad} | {errors} |"
            )
    text = f"""# The service under wrk

`python -m tests.benchmarks.service_wrk --seconds {given.seconds} --connections {given.connections} --threads {given.threads}`

which runs, for each row, `wrk {" ".join(sent)} --latency` against one process over 30 runs; the plan is there already.

| | requests | a second | median ms | p99 ms | longest ms | not 2xx | errors of the socket |
|---|---|---|---|---|---|---|---|
{chr(10).join(rows)}

{os.cpu_count()} cores, shared by wrk and the service; load of the machine at the end {os.getloadavg()[0]:.1f}.
"""
    given.out.write_text(text, encoding="utf-8")
    print(text)
    if failed:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
