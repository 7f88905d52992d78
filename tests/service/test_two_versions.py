"""Two versions of the service over one history, as during an upgrade: real processes."""

from __future__ import annotations

import io
import json
import subprocess
import sys
import threading
import time
import urllib.error
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import replace

import pytest

from optimizer import History
from optimizer.client import Client, ServiceError
from optimizer.service.recording.kept_files import KeptFiles
from tests.service.later_version import LATER
from tests.service.test_process import row
from tests.serving import COMMAND, SECONDS, TOKEN, ask, free_port, started

BRIEF = {"line": "deck-1", "trials": {"count": 2}, "goal": {"min_grade": 0.97}}


@contextmanager
def later(folder):
    """A service of a later version: its process and client."""
    port = free_port()
    command = [sys.executable, "-m", "tests.service.later_version", str(folder), str(port)]
    process = subprocess.Popen(command)
    client = Client(f"http://127.0.0.1:{port}", TOKEN, seconds=SECONDS)
    try:
        deadline = time.monotonic() + SECONDS
        while True:
            try:
                ask(port, "/health", token=None)
                break
            except OSError:
                assert process.poll() is None
                assert time.monotonic() < deadline
                time.sleep(0.1)
        yield process, client
    finally:
        process.kill()
        process.wait()


def client_at(port: int) -> Client:
    return Client(f"http://127.0.0.1:{port}", TOKEN, seconds=SECONDS)


def recorded(client: Client, numbers, stop: threading.Event) -> list[int]:
    """Record runs, each until it is acknowledged or the service is gone; returns the acknowledged
    ones."""
    done = []
    for k in numbers:
        if stop.is_set():
            break
        try:
            assert client.add_runs([row(k)])["added"] == 1
            done.append(k)
        except (OSError, ServiceError, urllib.error.URLError):
            break
    return done


def verified(folder) -> dict:
    """What ``highside history --verify`` says of the history and the trail beside it."""
    command = [COMMAND[0], "history", "--verify", "--json"]
    done = subprocess.run(command, cwd=folder, capture_output=True, check=False)
    assert done.returncode == 0, done.stdout
    return json.loads(done.stdout)


def test_two_versions_record_into_one_history_while_one_is_stopped_and_started(tmp_path):
    go_on = threading.Event()
    with later(tmp_path) as (_, new), ThreadPoolExecutor(2) as people:
        with started(tmp_path) as (process, port):
            old = client_at(port)
            for k in range(8):  # each reads at once what the other recorded
                assert (old, new)[k % 2].add_runs([row(k)])["added"] == 1
                assert [each.history()["runs"] for each in (old, new)] == [k + 1] * 2
            ours = people.submit(recorded, old, range(1000, 2000), go_on)
            theirs = people.submit(recorded, new, range(2000, 3000), go_on)
            time.sleep(3.0)
            process.terminate()
            assert process.wait(SECONDS) == 0
            known = [*range(8), *ours.result(SECONDS)]
        with started(tmp_path) as (_, port):
            old = client_at(port)
            assert old.add_runs([row(50)])["added"] == 1
            go_on.set()
            known += [50, *theirs.result(SECONDS)]
            assert len(known) > 11
            assert old.history()["runs"] == new.history()["runs"] == len(known)
    stored = History(tmp_path / "history").at().runs()["run_id"].to_pylist()
    assert sorted(stored) == sorted(f"r{k}" for k in known)
    trail = (tmp_path / "history-service" / "audit.jsonl").read_text(encoding="utf-8").splitlines()
    by_later = ["later" in json.loads(line) for line in trail]
    assert len(trail) == len(known)
    assert {True, False} == set(by_later)
    assert verified(tmp_path)["audit"]["sound"]


def test_what_a_later_version_wrote_is_read_and_kept(tmp_path):
    with later(tmp_path) as (_, new), started(tmp_path) as (_, port):
        old = client_at(port)
        assert new.add_runs([row(k) for k in range(8)])["added"] == 8
        issued = json.loads(ask(int(new.address.rpartition(":")[2]), "/v1/batches", BRIEF))
        trial = f"/v1/batches/{issued['batch']}/trials/1/result"
        result = json.loads(ask(port, trial, {"grade": 0.981, "recovery": 0.91}))
        assert [each["state"] for each in result["trials"]] == ["done", "to run"]
        again = json.loads(ask(port, "/v1/batches", BRIEF))
        assert again["batch"] == "deck-1-2"
        for first, second in ((old, new), (new, old)):
            assert first.history() == second.history()
            assert first._json("GET", "/v1/changes") == second._json("GET", "/v1/changes")
        told = new._json("GET", f"/v1/batches/{issued['batch']}")
        assert told["trials"][0]["measured"]["grade"] == pytest.approx(0.981)
    events = History(tmp_path / "history").at().events
    assert {"described", "issued"} <= {each.what for each in events}
    assert LATER["later"] in [each.about.get("later") for each in events if each.what == "issued"]
    assert None in [each.about.get("later") for each in events if each.what == "issued"]
    assert verified(tmp_path)["sound"]


def test_choices_of_a_later_version_stay_with_an_upload(tmp_path):
    files = KeptFiles(tmp_path)
    kept = files.add(io.BytesIO(b"line\na\n"), "log.csv", "Ana")
    path = kept.folder / "upload.json"
    stored = json.loads(path.read_bytes())
    stored["choices"]["later"] = stored["later"] = "x"
    path.write_text(json.dumps(stored), encoding="utf-8")
    files.choose(files.one(kept.id), replace(kept.choices, line="deck-1"))
    stored = json.loads(path.read_bytes())
    assert (stored["later"], stored["choices"]["later"]) == ("x", "x")
    assert stored["choices"]["line"] == "deck-1"
