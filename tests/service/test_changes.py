"""Runs corrected, withdrawn and taken back over HTTP."""

from __future__ import annotations

import json
import threading

import pytest

from optimizer import History, Site
from optimizer.history.changes import changes_of
from tests.service.test_service import READ, RECORD, TOKENS, client_of, options, problem, row

__all__ = ["options"]  # a fixture


@pytest.fixture
def client(options):
    with client_of(options, TOKENS, Authorization=f"Bearer {RECORD}") as made:
        made.post("/v1/runs", json=[row(k) for k in range(6)])
        yield made


def runs(options) -> dict[str, float]:
    found = History(options.history).at().runs()
    return dict(zip(found["run_id"].to_pylist(), found["grade"].to_pylist(), strict=True))


def test_a_run_is_corrected_withdrawn_and_taken_back(client, options):
    sent = {"grade": "98.2%", "settings": {"air": 33}, "material": {"moisture": 11}, "reason": "a"}
    done = client.patch("/v1/runs/r1", json=sent)
    assert done.status_code == 200, done.text
    (change,) = done.json()["changes"]
    assert (done.json()["schema"], change["what"], change["by"]) == (
        "highside.changes/1", "corrected", "mill"
    )  # fmt: skip
    assert change["after"] == {"air": 33.0, "grade": 0.982, "moisture": 11.0}
    gone = client.request("DELETE", "/v1/runs/r2", json={"reason": "b"})
    assert gone.json()["changes"][0]["what"] == "withdrawn"
    assert client.delete("/v1/runs/r3", params={"reason": "c"}).status_code == 200
    assert sorted(runs(options)) == ["r0", "r1", "r4", "r5"]
    back = client.patch("/v1/runs/r2", json={"withdrawn": False, "reason": "d"})
    assert back.json()["changes"][0]["what"] == "reinstated"
    assert sorted(runs(options)) == ["r0", "r1", "r2", "r4", "r5"]
    assert runs(options)["r1"] == 0.982
    told = client.get("/v1/changes").json()
    site = Site.read(options.site)
    assert told == json.loads(json.dumps(changes_of(History(options.history).at(), site).as_dict()))
    assert [c["reason"] for c in told["changes"]] == ["a", "b", "c", "d"]
    only = client.get("/v1/changes", params={"run": "r2"})
    assert [c["reason"] for c in only.json()["changes"]] == ["b", "d"]
    tag = {"If-None-Match": only.headers["etag"]}
    assert client.get("/v1/changes", params={"run": "r2"}, headers=tag).status_code == 304
    assert client.get("/v1/history").json()["runs"] == 5


def test_every_change_is_in_the_audit_trail_and_counted(client, options):
    client.patch("/v1/runs/r1", json={"grade": 0.9, "reason": "typo"})
    client.patch("/v1/runs/r1", json={"grade": 0.9, "reason": "again"})  # refused
    client.delete("/v1/runs/r1", params={"reason": "mixed up"})
    lines = (options.folder / "audit.jsonl").read_text("utf-8").splitlines()
    entries = [e for e in map(json.loads, lines) if e["did"] != "record"]
    assert [(e["did"], e["who"], e["run_id"], e["line"], e["reason"]) for e in entries] == [
        ("corrected", "mill", "r1", "deck-1", "typo"),
        ("withdrawn", "mill", "r1", "deck-1", "mixed up"),
    ]
    assert [e["version"] for e in entries][-1] == History(options.history).version
    assert "highside_runs_changed_total 2" in client.get("/metrics").text


