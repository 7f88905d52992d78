"""How long a move of a setting takes, as a whole request, on the demo season.

    python -m tests.benchmarks.what_if

Deck-1 of the bundled season has 500 runs at 200 set-points. The service runs as a process of its
own. 200 moves, each of one setting by one step, are asked one after another over one connection:
of the page, as its script asks, and of the endpoint for programs. Beside them stand the first
question, which starts the model process and fits the line, and a fresh fit (another material).
"""

from __future__ import annotations

import tempfile
import time
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlencode

import numpy as np

from optimizer import History, Site, load_logs
from optimizer.operations.demo import LOGS, season_folder
from tests.serving import TOKEN, started

MOVES = 200
LINE = "deck-1"
START = {"feed_rate": 2.4, "end_raise": 3.1, "side_tilt": 3.0, "eccentric_speed": 470.0, "air": 42}
STEPS = {"feed_rate": 0.1, "end_raise": 0.1, "side_tilt": 0.1, "eccentric_speed": 5.0, "air": 1.0}
FORMS = {
    "page": lambda settings: (
        "/what-if?"
        + urlencode(
            {"line": LINE, "min_grade": "98.5", **{f"s.{k}": v for k, v in settings.items()}}
        )
    ),
    "endpoint": lambda settings: (
        "/v1/expected?"
        + urlencode(
            [("line", LINE), ("min_grade", "0.985")]
            + [("setting", f"{name}={value}") for name, value in settings.items()]
        )
    ),
}


def moves(seed: int) -> list[dict[str, float]]:
    """Settings after each of the moves, none of them asked before."""
    rng, settings, found = np.random.default_rng(seed), dict(START), []
    while len(found) < MOVES:
        name = str(rng.choice(list(STEPS)))
        settings[name] = round(settings[name] + STEPS[name] * float(rng.choice([-1, 1])), 6)
        found.append(dict(settings))
    return found


def seconds(connection: HTTPConnection, path: str) -> float:
    """Seconds from the request to the last byte of its answer."""
    start = time.perf_counter()
    connection.request("GET", path, headers={"Authorization": f"Bearer {TOKEN}",
                                             "Accept": "text/html"})  # fmt: skip
    answer = connection.getresponse()
    content = answer.read()
    taken = time.perf_counter() - start
    if answer.status != 200 or b"being fitted" in content:
        raise RuntimeError(f"{answer.status} {path}: {content[:300]!r}")
    return taken


def main() -> None:
    """Measure and print."""
    season = season_folder()
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made)
        (folder / "site.toml").write_bytes((season / "site.toml").read_bytes())
        site = Site.read(folder / "site.toml")
        load_logs([season / log for log in LOGS], History(folder / "history"), site)
        with started(folder) as (_, port):
            connection = HTTPConnection("127.0.0.1", port)
            first = seconds(connection, FORMS["endpoint"](START))
            fresh = [
                seconds(
                    connection, FORMS["endpoint"](START) + f"&material=moisture%3D{11 + k / 10}"
                )
                for k in range(5)
            ]
            print(f"first question, with the start of the process: {first:.2f} s")
            print(f"fresh fit (median of 5): {np.median(fresh):.2f} s")
            seconds(connection, FORMS["endpoint"](START))
            for seed, (name, path_of) in enumerate(FORMS.items()):
                taken = [1000 * seconds(connection, path_of(each)) for each in moves(seed)]
                p50, p95 = np.percentile(taken, [50, 95])
                print(f"{MOVES} moves, {name}: p50 {p50:.0f} ms, p95 {p95:.0f} ms, "
                      f"max {max(taken):.0f} ms")  # fmt: skip


if __name__ == "__main__":
    main()
