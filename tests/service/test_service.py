"""The service: answers over HTTP equal those of the commands; refusals."""

from __future__ import annotations

import hashlib
import io
import json
import logging
from types import SimpleNamespace

import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pypdfium2
import pytest
from starlette.testclient import TestClient

from optimizer import Brief, History, Site, load_logs, suggest
from optimizer.comparison import ComparisonRequest, compare
from optimizer.errors import InputError
from optimizer.history.snapshot import Snapshot
from optimizer.intake.settling.load import load_table
from optimizer.service.admission.access import Access, Person, digest
from optimizer.service.admission.guard import HEADERS, Rate
from optimizer.service.answers.versions import Versions
from optimizer.service.api.endpoints import IN_MEMORY
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.exchange.log_lines import JsonLines
from optimizer.service.http.app import create_app
from optimizer.service.recording.recorder import Recorder

pytestmark = pytest.mark.usefixtures("small_plans")

PROBLEM = "application/problem+json"
RECORD, READ = "a-token-that-records-1", "a-token-that-reads-12"
TOKENS = {digest(RECORD): Person("mill", "record"), digest(READ): Person("office", "read")}
SITE = "[material.moisture]\nunit = '%'\nlow = 0.0\nhigh = 20.0\n"


# Width and height of a page in points of 1/72 inch: ISO 216 (210 by 297 mm) and ANSI/ASME Y14.1
# (8.5 by 11 inches), both from memory.
POINTS = {"a4": (595, 842), "letter": (612, 792)}


def points(pdf: bytes) -> tuple[int, int]:
    """Width and height of the first page of a PDF, in whole points."""
    with pypdfium2.PdfDocument(pdf) as document:
        width, height = document[0].get_size()
    return round(width), round(height)


def row(k: int, **more) -> dict:
    base = {
        "run_id": f"r{k}", "line": "deck-1", "started_at": f"2026-03-02T06:{k % 60:02d}:00Z",
        "feed_rate": 2.0, "end_raise": 2.4, "side_tilt": 2.0, "eccentric_speed": 450, "air": 37,
        "grade": 0.987, "recovery": 0.931,
    }  # fmt: skip
    return {**base, **more}


@pytest.fixture
def options(tmp_path) -> Configuration:
    site = tmp_path / "site.toml"
    site.write_text(SITE, encoding="utf-8")
    return Configuration(str(tmp_path / "history"), str(site), rate=0, planners=0)


def client_of(options: Configuration, tokens=None, **headers) -> TestClient:
    app = create_app(options, Access(tokens or {}, b"k" * 32))
    return TestClient(app, headers=headers, raise_server_exceptions=False)


@pytest.fixture
def client(options):
    with client_of(options) as made:
        yield made


def problem(response, status: int, code: str) -> dict:
    assert response.status_code == status, response.text
    assert response.headers["content-type"] == PROBLEM
    found = response.json()
    # RFC 9457, section 3.1: the members, and that status repeats the status.
    assert found["status"] == status
    assert {"type", "title", "detail"} <= set(found)
    assert found["code"] == code, found
    return found


# -- endpoints ----------------------------------------------------------------------------


def test_runs_are_added_once_and_the_answer_equals_that_of_load(client, options):
    first = client.post("/v1/runs", json=[row(1), row(2)]).json()
    assert (first["schema"], first["read"], first["added"]) == ("highside.load/1", 2, 2)
    again = client.post("/v1/runs", json=[row(1), row(2)]).json()
    assert (again["added"], again["already_known"]) == (0, 2)
    assert History(options.history).at().runs().num_rows == 2


def test_a_log_file_can_be_the_body(client, options):
    table = pa.Table.from_pylist([row(k) for k in range(3)])
    text, parquet = io.BytesIO(), io.BytesIO()
    pa_csv.write_csv(table, text)
    pq.write_table(table, parquet)
    sent = client.post("/v1/runs", content=text.getvalue(), headers={"Content-Type": "text/csv"})
    assert sent.json()["added"] == 3
    kind = "application/vnd.apache.parquet"
    again = client.post("/v1/runs", content=parquet.getvalue(), headers={"Content-Type": kind})
    assert again.json()["already_known"] == 3
    assert again.json()["files"][0]["file"] == "upload.parquet"


