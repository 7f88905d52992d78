"""The service against its own description, at length: schemathesis, an independent tool.

    python -m tests.benchmarks.service_described [--examples 200]

Chains of requests along the links that the answers have, then generated and damaged requests: of
the operations that make plans, which take seconds each, a tenth of the examples, of all others as
many as asked for. The default tests do the same with few examples. Exits 1 when an answer is not as
described.
"""

from __future__ import annotations

import argparse
import re
import tempfile
import time
from pathlib import Path

from tests.outside.test_service_outside import described, row
from tests.serving import ask, started

PATHS = "^/(health|metrics|v1/(history|changes|runs|plans|jobs|results|batches|diagnosis))"
PLANNING = "^/v1/(plans|diagnosis|batches|batches/{batch}/sheet)$"
SLOW = "^(POST /v1/(plans|batches)|GET /v1/(diagnosis|batches/{batch}/sheet))$"
"""Names of the operations of ``PLANNING`` that make plans or draw sheets."""
CHAINS = "^/v1/(runs|plans|jobs|results|batches|comparison|diagnosis)"


def main() -> None:
    """Run both phases, and print what was counted."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--examples", type=int, default=200)
    asked.add_argument("--phase", choices=("chains", "damaged"), help="only one of the two")
    given = asked.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="service-described-"))
    settings = "[phases.stateful.inference]\nalgorithms = []\n"
    (folder / "schemathesis.toml").write_text(settings, encoding="utf-8")
    most, few = str(given.examples), str(max(1, given.examples // 10))
    with started(folder) as (_, port):
        ask(port, "/v1/runs", [row(k) for k in range(10)])
        if given.phase != "damaged":
            along = ("--phases", "stateful", "--mode", "positive", "--max-examples", most)
            said = described(port, folder, CHAINS, *along, "--header", "Prefer: respond-async")
            print(re.search(r"Scenarios: .*\n.*", said)[0], flush=True)
        if given.phase != "chains":
            for paths, more in (
                (PLANNING, ("--max-examples", few)),
                (PATHS, ("--max-examples", most, "--exclude-name-regex", SLOW)),
            ):
                began = time.monotonic()
                said = described(port, folder, paths, "--phases", "examples,fuzzing", *more)
                counted = re.search(r"Tested: +\d+", said), re.search(r"\d+ generated, .*", said)
                print(*(each[0] for each in counted), f"in {time.monotonic() - began:.0f} s")


if __name__ == "__main__":
    main()
