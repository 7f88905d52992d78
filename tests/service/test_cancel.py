"""A job is cancelled while it waits or runs, by those who may, and no other job is harmed."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.client import Client, ServiceError
from optimizer.service.admission.access import Person, digest
from optimizer.service.answers import kinds, planning_process
from optimizer.service.answers.job_files import JobFiles
from tests.service.held_planner import folder_of, serve_held
from tests.service.test_page import fields
from tests.service.test_service import READ, RECORD, TOKENS, client_of, options, problem, row
from tests.serving import SECONDS, ask, free_port

__all__ = ["options"]  # fixture
pytestmark = pytest.mark.usefixtures("forked_planners")

ROWS = [row(k, air=30 + k, grade=0.98 + k / 1000) for k in range(8)]
ASYNC = {"Prefer": "respond-async"}
PLAN, COMPARISON = {"line": "deck-1", "trials": {"count": 1}}, "/v1/comparison"
OTHER = "another-token-that-reads"


@pytest.fixture
def held(options, monkeypatch):
    """The folder of a service whose planning processes wait for the test."""
    monkeypatch.setattr(planning_process, "serve", serve_held)
    found = folder_of(options.history)
    found.mkdir()
    return found


@pytest.fixture
def client(options, held):
    with client_of(replace(options, planners=1)) as made:
        made.post("/v1/runs", json=ROWS)
        yield made
        (held / "go").touch()  # the end of the service waits for the answer that is being made


def until(find):
    """What a function finds, as soon as it finds something."""
    deadline = time.monotonic() + SECONDS
    while not (found := find()):
        assert time.monotonic() < deadline
        time.sleep(0.02)
    return found


def process_of(held: Path, kind: str) -> int:
    """The id of the process that makes an answer of a kind, once it does."""
    (found,) = until(lambda: list(held.glob(f"{kind}.*")))
    found.unlink()
    return int(found.name.rpartition(".")[2])


def is_alive(process: int) -> bool:
    """Whether a process lives; one that has ended and is not yet waited for does not."""
    try:
        return " Z " not in Path(f"/proc/{process}/stat").read_text(encoding="ascii")
    except (FileNotFoundError, ProcessLookupError):  # the second if it ends between open and read
        return False


def begun(client, path=COMPARISON, body=None, **headers) -> str:
    """Begin a job; its id."""
    method = "GET" if body is None else "POST"
    done = client.request(method, path, json=body, headers={**ASYNC, **headers})
    assert done.status_code == 202, done.text
    return done.json()["id"]


def ended(client, job: str) -> str:
    """The state of a job once it has ended; empty before."""
    state = client.get(f"/v1/jobs/{job}").json()["state"]
    return "" if state in ("waiting", "running") else state


def test_a_running_job_is_ended_and_those_who_wait_are_told(client, held):
    with ThreadPoolExecutor(1) as people:
        waits = people.submit(client.get, COMPARISON)
        process = process_of(held, "comparison")
        (job,) = client.app.state.parts.jobs.jobs()
        done = client.delete(f"/v1/jobs/{job['id']}")
        assert (done.status_code, done.json()["state"]) == (200, "cancelled")
        assert done.json()["cancelled_by"] == "local"
        told = problem(waits.result(SECONDS), 409, "cancelled")
        assert "Ask for it again" in told["hint"]
    until(lambda: not is_alive(process))
    assert client.get(f"/v1/jobs/{job['id']}").json()["state"] == "cancelled"
    problem(client.get(f"/v1/results/{job['id']}"), 404, "no-result")
    assert client.delete(f"/v1/jobs/{job['id']}").json() == done.json()  # a second press


def test_a_waiting_job_leaves_the_queue_and_the_running_one_is_unharmed(client, held):
    running = begun(client, "/v1/plans", PLAN)
    process = process_of(held, "plan")
    waiting = begun(client, "/v1/plans", {**PLAN, "trials": {"count": 2}})
    last = begun(client, "/v1/plans", {**PLAN, "trials": {"count": 3}})
    jobs = client.app.state.parts.jobs
    assert jobs.before(last) == 2
    assert client.delete(f"/v1/jobs/{waiting}").json()["state"] == "cancelled"
    assert jobs.before(last) == 1
    (held / "go").touch()
    states = [until(lambda job=job: ended(client, job)) for job in (running, waiting, last)]
    assert states == ["done", "cancelled", "done"]
    assert is_alive(process)
    assert process_of(held, "plan") == process
    assert client.get(f"/v1/jobs/{waiting}").json()["progress"] == []  # it was never begun


def test_the_answer_of_another_planning_process_is_unharmed(options, held):
    with client_of(replace(options, planners=2)) as client:
        client.post("/v1/runs", json=ROWS)
        first, second = begun(client), begun(client, "/v1/plans", PLAN)
        ends, stays = process_of(held, "comparison"), process_of(held, "plan")
        client.delete(f"/v1/jobs/{first}")
        until(lambda: not is_alive(ends))
        (held / "go").touch()
        assert until(lambda: ended(client, second)) == "done"
        assert is_alive(stays)
        assert not list(held.glob("plan.*"))  # it was not begun a second time


def test_a_cancelled_answer_can_be_asked_for_anew(client, held):
    job = begun(client)
    process_of(held, "comparison")
    client.delete(f"/v1/jobs/{job}")
    assert begun(client) == job
    process_of(held, "comparison")
    assert client.get(f"/v1/jobs/{job}").json()["state"] == "running"
    (held / "go").touch()
    assert until(lambda: ended(client, job)) == "done"
    refused = problem(client.delete(f"/v1/jobs/{job}"), 409, "not-under-way")
    assert "it is done" in refused["detail"]


def test_an_unknown_job_cannot_be_cancelled(client):
    problem(client.delete(f"/v1/jobs/{'0' * 32}"), 404, "no-job")
    problem(client.delete("/v1/jobs/x"), 422, "invalid-value")


def test_a_process_that_ends_by_itself_is_replaced_once(client, held):
    job = begun(client)
    os.kill(process_of(held, "comparison"), 9)
    os.kill(process_of(held, "comparison"), 9)
    assert until(lambda: ended(client, job)) == "lost"
    job = begun(client, "/v1/plans", PLAN)
    os.kill(process_of(held, "plan"), 9)
    (held / "go").touch()
    assert until(lambda: ended(client, job)) == "done"


# -- who may --------------------------------------------------------------------------------


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


@pytest.fixture
def people(options, monkeypatch):
    """A service with a recorder and two readers, whose answers wait for the end of the test."""
    go_on = threading.Event()
    monkeypatch.setattr(kinds, "make", lambda *_: go_on.wait(SECONDS) and b"{}")
    tokens = {**TOKENS, digest(OTHER): Person("visitor", "read")}
    with client_of(options, tokens) as made:
        made.post("/v1/runs", json=ROWS, headers=bearer(RECORD))
        yield made
        go_on.set()


@pytest.mark.parametrize(("owner", "by"), [(READ, READ), (READ, RECORD), (RECORD, RECORD)])
def test_the_owner_and_a_recorder_may_cancel(people, options, owner, by):
    job = begun(people, **bearer(owner))
    done = people.delete(f"/v1/jobs/{job}", headers=bearer(by))
    assert done.json()["state"] == "cancelled"
    name = people.app.state.parts.access.by_token(by).name
    assert done.json()["cancelled_by"] == name
    said = json.loads((options.folder / "audit.jsonl").read_text().splitlines()[-1])
    assert (said["did"], said["who"], said["job"]) == ("cancel", name, job)


@pytest.mark.parametrize(("owner", "by"), [(READ, OTHER), (RECORD, READ)])
def test_a_stranger_who_reads_may_not_cancel(people, options, owner, by):
    job = begun(people, **bearer(owner))
    trail = (options.folder / "audit.jsonl").read_text()
    refused = people.delete(f"/v1/jobs/{job}", headers=bearer(by))
    assert "asked for by another" in problem(refused, 403, "not-yours")["detail"]
    assert people.get(f"/v1/jobs/{job}", headers=bearer(by)).json()["state"] != "cancelled"
    said = (options.folder / "audit.jsonl").read_text().removeprefix(trail)
    assert [json.loads(line)["did"] for line in said.splitlines()] == ["refused"]


# -- on the pages ---------------------------------------------------------------------------


def cancel_form(page: str) -> dict[str, str]:
    """The fields of the one form of a page that cancels a job."""
    (form,) = re.findall('<form method="post" action="/jobs/cancel">(.*?)</form>', page, re.S)
    return fields(form)


def test_the_button_of_the_waiting_page_cancels(client, held, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", 0.0)
    client.headers["Accept"] = "text/html"
    form = cancel_form(client.get("/lines?min_grade=98").text)
    process = process_of(held, "comparison")
    page = client.post("/jobs/cancel", data=form)
    assert page.status_code == 200
    assert "It was cancelled by local." in page.text
    assert "refresh" not in page.text  # the page must not ask for the answer anew
    assert '<a class="act" href="/lines?min_grade=98">Ask for it again</a>' in page.text
    until(lambda: not is_alive(process))
    listed = client.get("/jobs").text
    assert "cancelled" in listed
    assert "/jobs/cancel" not in listed
    sent = {**form, "form_token": "x"}
    problem(client.post("/jobs/cancel", data=sent, headers={"Accept": "*/*"}), 403, "other-form")


def test_a_reader_sees_the_button_of_own_jobs_only(people, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", 0.0)
    people.headers["Accept"] = "text/html"
    for owner, stranger in ((READ, OTHER), (RECORD, READ)):
        address = f"/lines?min_grade={97 if owner == READ else 98}"
        assert "/jobs/cancel" in people.get(address, headers=bearer(owner)).text
        assert "/jobs/cancel" not in people.get(address, headers=bearer(stranger)).text
    assert people.get("/jobs", headers=bearer(READ)).text.count("/jobs/cancel") == 1
    assert people.get("/jobs", headers=bearer(RECORD)).text.count("/jobs/cancel") == 2


# -- several processes ----------------------------------------------------------------------


def answers(port: int) -> bool:
    """Whether a service answers at a port."""
    try:
        return bool(ask(port, "/health", token=None))
    except OSError:
        return False


@pytest.fixture
def two_services(tmp_path):
    """Clients of two processes that serve one history."""
    folder_of(str(tmp_path / "history")).mkdir()
    ports = [free_port(), free_port()]
    command = [sys.executable, "-m", "tests.service.held_planner", str(tmp_path)]
    services = [subprocess.Popen([*command, str(port)]) for port in ports]
    try:
        for port in ports:
            until(lambda port=port: answers(port))
        yield [Client(f"http://127.0.0.1:{port}", seconds=SECONDS) for port in ports]
    finally:
        for service in services:
            service.kill()
            service.wait()


def test_a_job_is_cancelled_through_another_process_of_the_service(tmp_path, two_services):
    first, second = two_services
    held = folder_of(str(tmp_path / "history"))
    first.add_runs(ROWS)
    with ThreadPoolExecutor(2) as people:
        waits = people.submit(first.comparison)
        process = process_of(held, "comparison")
        ((job, _),) = JobFiles(tmp_path / "history-service" / "answers").all()
        unharmed = people.submit(second.plan, PLAN)
        planner = process_of(held, "plan")
        assert second.cancel(job)["state"] == "cancelled"
        with pytest.raises(ServiceError, match="was cancelled before") as refused:
            waits.result(SECONDS)
        assert (refused.value.status, refused.value.code) == (409, "cancelled")
        until(lambda: not is_alive(process))
        with pytest.raises(ServiceError, match="the job was cancelled"):
            first.wait(job)
        (held / "go").touch()
        assert unharmed.result(SECONDS)["runs_used"] == len(ROWS)
    assert is_alive(planner)