@pytest.mark.parametrize(("rows", "on_disk"), [(10, False), (40_000, True)])
def test_a_large_file_is_buffered_on_disk(client, options, monkeypatch, rows, on_disk):
    heading = ",".join(row(1))
    line = ",".join(str(value) for value in row(1).values())
    content = "\n".join([heading, *[line] * rows]).encode()
    assert (len(content) > IN_MEMORY) == on_disk
    waited = []
    add = Recorder.add

    async def watched(self, upload, sender):
        waited.append(upload.body._rolled)
        return await add(self, upload, sender)

    monkeypatch.setattr(Recorder, "add", watched)
    pieces = (content[k : k + 50_000] for k in range(0, len(content), 50_000))
    done = client.post("/v1/runs", content=pieces, headers={"Content-Type": "text/csv"}).json()
    assert (done["read"], done["added"], done["already_known"]) == (rows, 1, rows - 1)
    assert waited == [on_disk]
    said = json.loads((options.folder / "audit.jsonl").read_text(encoding="utf-8"))
    assert said["sha256"] == hashlib.sha256(content).hexdigest()


def test_rejected_rows_are_named_and_the_others_added(client):
    done = client.post("/v1/runs", json=[row(1), row(2, grade=97)])
    assert done.status_code == 200
    assert (done.json()["added"], done.json()["rejected"]) == (1, 1)
    assert "per cent" in done.json()["rejects"][0]["reason"]


def test_a_body_without_usable_rows_is_a_problem_with_the_load_report(client):
    found = problem(client.post("/v1/runs", json=[row(1, grade=97)]), 422, "nothing-usable")
    assert (found["schema"], found["rejected"]) == ("highside.load/1", 1)


def test_a_row_may_omit_fields(client):
    failed = {k: v for k, v in row(1, deck_state="boiling").items() if k not in HAS_READINGS}
    assert client.post("/v1/runs", json=[failed]).json()["added"] == 1


HAS_READINGS = ("grade", "recovery")


def test_a_dry_run_writes_nothing(client, options):
    assert client.post("/v1/runs?dry_run=true", json=[row(1)]).json()["added"] == 1
    assert not History(options.history).exists
    assert not (options.folder / "audit.jsonl").exists()


@pytest.mark.usefixtures("anew")
def test_a_plan_equals_the_command_s_byte_for_byte(client, options):
    client.post("/v1/runs", json=[row(k, air=30 + k, grade=0.98 + k / 1000) for k in range(8)])
    brief = {"line": "deck-1", "goal": {"min_grade": 0.985}, "trials": {"count": 1}}
    made = client.post("/v1/plans?seed=3", json=brief)
    history, site = History(options.history), Site.read(options.site)
    plan = suggest(history.at(), site, Brief.from_dict(brief), seed=3).as_dict()
    assert made.content == (json.dumps(plan, indent=1) + "\n").encode()
    kept = client.get(made.headers["content-location"])
    assert kept.content == made.content
    tag = {"If-None-Match": made.headers["etag"]}
    assert client.get(made.headers["content-location"], headers=tag).status_code == 304


def test_a_plan_is_made_anew_after_a_recording(client, options):
    first = client.post("/v1/plans", json={})
    assert first.json()["history_version"] is None
    # Another process records without the service.
    load_logs(_log(options, [row(1)]), History(options.history), Site.read(options.site))
    second = client.post("/v1/plans", json={})
    assert second.json()["history_version"] == 0
    assert second.headers["etag"] != first.headers["etag"]
    assert client.get("/v1/history").json()["runs"] == 1


def _log(options, rows):
    path = options.folder.with_name("log.csv")
    pa_csv.write_csv(pa.Table.from_pylist(rows), path)
    return path


