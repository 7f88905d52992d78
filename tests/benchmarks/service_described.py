"""The service against its own description, at length: schemathesis, an independent tool.

    python -m tests.benchmarks.service_described [--examples 200]

Generated and damaged requests, then chains of requests along the links that the answers have; the
default tests do the same with few examples. Exits 1 when an answer is not as described.
"""

from __future__ import annotations

import argparse
import re
import tempfile
from pathlib import Path

from tests.outside.test_service_outside import described, row
from tests.serving import ask, started

PATHS = "^/(health|metrics|v1/(history|changes|runs|plans|jobs|results|batches|diagnosis))"
CHAINS = "^/v1/(runs|plans|jobs|results|batches|comparison|diagnosis)"


def main() -> None:
    """Run both phases, and print what was counted."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--examples", type=int, default=200)
    most = ("--max-examples", str(asked.parse_args().examples))
    folder = Path(tempfile.mkdtemp(prefix="service-described-"))
    settings = "[phases.stateful.inference]\nalgorithms = []\n"
    (folder / "schemathesis.toml").write_text(settings, encoding="utf-8")
    with started(folder) as (_, port):
        ask(port, "/v1/runs", [row(k) for k in range(10)])
        along = ("--phases", "stateful", "--mode", "positive", "--header", "Prefer: respond-async")
        said = described(port, folder, CHAINS, *along, *most)
        print(re.search(r"Scenarios: .*\n.*", said)[0])
        said = described(port, folder, PATHS, "--phases", "examples,fuzzing", *most)
        print(*said.splitlines()[-12:], sep="\n")


if __name__ == "__main__":
    main()
