"""The service as it is started: one real process, ended in the middle of its work."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import threading
import time
import urllib.error

import pytest

from cli.serve_command import is_loopback
from optimizer import History
from optimizer.client import Client, ServiceError
from tests.serving import COMMAND, SECONDS, TOKEN, ask, started


@pytest.fixture
def service(tmp_path):
    with started(tmp_path) as (process, port):
        yield process, port, tmp_path


def row(k: int) -> dict:
    return {
        "run_id": f"r{k}", "line": "deck-1", "feed_rate": 2.0, "end_raise": 2.4, "side_tilt": 2.0,
        "eccentric_speed": 450, "air": 30 + k % 20, "grade": 0.98, "recovery": 0.9,
    }  # fmt: skip


def test_plans_are_the_command_s_and_what_was_acknowledged_outlives_the_service(service):
    process, port, folder = service
    with pytest.raises(urllib.error.HTTPError, match="401"):
        ask(port, "/v1/history", token=None)
    ask(port, "/v1/runs", [row(k) for k in range(8)])
    brief = {"line": "deck-1", "goal": {"min_grade": 0.97}, "trials": {"count": 1}}
    served = ask(port, "/v1/plans", brief)
    options = ["--line", "deck-1", "--min-grade", "0.97", "--trials", "1", "--json"]
    command = [COMMAND[0], "suggest", *options]
    printed = subprocess.run(command, cwd=folder, capture_output=True, check=True).stdout
    assert served == printed

    client = Client(f"http://127.0.0.1:{port}", TOKEN)
    assert client.plan(brief) == json.loads(printed)
    assert client.plan({"line": "deck-1", "trials": {"count": 2}})["history_version"] == 0
    assert client.add_runs([row(0)])["already_known"] == 1
    assert client.history()["runs"] == 8
    with pytest.raises(ServiceError, match="Did you mean 'line'") as refused:
        client.plan({"lin": "deck-1"})
    assert (refused.value.status, refused.value.code) == (422, "unknown-key")
    with pytest.raises(ServiceError, match="no level of air") as refused:
        client.plan({"limits": {"air": {"low": 1000.0}}})
    assert refused.value.status == 422
    with pytest.raises(ServiceError, match="token") as refused:
        Client(client.address, "wrong").history()
    assert refused.value.status == 401

    # Four people record while the service is told to end.
    acknowledged: list[int] = []

    def record(start: int) -> None:
        for k in range(start, start + 1000):
            try:
                answer = json.loads(ask(port, "/v1/runs", [row(k)]))
            except OSError:
                return
            if answer["added"] == 1:
                acknowledged.append(k)

    people = [threading.Thread(target=record, args=(1000 * n,)) for n in range(1, 5)]
    for person in people:
        person.start()
    while len(acknowledged) < 8:
        time.sleep(0.05)
    process.send_signal(signal.SIGTERM)
    for person in people:
        person.join(SECONDS)
    assert process.wait(SECONDS) == 0
    kept = History(folder / "history").read()["run_id"].to_pylist()
    assert len(kept) == len(set(kept))
    assert {f"r{k}" for k in acknowledged} <= set(kept)
    # Graceful: what was not acknowledged was not begun.
    assert len(kept) == 8 + len(acknowledged)
    log = (folder / "log.txt").read_text()
    assert TOKEN not in log
    trail = (folder / "history-service" / "audit.jsonl").read_text().splitlines()
    assert len(trail) == 2 + len(acknowledged)
    assert {json.loads(line)["who"] for line in trail} == {"recorder"}


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--host", "0.0.0.0"], "a token is required"),
        (["--host", "::"], "a token is required"),
        (["--host", "192.0.2.1"], "a token is required"),
        (["--certificate", "x.pem"], "both --certificate and --private-key"),
    ],
)
def test_it_refuses_to_start(tmp_path, options, said):
    environment = {k: v for k, v in os.environ.items() if k != "HIGHSIDE_TOKEN"}
    done = subprocess.run(
        [*COMMAND, "--port", "0", *options],
        cwd=tmp_path,
        env=environment,
        capture_output=True,
        text=True,
        timeout=SECONDS,
        check=False,
    )
    assert done.returncode == 2, done.stderr
    assert said in done.stderr


@pytest.mark.parametrize(
    ("host", "local"),
    [("127.0.0.1", True), ("127.8.9.1", True), ("::1", True), ("localhost", True),
     ("0.0.0.0", False), ("::", False), ("mill.example", False), ("", False)],
)  # fmt: skip
def test_what_is_this_machine_alone(host, local):
    assert is_loopback(host) == local