def test_a_new_history_in_the_same_folder_is_a_different_history(options, tmp_path):
    history = History(options.history)
    versions = Versions(history)
    load_logs(_log(options, [row(1)]), history)
    first = versions.latest()
    (tmp_path / "history").rename(tmp_path / "aside")
    load_logs(_log(options, [row(2)]), History(options.history))
    assert versions.latest()[1] == first[1] == 0
    assert versions.latest()[0] != first[0]


def test_long_work_is_a_job(client):
    begun = client.post("/v1/plans", json={}, headers={"Prefer": "respond-async"})
    assert begun.status_code == 202
    assert begun.headers["preference-applied"] == "respond-async"
    made = client.post("/v1/plans", json={})  # waits for the job that is already running
    job = client.get(begun.headers["location"]).json()
    assert (job["state"], job["kind"]) == ("done", "plan")
    assert client.get(job["result"]).content == made.content


def test_a_failed_job_gives_the_reason(client):
    brief = {"limits": {"air": {"low": 1000.0}}}
    problem(client.post("/v1/plans", json=brief), 422, "no-level")
    begun = client.post("/v1/plans", json=brief, headers={"Prefer": "respond-async"})
    while (job := client.get(begun.headers["location"]).json())["state"] in ("waiting", "running"):
        pass
    assert (job["state"], job["problem"]["status"]) == ("failed", 422)


def test_history_has_an_etag_and_its_refusals(client):
    client.post("/v1/runs", json=[row(1)])
    first = client.get("/v1/history")
    assert first.json()["lines"][0]["line"] == "deck-1"
    tag = {"If-None-Match": first.headers["etag"]}
    assert client.get("/v1/history", headers=tag).status_code == 304
    client.post("/v1/runs", json=[row(2)])
    assert client.get("/v1/history", headers=tag).status_code == 200
    problem(client.get("/v1/history?since=yesterday"), 422, "input")


def test_the_report_runs_no_script(client):
    client.post(
        "/v1/runs",
        json=[row(k, air=30 + k, grade=0.98 + k / 500, recovery=0.95 - k / 100) for k in range(5)],
    )
    made = client.get("/v1/report?line=deck-1&min_grade=0.985&trials=1&material=moisture=11")
    assert made.status_code == 200
    policy = made.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "script" not in policy
    assert b"deck-1" in made.content
    sheet = client.get("/v1/sheet?line=deck-1&trials=1&form=pdf")
    assert sheet.content.startswith(b"%PDF")
    assert points(sheet.content) == POINTS["a4"]
    sheet = client.get("/v1/sheet?line=deck-1&trials=1&form=pdf&paper=letter")
    assert points(sheet.content) == POINTS["letter"]
    page = client.get("/v1/sheet?line=deck-1&trials=1&form=html&paper=letter").text
    assert "size: letter" in page
    problem(client.get("/v1/sheet?line=deck-1&paper=a3"), 422, "invalid-value")
    problem(client.get("/v1/report?material=moisture"), 422, "input")


def test_a_comparison_equals_the_command_s(client, options):
    rows = [
        row(
            k, line=f"deck-{1 + k % 2}", air=30 + k, grade=0.98 + k / 1000, feed_rate=2 + k % 3 / 10
        )
        for k in range(24)
    ]
    client.post("/v1/runs", json=rows)
    made = client.get("/v1/comparison?min_grade=0.98&feed_rate=2.1")
    brief = Brief.from_dict({"goal": {"min_grade": 0.98}})
    site = Site.read(options.site)
    found = compare(
        History(options.history).at(),
        site,
        brief,
        request=ComparisonRequest(feed_rate=2.1),
        workers=1,
    ).as_dict()
    assert made.content == (json.dumps(found, indent=1, ensure_ascii=False) + "\n").encode()
    assert len(found["lines"]) == 2
    problem(client.get("/v1/comparison?lines=deck-9"), 422, "input")


# -- authorization ---------------------------------------------------------------------------------


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


PATHS = ["/", "/v1/history", "/v1/report", "/v1/comparison", "/metrics", "/openapi.json", "/none"]


