"""A service ends soon whatever waits, and its jobs go on after it, or say that they did not."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

import pytest

from optimizer.client import Client, ServiceError
from optimizer.service.admission.access import Access
from optimizer.service.answers import job_queue, kinds
from optimizer.service.answers.job_files import LOST_SECONDS, JobFiles
from optimizer.service.http.app import create_app
from tests.service.held_planner import folder_of
from tests.service.test_cancel import ASYNC, COMPARISON, ROWS, answers, process_of, until
from tests.service.test_service import client_of, options, row
from tests.serving import SECONDS, ask, free_port, in_thread

__all__ = ["options"]  # fixture


@contextmanager
def service(folder):
    """A service whose planning processes wait for the file ``go``; its process and client."""
    port = free_port()
    command = [sys.executable, "-m", "tests.service.held_planner", str(folder), str(port)]
    process = subprocess.Popen(command)
    try:
        until(lambda: answers(port))
        yield process, Client(f"http://127.0.0.1:{port}", seconds=SECONDS)
    finally:
        process.kill()
        process.wait()


def begin(client: Client, grade: float) -> str:
    """Begin a comparison; its job."""
    path = f"{COMPARISON}?min_grade={grade}"
    return json.loads(ask(int(client.address.rpartition(":")[2]), path, token=None, **ASYNC))["id"]


def age(files: JobFiles, job: str) -> None:
    """Let a job file look as if its process had shown no sign for long."""
    past = files.path(job).stat().st_mtime - 2 * LOST_SECONDS
    os.utime(files.path(job), (past, past))


def test_a_service_with_a_queue_ends_at_once_and_its_jobs_go_on_after_it(tmp_path):
    held = folder_of(str(tmp_path / "history"))
    held.mkdir()
    files = JobFiles(tmp_path / "history-service" / "answers")
    with ThreadPoolExecutor(1) as people, service(tmp_path) as (process, client):
        client.add_runs(ROWS)
        running = begin(client, 0.98)
        planner = process_of(held, "comparison")
        waiting = begin(client, 0.97)
        waits = people.submit(client.comparison, min_grade=0.96)
        until(lambda: len(list(files.all())) == 3)
        process.send_signal(signal.SIGTERM)
        with pytest.raises(ServiceError, match="is ending") as refused:
            waits.result(SECONDS)
        assert (refused.value.status, refused.value.code) == (503, "service-ending")
        assert process.wait(SECONDS) == -signal.SIGTERM  # the answer was not waited for
        assert not os.path.exists(f"/proc/{planner}")
    left = {job for job, _, on_purpose in files.left() if on_purpose}
    assert left == {running, waiting}  # whoever waited for the third was told

    # The process is killed before it has made them, and the next one finds them later.
    with service(tmp_path) as (process, client):
        process_of(held, "comparison")
        states = {client._json("GET", f"/v1/jobs/{job}")["state"] for job in (running, waiting)}
        assert states == {"running", "waiting"}
    for job in (running, waiting):
        assert files.read(job)["state"] in ("running", "waiting")
        age(files, job)
        assert files.read(job)["state"] == "lost"  # as people see it meanwhile
    (held / "go").touch()
    with service(tmp_path) as (_, client):
        for job in (running, waiting):
            assert client.wait(job)["schema"] == "highside.comparison/1"
    assert not list(files.left())
    assert not list(files.folder.glob("*.order"))


@pytest.fixture
def queue(options, monkeypatch):
    """A service in a thread whose answers wait for the test: its port, queue and event."""
    go_on = threading.Event()
    monkeypatch.setattr(kinds, "make", lambda *_: go_on.wait(SECONDS) and b"{}")
    app = create_app(options, Access({}, b"k" * 32))
    with in_thread(app) as port:
        ask(port, "/v1/runs", ROWS, token=None)
        yield port, app.state.parts.jobs, go_on
        go_on.set()


def test_a_job_whose_sender_has_gone_is_cancelled(queue):
    port, jobs, _ = queue
    asked = b"GET %b HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" % COMPARISON.encode()
    with socket.create_connection(("127.0.0.1", port), SECONDS) as link:
        link.sendall(asked)
        until(lambda: jobs.under_way() == 1)
        with socket.create_connection(("127.0.0.1", port), SECONDS) as other:
            other.sendall(asked)
            until(lambda: sum(jobs._waiters.values()) == 2)
        until(lambda: sum(jobs._waiters.values()) == 1)
        assert jobs.under_way() == 1  # the first still waits for it
    until(lambda: jobs.under_way() == 0)
    ((_, state),) = jobs.files.all()
    assert state["state"] == "cancelled"
    assert "cancelled_by" not in state


def test_a_job_that_was_begun_to_be_fetched_stays_without_a_sender(queue):
    port, jobs, go_on = queue
    job = json.loads(ask(port, COMPARISON, token=None, **ASYNC))["id"]
    with socket.create_connection(("127.0.0.1", port), SECONDS) as link:
        link.sendall(b"GET %b HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n" % COMPARISON.encode())
        until(lambda: sum(jobs._waiters.values()) == 1)
    until(lambda: not jobs._waiters)
    assert jobs.job(job)["state"] in ("waiting", "running")
    go_on.set()
    assert until(lambda: jobs.kept(job)) == b"{}"


@pytest.mark.parametrize(
    ("more", "attempts", "state"),
    [({}, 0, "done"), ({}, 1, "lost"), ({"code": "of another version"}, 0, "lost")],
)
def test_what_goes_on_and_what_is_lost(options, monkeypatch, more, attempts, state):
    monkeypatch.setattr(kinds, "make", lambda *_: b"{}")
    with client_of(options) as client:
        client.post("/v1/runs", json=[row(k, air=30 + k) for k in range(8)])
        jobs = client.app.state.parts.jobs
        order = jobs.order("comparison", {}, more={})
        about = {"order": order.__dict__, "asker": {"name": "mill", "records": True}}
        key = order.key
        jobs.files.begin(key, {"kind": "comparison", "state": "running", "progress": [],
                               "queue": "gone", "attempts": attempts})  # fmt: skip
        jobs.files.keep_order(key, {**about, "code": jobs._code, **more})
        age(jobs.files, key)
        assert [job for job, _, _ in jobs.files.left()] == [key]
        client.portal.call(lambda: jobs._go_on())
        until(lambda: jobs.job(key)["state"] == state)
        assert jobs.job(key).get("asked_by") == ("mill" if state == "done" else None)
        if more:  # beside a service of another version, whose own next process finds it
            monkeypatch.setattr(jobs, "_code", more["code"])
            client.portal.call(lambda: jobs._go_on())
            until(lambda: jobs.job(key)["state"] == "done")


def test_two_processes_share_one_answer(tmp_path, options, monkeypatch):
    made, go_on = [], threading.Event()

    def make(order, *_):
        made.append(order.kind)
        return go_on.wait(SECONDS) and b"{}"

    monkeypatch.setattr(kinds, "make", make)
    monkeypatch.setattr(job_queue, "LOOK_SECONDS", 0.02)
    with client_of(options) as first, client_of(options) as second, ThreadPoolExecutor(2) as people:
        first.post("/v1/runs", json=[row(k, air=30 + k) for k in range(8)])
        one = people.submit(first.get, COMPARISON)
        until(lambda: made)
        other = people.submit(second.get, COMPARISON)
        until(lambda: second.app.state.parts.jobs._running)
        go_on.set()
        assert one.result(SECONDS).content == other.result(SECONDS).content == b"{}"
        assert made == ["comparison"]