@pytest.mark.parametrize(
    ("method", "run_id", "body", "status", "code"),
    [
        ("PATCH", "r77", {"grade": 0.9, "reason": "x"}, 404, "unknown-run"),
        ("DELETE", "r77", {"reason": "x"}, 404, "unknown-run"),
        ("DELETE", "r%00", {"reason": "x"}, 404, "unknown-run"),
        ("PATCH", "r77", {"withdrawn": False, "reason": "x"}, 404, "unknown-run"),
        ("PATCH", "r1", {"grade": 0.987, "reason": "x"}, 409, "nothing-changes"),
        ("PATCH", "r1", {"withdrawn": False, "reason": "x"}, 409, "not-withdrawn"),
        ("PATCH", "r1", {"grade": 98.2, "reason": "x"}, 422, "value"),
        ("PATCH", "r1", {"grad": 0.9, "reason": "x"}, 422, "input"),
        ("PATCH", "r1", {"grade": [0.9], "reason": "x"}, 422, "input"),
        ("PATCH", "r1", {"grade": True, "reason": "x"}, 422, "input"),
        ("PATCH", "r1", {"grade": 0.9}, 422, "no-reason"),
        ("PATCH", "r1", {"grade": 0.9, "reason": "  "}, 422, "no-reason"),
        ("PATCH", "r1", {"grade": 0.9, "reason": 5}, 422, "no-reason"),
        ("PATCH", "r1", {"grade": 0.9, "reason": "x" * 2001}, 422, "no-reason"),
        ("PATCH", "r1", {"reason": "x"}, 422, "no-value"),
        ("PATCH", "r1", {"withdrawn": True, "reason": "x"}, 422, "not-a-change"),
        ("PATCH", "r1", {"withdrawn": False, "grade": 0.9, "reason": "x"}, 422, "not-a-change"),
        ("PATCH", "r1", {"grade": 0.9, "line": 4, "reason": "x"}, 422, "not-a-change"),
        ("PATCH", "r1", {"note": "a\0b", "reason": "x"}, 422, "not-text"),
        ("PATCH", "r1", {"settings": {"air": "\0"}, "reason": "x"}, 422, "not-text"),
        ("PATCH", "r1", [], 422, "not-a-change"),
        ("DELETE", "r1", {}, 422, "no-reason"),
        ("DELETE", "r1", {"grade": 0.9, "reason": "x"}, 422, "not-a-change"),
    ],
)
def test_what_cannot_be_done_is_refused(client, options, method, run_id, body, status, code):
    problem(client.request(method, f"/v1/runs/{run_id}", json=body), status, code)
    assert History(options.history).version == 0


def test_a_body_that_is_not_json_is_refused(client):
    problem(client.patch("/v1/runs/r1", content=b"{grade"), 400, "not-json")


def test_conflicts_say_what_stands_in_the_way(client):
    client.post("/v1/runs", json=[row(1, line="deck-2")])
    both = problem(client.delete("/v1/runs/r1", params={"reason": "x"}), 409, "several-lines")
    assert "'deck-1', 'deck-2'" in both["detail"]
    assert client.delete("/v1/runs/r1", params={"reason": "x", "line": "deck-2"}).status_code == 200
    client.delete("/v1/runs/r2", params={"reason": "x"})
    problem(client.delete("/v1/runs/r2", params={"reason": "x"}), 409, "withdrawn-run")
    client.post("/v1/runs", json=[row(2, grade=0.5)])
    back = {"withdrawn": False, "reason": "x"}
    problem(client.patch("/v1/runs/r2", json=back), 409, "id-taken")


def test_an_id_with_a_slash_is_reached(client, options):
    client.post("/v1/runs", json=[row(9, run_id="2026/05/a b")])
    done = client.patch("/v1/runs/2026/05/a%20b", json={"grade": 0.9, "reason": "x"})
    assert done.json()["changes"][0]["run_id"] == "2026/05/a b"


def test_a_token_that_reads_changes_nothing(options, client):
    with client_of(options, TOKENS, Authorization=f"Bearer {READ}") as reader:
        problem(reader.patch("/v1/runs/r1", json={"grade": 0.9, "reason": "x"}), 403, "read-only")
        problem(reader.delete("/v1/runs/r1", params={"reason": "x"}), 403, "read-only")
        assert reader.get("/v1/changes").status_code == 200
    with client_of(options, TOKENS) as stranger:
        problem(stranger.get("/v1/changes"), 401, "token-needed")
    assert History(options.history).version == 0


def test_changes_and_records_at_once_are_all_kept(client, options):
    def change(k: int) -> None:
        if k % 2:
            answer = client.patch(f"/v1/runs/r{k}", json={"grade": 0.5, "reason": "x"})
        else:
            answer = client.post("/v1/runs", json=[row(10 + k)])
        assert answer.status_code == 200, answer.text

    threads = [threading.Thread(target=change, args=(k,)) for k in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    found = runs(options)
    assert sorted(found) == sorted([*(f"r{k}" for k in range(6)), "r10", "r12", "r14"])
    assert [found[f"r{k}"] for k in (1, 3, 5)] == [0.5] * 3


def test_the_changes_are_described(client):
    found = client.get("/openapi.json").json()
    paths = found["paths"]
    assert {"patch", "delete"} <= set(paths["/v1/runs/{run_id}"])
    answers = paths["/v1/runs/{run_id}"]["patch"]["responses"]
    assert {"200", "404", "409", "422", "400", "403"} <= set(answers)
    assert "Changes" in found["components"]["schemas"]
    assert paths["/v1/changes"]["get"]["responses"]["200"]
