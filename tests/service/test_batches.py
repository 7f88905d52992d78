"""Issued batches over HTTP: issue, read, sheet, results, changes of trials, refusals."""

from __future__ import annotations

import csv
import io
import json
from concurrent.futures import ThreadPoolExecutor
from urllib.parse import quote

import jsonschema
import pytest

from optimizer import History, Site, batch, batches
from optimizer.plant.run_columns import OF_MIDDLINGS
from tests.service.test_service import (
    POINTS,
    READ,
    RECORD,
    TOKENS,
    bearer,
    client_of,
    options,
    points,
    problem,
)

__all__ = ["options"]  # a fixture

ROW = {"line": "a", "feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 2.2, "eccentric_speed": 450}
# A small space of settings keeps the plans fast.
LIMITS = {
    "air": {"low": 30.0, "high": 60.0},
    **{name: {"fixed": ROW[name]} for name in ("end_raise", "side_tilt", "eccentric_speed")},
}
BRIEF = {"line": "a", "goal": {"min_grade": 0.97}, "limits": LIMITS, "trials": {"count": 2}}
RESULT = {"grade": 0.981, "recovery": 0.91}


def runs(line="a", count=4):
    return [
        {**ROW, "line": line, "air": 34 + 4 * k, "grade": 0.98 - k / 1000,
         "recovery": 0.88 + k / 50, "started_at": f"2026-03-02T0{k}:00:00Z"}
        for k in range(count)
    ]  # fmt: skip


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    """Models with one draw and few candidates keep planning fast."""
    monkeypatch.setattr("optimizer.model.surrogate.MEMBERS", ())
    monkeypatch.setattr("optimizer.planning.limits.POOL", 64)


@pytest.fixture
def client(options):
    with client_of(options) as made:
        made.post("/v1/runs", json=runs())
        yield made


def issued(client, line="a"):
    done = client.post("/v1/batches", json={**BRIEF, "line": line})
    assert done.status_code == 201, done.text
    return done.json()


def trials(document):
    return {each["order"]: each for each in document["trials"]}


def library(options):
    return History(options.history), Site.read(options.site)


def test_an_issued_plan_is_a_batch_at_its_location(client, options):
    plan = client.post("/v1/plans", json=BRIEF).json()
    done = client.post("/v1/batches", json=BRIEF)
    assert (done.status_code, done.headers["location"]) == (201, "/v1/batches/a-1")
    found = done.json()
    assert (found["schema"], found["batch"], found["issued_by"]) == (
        "highside.batch/1", "a-1", "local"
    )  # fmt: skip
    assert found["plan"] == plan
    assert found["brief"] == plan["brief"]
    assert [each["trial"] for each in found["trials"]] == ["a-1.1", "a-1.2"]
    read = client.get(done.headers["location"])
    assert read.content == done.content
    assert read.json() == batch(*library(options)[:1], "a-1", library(options)[1]).as_dict()


def test_a_second_batch_counts_up_and_waits_for_the_first(client):
    issued(client)
    second = issued(client)
    assert second["batch"] == "a-2"
    assert [each["trial"] for each in second["plan"]["pending"]] == ["a-1.1", "a-1.2"]


def test_runs_added_while_a_plan_is_made_are_planned_with(client, options, monkeypatch):
    from optimizer.service.answers.job_queue import JobQueue

    answer, late = JobQueue.answer, iter([runs(count=5)[4:]])

    async def overtaken(self, order, who=None):
        content = await answer(self, order, who)
        for rows in late:
            from optimizer.intake.settling.load import load_table

            load_table(rows, *library(options))
        return content

    monkeypatch.setattr(JobQueue, "answer", overtaken)
    assert issued(client)["plan"]["runs_used"] == 5


def test_all_batches_and_those_of_one_line(client, options):
    client.post("/v1/runs", json=runs("b"))
    for line in ("a", "b"):
        issued(client, line)
    found = client.get("/v1/batches").json()
    assert found == batches(*library(options)).as_dict()
    assert [each["batch"] for each in found["batches"]] == ["a-1", "b-1"]
    one = client.get("/v1/batches?line=b").json()
    assert [each["batch"] for each in one["batches"]] == ["b-1"]
    assert client.get("/v1/batches?line=none").json()["batches"] == []
    assert client.get("/v1/batches?latest=1").json() == {**found, "batches": found["batches"][1:]}
    assert client.get("/v1/batches?latest=1&line=a").json()["batches"] == found["batches"][:1]
    assert client.get("/v1/batches?latest=1&line=none").json()["batches"] == []
    assert client.get("/v1/batches?latest=0").status_code == 422


def test_a_long_list_is_sent_whole_to_readers_that_take_it_at_the_same_time(client, monkeypatch):
    monkeypatch.setattr("optimizer.service.answers.issued_batches.PIECE", 7)
    issued(client)
    whole = client.get("/v1/batches")
    assert int(whole.headers["content-length"]) == len(whole.content)
    with ThreadPoolExecutor(3) as pool:
        for found in pool.map(lambda _: client.get("/v1/batches"), range(3)):
            assert found.content == whole.content


@pytest.mark.parametrize("path", ["/v1/batches", "/v1/batches/a-1", "/v1/batches/a-1/sheet"])
def test_a_reader_keeps_an_answer_until_something_happens(client, path):
    issued(client)
    first = client.get(path)
    tag = {"If-None-Match": first.headers["etag"]}
    assert client.get(path, headers=tag).status_code == 304
    client.patch("/v1/batches/a-1/trials/1", json={"state": "running"})
    changed = client.get(path, headers=tag)
    assert changed.status_code == (304 if path.endswith("sheet") else 200)


def test_reading_makes_no_plan(client, monkeypatch):
    from optimizer.service.answers.job_queue import JobQueue

    issued(client)
    monkeypatch.setattr(JobQueue, "_task", lambda *_, **__: 1 / 0)
    monkeypatch.setattr("optimizer.planning.planner.plan_of", lambda *_, **__: 1 / 0)
    for path in ("/v1/batches", "/v1/batches/a-1", "/v1/batches/a-1/sheet"):
        assert client.get(path).status_code == 200
    done = client.post("/v1/batches/a-1/trials/1/result", json=RESULT)
    assert done.status_code == 200


def test_a_result_is_the_run_of_the_trial_as_it_was_run(client, options):
    planned = trials(issued(client))[2]["planned"]
    sent = {
        "grade": "98.1%", "grade_se": 0.004, "recovery": 0.91, "grade_count": 400,
        "settings": {"air": 33}, "material": {"moisture": 11.2, "material": "washed"},
        "started_at": "2026-05-04T06:30:00+02:00", "note": "even feed",
    }  # fmt: skip
    done = client.post("/v1/batches/a-1/trials/2/result", json=sent)
    assert done.status_code == 200, done.text
    trial = trials(done.json())[2]
    assert (trial["state"], trial["run_id"]) == ("done", "a-1.2")
    assert trial["run"] == {**planned, "air": 33.0}
    assert trial["measured"] == {
        "grade": 0.981, "grade_se": 0.004, "recovery": 0.91, "recovery_se": None
    }  # fmt: skip
    assert trial["surprise"]["grade"] is not None
    assert client.get("/v1/batches/a-1").json() == done.json()
    (run,) = (r for r in library(options)[0].at().runs().to_pylist() if r["run_id"] == "a-1.2")
    assert (run["moisture"], run["material"], run["note"]) == (11.2, "washed", "even feed")
    assert run["started_at"].isoformat() == "2026-05-04T04:30:00+00:00"


def test_middlings_belong_to_a_result_and_are_corrected(client, options):
    issued(client)
    sent = {"grade": 0.98, "recovery": 0.86, "middlings_share": "8.4%", "middlings_grade_se": 0.02}
    done = client.post("/v1/batches/a-1/trials/1/result", json={**sent, "middlings_grade": 0.86})
    assert done.status_code == 200, done.text
    changed = {"middlings_share": "9.1 %", "reason": "weighed again"}
    assert client.patch("/v1/runs/a-1.1", json=changed).status_code == 200
    (run,) = (r for r in library(options)[0].at().runs().to_pylist() if r["run_id"] == "a-1.1")
    stored = [run[name] for name in OF_MIDDLINGS]
    assert stored == [pytest.approx(0.091), None, 0.86, 0.02]
    refused = client.post("/v1/batches/a-1/trials/2/result", json={**sent, "middlings_share": 8.4})
    assert refused.status_code == 422
    assert "could be per cent" in refused.text


def test_only_what_was_sent_is_stored(client, options):
    issued(client)
    client.post("/v1/batches/a-1/trials/1/result", json={"grade": 0.98, "recovery": 0.9})
    (run,) = (r for r in library(options)[0].at().runs().to_pylist() if r["run_id"] == "a-1.1")
    assert (run["moisture"], run["material"], run["grade_count"]) == (None, None, None)


def test_a_failed_deck_needs_no_readings(client):
    issued(client)
    done = client.post("/v1/batches/a-1/trials/1/result", json={"deck_state": "boiling"}).json()
    assert (trials(done)[1]["state"], trials(done)[1]["surprise"]) == ("failed", None)


def test_a_second_result_is_refused_with_what_is_there(client, options):
    issued(client)
    client.post("/v1/batches/a-1/trials/1/result", json=RESULT)
    refused = client.post("/v1/batches/a-1/trials/1/result", json={"grade": 0.9, "recovery": 0.5})
    told = problem(refused, 409, "trial-has-result")
    assert "grade 98.1 %" in told["detail"]
    assert told["there"]["measured"]["recovery"] == 0.91
    assert "PATCH /v1/runs/a-1.1" in told["hint"]
    assert library(options)[0].at().runs().num_rows == 5


def test_a_result_that_is_hard_to_believe_is_stored_on_a_second_word(client):
    issued(client)
    address = "/v1/batches/a-1/trials/1/result"
    doubtful = {**RESULT, "material": {"feed_grade": 0.99}}
    asked = problem(client.post(address, json=doubtful), 422, "question")
    assert [question["field"] for question in asked["questions"]] == ["grade"]
    assert '"sure": true' in asked["hint"]
    assert trials(client.get("/v1/batches/a-1").json())[1]["state"] == "to run"
    done = client.post(address, json={**doubtful, "sure": True})
    assert trials(done.json())[1]["measured"]["grade"] == RESULT["grade"]


@pytest.mark.parametrize(
    ("sent", "field", "said"),
    [
        ({"grade": 98.1, "recovery": 0.9}, "grade", "per cent"),
        ({"grade": 0.98, "recovery": 0.9, "settings": {"air": 900}}, "air", "900"),
        ({"grade": 0.98, "recovery": 0.9, "started_at": "yesterday"}, "started_at", "yesterday"),
        ({"recovery": 0.9}, "grade", ""),
    ],
)
def test_a_rejected_result_names_its_field_and_stores_nothing(client, options, sent, field, said):
    issued(client)
    told = problem(
        client.post("/v1/batches/a-1/trials/1/result", json=sent), 422, "result-rejected"
    )
    assert told["rejects"][0]["field"] == field
    assert said in told["detail"]
    history = library(options)[0]
    assert history.at().runs().num_rows == 4
    assert not history.rejects_folder.exists() or not list(history.rejects_folder.glob("*.parquet"))
    assert trials(client.get("/v1/batches/a-1").json())[1]["state"] == "to run"


@pytest.mark.parametrize(
    ("method", "path", "sent", "status", "code", "hint"),
    [
        ("POST", "/v1/batches", {**BRIEF, "goals": {}}, 422, "unknown-key", "goal"),
        ("POST", "/v1/batches/a-1/trials/1/result", {"grad": 0.9}, 422, "unknown-key", "grade"),
        ("POST", "/v1/batches/a-1/trials/1/result", {**RESULT, "settings": {"ait": 33}}, 422,
         "unknown-name", "air"),
        ("POST", "/v1/batches/a-1/trials/1/result", {**RESULT, "material": "washed"}, 422,
         "not-values", ""),
        ("POST", "/v1/batches/a-1/trials/1/result", {**RESULT, "grade": True}, 422,
         "not-values", ""),
        ("POST", "/v1/batches/a-1/trials/1/result", {}, 422, "nothing-measured", '"grade"'),
        ("POST", "/v1/batches/a-1/trials/1/result", [], 422, "not-an-object", ""),
        ("POST", "/v1/batches/a-1/trials/9/result", RESULT, 404, "unknown-trial", "a-1."),
        ("POST", "/v1/batches/b-1/trials/1/result", RESULT, 404, "unknown-trial", "a-1.1"),
        ("PATCH", "/v1/batches/a-1/trials/1", {"stat": "running"}, 422, "unknown-key", "state"),
        ("PATCH", "/v1/batches/a-1/trials/1", {"state": "done"}, 422, "no-state", ""),
        ("PATCH", "/v1/batches/a-1/trials/1", {"state": ["running"]}, 422, "no-state", ""),
        ("PATCH", "/v1/batches/a-1/trials/1", {"state": "skipped"}, 422, "no-reason",
         'Send a "reason"'),
        ("PATCH", "/v1/batches/a-1/trials/1", {"state": "to run"}, 409, "trial-state", ""),
        ("PATCH", "/v1/batches/a-1/trials/9", {"state": "running"}, 404, "unknown-trial", "a-1."),
        ("PATCH", "/v1/batches/a-1", {"closed": False}, 422, "not-closed", ""),
        ("PATCH", "/v1/batches/a-1", {"close": True}, 422, "unknown-key", "closed"),
        ("PATCH", "/v1/batches/a-9", {"closed": True}, 404, "unknown-batch", "a-1"),
        ("GET", "/v1/batches/a-9", None, 404, "unknown-batch", "a-1"),
        ("GET", "/v1/batches/a-9/sheet", None, 404, "unknown-batch", "a-1"),
        ("GET", "/v1/batches/a-1/sheet?format=doc", None, 422, "invalid-value", ""),
        ("GET", "/v1/batches/a-1/sheet?paper=a3", None, 422, "invalid-value", "a4|letter"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(client, method, path, sent, status, code, hint):
    issued(client)
    before = client.get("/v1/batches").content
    told = problem(client.request(method, path, json=sent), status, code)
    assert hint in f"{told.get('hint', '')}{told['detail']}"
    assert "--" not in told.get("hint", "")  # a program has no command's options
    assert client.get("/v1/batches").content == before


def test_a_trial_is_started_skipped_and_reopened(client, options):
    issued(client)

    def put(k, **sent):
        done = client.patch(f"/v1/batches/a-1/trials/{k}", json=sent)
        assert done.status_code == 200, done.text
        return trials(done.json())[k]["state"]

    assert put(1, state="running") == "running"
    assert put(1, state="skipped", reason="the lot ran out") == "skipped"
    assert put(1, state="to run") == "to run"
    assert put(2, state="skipped", reason="as the first") == "skipped"
    history, site = library(options)
    trial = batch(history, "a-1", site).issued.trials[1]
    assert trial.reason == "as the first"


def test_a_closed_batch_takes_no_result(client):
    issued(client)
    done = client.patch("/v1/batches/a-1", json={"closed": True})
    assert done.json()["closed_at"] is not None
    for method, path, sent in [
        ("POST", "/v1/batches/a-1/trials/1/result", RESULT),
        ("PATCH", "/v1/batches/a-1/trials/1", {"state": "running"}),
        ("PATCH", "/v1/batches/a-1", {"closed": True}),
    ]:
        told = problem(client.request(method, path, json=sent), 409, "batch-closed")
        assert told["there"]["closed_at"] == done.json()["closed_at"]


def test_a_sheet_has_the_numbers_of_the_trials(client):
    document = issued(client)
    client.post("/v1/runs", json=runs(count=6)[4:])  # the sheet stays that of the issued plan
    text = client.get("/v1/batches/a-1/sheet?format=csv")
    assert text.headers["content-type"].startswith("text/csv")
    rows = list(csv.DictReader(io.StringIO(text.text.lstrip("\ufeff"))))
    assert [line["run_id"] for line in rows] == ["a-1.1", "a-1.2"]
    assert [float(line["air [turn]"]) for line in rows] == [
        each["planned"]["air"] for each in document["trials"]
    ]
    page = client.get("/v1/batches/a-1/sheet?format=html")
    assert "a-1.1" in page.text
    assert "default-src 'none'" in page.headers["content-security-policy"]
    pdf = client.get("/v1/batches/a-1/sheet")
    assert pdf.content.startswith(b"%PDF")
    assert pdf.headers["content-type"] == "application/pdf"
    assert points(pdf.content) == POINTS["a4"]
    letter = client.get("/v1/batches/a-1/sheet?paper=letter")
    assert points(letter.content) == POINTS["letter"]
    assert letter.headers["etag"] != pdf.headers["etag"]
    assert "size: letter" in client.get("/v1/batches/a-1/sheet?format=html&paper=letter").text


NAMES = [
    "deck 1",
    "deck/1",
    "deck-1/trials/2",
    "a/sheet",
    "100 %?#&",
    "ü-мельница",
    "a.1",
    "deck-1.5",
]


@pytest.mark.parametrize("line", NAMES)
def test_a_line_may_be_called_anything(client, line):
    client.post("/v1/runs", json=runs(line))
    done = client.post("/v1/batches", json={**BRIEF, "line": line})
    assert done.status_code == 201, done.text
    address = done.headers["location"]
    assert address == f"/v1/batches/{quote(f'{line}-1', safe='')}"
    assert client.get(address).json()["line"] == line
    assert client.get(f"{address}/sheet?format=csv").status_code == 200
    assert client.patch(f"{address}/trials/2", json={"state": "running"}).status_code == 200
    told = client.post(f"{address}/trials/1/result", json=RESULT).json()
    assert trials(told)[1]["run_id"] == f"{line}-1.1"
    problem(client.post(f"{address}/trials/1/result", json=RESULT), 409, "trial-has-result")
    assert client.patch(address, json={"closed": True}).json()["closed_at"]
    problem(client.post(f"{address}/trials/2/result", json=RESULT), 409, "batch-closed")


def test_writing_needs_a_recorder_and_is_audited(options):
    with client_of(options, TOKENS) as client:
        client.headers.update(bearer(RECORD))
        client.post("/v1/runs", json=runs())
        assert issued(client)["issued_by"] == "mill"
        client.patch("/v1/batches/a-1/trials/2", json={"state": "skipped", "reason": "no feed"})
        client.patch("/v1/batches/a-1", json={"closed": True})
        client.post("/v1/batches", json=BRIEF)
        client.post("/v1/batches/a-2/trials/1/result", json=RESULT)
        client.headers.update(bearer(READ))
        for method, path in [
            ("POST", "/v1/batches"), ("POST", "/v1/batches/a-1/trials/1/result"),
            ("PATCH", "/v1/batches/a-1/trials/1"), ("PATCH", "/v1/batches/a-1"),
        ]:  # fmt: skip
            problem(client.request(method, path, json={}), 403, "read-only")
        assert client.get("/v1/batches/a-1").status_code == 200
    lines = (options.folder / "audit.jsonl").read_text(encoding="utf-8").splitlines()
    trail = [json.loads(line) for line in lines]
    said = [{key: each.get(key) for key in ("did", "who", "batch", "trial", "state", "reason")}
            for each in trail]  # fmt: skip
    nothing = dict.fromkeys(("batch", "trial", "state", "reason"))
    assert said[1:] == [
        {**nothing, "did": "issue", "who": "mill", "batch": "a-1"},
        {**nothing, "did": "trial", "who": "mill", "trial": "a-1.2", "state": "skipped",
         "reason": "no feed"},
        {**nothing, "did": "close", "who": "mill", "batch": "a-1"},
        {**nothing, "did": "issue", "who": "mill", "batch": "a-2"},
        {**nothing, "did": "result", "who": "mill", "trial": "a-2.1"},
        *[{**nothing, "did": "refused", "who": "office"}] * 4,
    ]  # fmt: skip
    assert [each["version"] for each in trail[:6]] == [0, 1, 2, 3, 4, 5]
    events = History(options.history).at().events
    assert {(event.what, event.by) for event in events if event.what != "described"} == {
        ("issued", "mill"), ("skipped", "mill"), ("closed", "mill")
    }  # fmt: skip


def test_of_sixteen_results_of_a_trial_one_is_stored(client, options):
    issued(client)

    def send(k):
        found = []
        for trial in (1, 2):
            sent = {"grade": 0.97 + k / 1000, "recovery": 0.9}
            answer = client.post(f"/v1/batches/a-1/trials/{trial}/result", json=sent)
            found.append((trial, answer.status_code, 0.97 + k / 1000))
        return found

    with ThreadPoolExecutor(16) as pool:
        told = [each for found in pool.map(send, range(16)) for each in found]
    stored = {r["run_id"]: r["grade"] for r in library(options)[0].at().runs().to_pylist()}
    assert len(stored) == 6
    for trial in (1, 2):
        statuses = [status for k, status, _ in told if k == trial]
        assert sorted(statuses) == [200] + [409] * 15
        (grade,) = (grade for k, status, grade in told if (k, status) == (trial, 200))
        assert stored[f"a-1.{trial}"] == pytest.approx(grade)


def test_the_description_names_every_address_of_batches(client):
    found = client.get("/openapi.json").json()
    assert {
        (path, method)
        for path, methods in found["paths"].items()
        for method in methods
        if "batches" in path
    } == {
        ("/v1/batches", "post"), ("/v1/batches", "get"), ("/v1/batches/{batch}", "get"),
        ("/v1/batches/{batch}", "patch"), ("/v1/batches/{batch}/sheet", "get"),
        ("/v1/batches/{batch}/trials/{k}", "patch"),
        ("/v1/batches/{batch}/trials/{k}/result", "post"),
    }  # fmt: skip
    assert "409" in found["paths"]["/v1/batches/{batch}/trials/{k}/result"]["post"]["responses"]


def test_answers_are_as_described(client):
    issued(client)
    done = client.post("/v1/batches/a-1/trials/1/result", json=RESULT).json()
    found = client.get("/openapi.json").json()
    for name, document in [("Batch", done), ("Batches", client.get("/v1/batches").json())]:
        jsonschema.validate(document, {"$ref": f"#/components/schemas/{name}", **found})


def test_the_result_of_what_is_no_trial_is_refused_as_described(client):
    for number in ("-1", "x"):
        done = client.post(f"/v1/batches/a-1/trials/{number}/result", json=RESULT)
        assert done.status_code == 405
        assert done.json()["code"] == "method-not-allowed"
    paths = client.get("/openapi.json").json()["paths"]
    assert "405" in paths["/v1/batches/{batch}/trials/{k}/result"]["post"]["responses"]