@pytest.mark.parametrize("path", PATHS)
def test_a_token_guards_everything_but_health(options, path):
    with client_of(options, TOKENS) as client:
        assert client.get("/health").json()["status"] == "ok"
        refused = client.get(path)
        assert refused.status_code == 401
        assert refused.headers["www-authenticate"].startswith("Bearer")
        assert client.get(path, headers=bearer("not-a-known-token")).status_code == 401
        assert client.get(path, headers=bearer(READ)).status_code != 401


def test_a_reader_may_not_record(options):
    with client_of(options, TOKENS) as client:
        refused = client.post("/v1/runs", json=[row(1)], headers=bearer(READ))
        problem(refused, 403, "read-only")
        assert client.post("/v1/plans", json={}, headers=bearer(READ)).status_code == 200
        done = client.post("/v1/runs", json=[row(1)], headers=bearer(RECORD))
        assert done.json()["added"] == 1
    lines = (options.folder / "audit.jsonl").read_text(encoding="utf-8").splitlines()
    noted, entry = map(json.loads, lines)
    assert (noted["did"], noted["who"], noted["why"]) == ("refused", "office", "read-only")
    assert (entry["who"], entry["added"], entry["from"]) == ("mill", 1, "testclient")


def test_a_session_cannot_post_to_the_api(options):
    with client_of(options, TOKENS) as client:
        client.post("/sign-in", data={"token": RECORD})
        assert client.get("/v1/history").status_code == 200
        problem(client.post("/v1/runs", json=[row(1)]), 403, "bearer-needed")


def test_pages_of_other_sites_and_other_names_are_refused(options):
    from dataclasses import replace

    with client_of(replace(options, hosts=("localhost",))) as client:
        problem(client.get("/v1/history", headers={"Host": "evil.example"}), 421, "other-host")
        local = {"Host": "localhost:8765"}
        assert client.get("/v1/history", headers=local).status_code == 200
        other = {**local, "Sec-Fetch-Site": "cross-site"}
        problem(client.post("/v1/plans", json={}, headers=other), 403, "other-site")


def test_a_short_token_is_refused(monkeypatch):
    monkeypatch.setenv("HIGHSIDE_TOKEN", "short")
    with pytest.raises(InputError, match="fewer than 16"):
        Access.from_environment()


# -- body size, request rate, headers and logs -----------------------------------------------


def test_bodies_have_a_limit_with_or_without_a_stated_length(options):
    from dataclasses import replace

    small = replace(options, upload_bytes=1000, body_bytes=500)
    with client_of(small) as client:
        text = {"Content-Type": "text/csv"}
        problem(client.post("/v1/runs", content=b"x" * 1001, headers=text), 413, "too-large")
        parts = iter([b"x" * 600, b"x" * 600])  # chunked: no length is stated
        problem(client.post("/v1/runs", content=parts, headers=text), 413, "too-large")
        long = {"line": "x" * 600}
        problem(client.post("/v1/plans", json=long), 413, "too-large")


@pytest.fixture
def clock(monkeypatch):
    """The clock of the rate limit; it stands still until a test moves it."""
    now = SimpleNamespace(seconds=0.0)
    stands = SimpleNamespace(monotonic=lambda: now.seconds, perf_counter=lambda: now.seconds)
    monkeypatch.setattr("optimizer.service.admission.guard.time", stands)
    return now


def test_the_request_rate_of_one_address_is_limited(options, clock):
    from dataclasses import replace

    with client_of(replace(options, rate=0.5)) as client:
        answers = [client.get("/v1/history") for _ in range(6)]
        assert [a.status_code for a in answers[:5]] == [200] * 5
        problem(answers[5], 429, "too-many-requests")
        assert int(answers[5].headers["retry-after"]) == 2
        clock.seconds = 2.0
        assert client.get("/v1/history").status_code == 200
        assert client.get("/health").status_code == 200


def test_a_token_bucket_refills(clock):
    rate = Rate(2.0, 2)
    assert [rate.wait("a") for _ in range(3)] == [0.0, 0.0, 0.5]
    assert rate.wait("b") == 0.0
    clock.seconds = 0.5
    assert rate.wait("a") == 0.0


def test_every_answer_has_the_headers(client):
    for path in ("/health", "/v1/history", "/nothing", "/openapi.json"):
        found = client.get(path).headers
        assert {k: found.get(k) for k in HEADERS if k not in ("Cache-Control",)} == {
            k: v for k, v in HEADERS.items() if k not in ("Cache-Control",)
        }


def test_the_log_contains_no_secret(options, caplog):
    with client_of(options, TOKENS) as client, caplog.at_level(logging.INFO, "highside.service"):
        client.get(f"/v1/history?line={RECORD}", headers=bearer(RECORD))
    lines = [JsonLines().format(record) for record in caplog.records]
    request = json.loads(next(line for line in lines if "/v1/history" in line))
    assert (request["who"], request["status"], request["route"]) == ("mill", 200, "/v1/history")
    assert RECORD not in "".join(lines)


def test_metrics_count_requests_and_rows(client):
    client.post("/v1/runs", json=[row(1), row(2, grade=97)])
    client.get("/no/such/page")
    text = client.get("/metrics").text
    assert 'highside_requests_total{method="POST",route="/v1/runs",status="200"} 1' in text
    assert 'route="other",status="404"} 1' in text
    assert "highside_runs_added_total 1\n" in text
    assert "highside_rows_rejected_total 1\n" in text
    assert "no/such" not in text


def test_the_description_names_every_endpoint_and_resolves(client):
    found = client.get("/openapi.json").json()
    contract = {"/health", "/v1/history", "/v1/runs", "/v1/plans", "/v1/comparison", "/v1/report"}
    assert contract <= set(found["paths"])
    for reference in _references(found):
        name = reference.removeprefix("#/components/schemas/")
        assert name in found["components"]["schemas"], reference


def _references(node):
    if isinstance(node, dict):
        yield from [node["$ref"]] if isinstance(node.get("$ref"), str) else []
        for value in node.values():
            yield from _references(value)
    elif isinstance(node, list):
        for value in node:
            yield from _references(value)


def test_a_damaged_history_is_a_503_that_health_shows(client, options):
    client.post("/v1/runs", json=[row(1)])
    log = History(options.history).folder / "_delta_log"
    (log / f"{1:020d}.json").write_text("")
    problem(client.get("/v1/history"), 503, "damaged-history")
    told = problem(client.get("/health"), 503, "damaged-history")
    assert options.history not in json.dumps(told)
    problem(client.post("/v1/runs", json=[row(2)]), 503, "damaged-history")


def test_hostile_requests_are_problem_documents(client):
    from tests.benchmarks.hostile import HOSTILE

    assert len(HOSTILE) >= 100
    # Requests about tokens, hosts and the protocol need the real service; service_load sends them.
    wire = ("other host", "no token", "other scheme", "wrong token", "stated too large")
    for name, method, path, headers, body in HOSTILE:
        if name in wire or path.startswith("//"):
            continue
        answer = client.request(method, path, content=body, headers=headers)
        assert 400 <= answer.status_code < 500, (name, answer.text)
        assert answer.headers["content-type"] == PROBLEM, name


def test_an_internal_error_is_reported_without_details(client, monkeypatch):
    monkeypatch.setattr(Snapshot, "summary", lambda *_, **__: 1 / 0)
    told = problem(client.get("/v1/history?line=deck-1"), 500, "fault")
    assert "ZeroDivision" not in json.dumps(told)


def test_a_missing_site_file_is_reported_at_the_start(tmp_path):
    options = Configuration(str(tmp_path / "history"), str(tmp_path / "none.toml"))
    create_app(options)  # nothing is there yet: the first visitor writes it
    load_table([row(0)], History(tmp_path / "history"))
    with pytest.raises(InputError, match="does not exist"):
        create_app(options)
