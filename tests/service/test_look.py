"""The page of pictures and its numbers: equal to the library's, as tables without JavaScript."""

from __future__ import annotations

import gzip
import hashlib
import re
from urllib.parse import quote

import html5lib
import jsonschema
import pytest

from optimizer import Brief, History, Site
from optimizer.operations.looking import look
from optimizer.planning.situation import situation_of
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.pages.assets import STATIC
from optimizer.text.figures import percent, points, whole_percent
from optimizer.text.visible_text import json_bytes
from tests.service.test_service import SITE, client_of, problem, row
from tests.serving import SECONDS

pytestmark = pytest.mark.usefixtures("module_plans")
HTML = {"Accept": "text/html"}
ASKED = "/look?line=deck-1&min_grade=98.2&trials=2"
D3 = "f2094bbf6141b359722c4fe454eb6c4b0f0e42cc10cc7af921fc158fceb86539"
"""SHA-256 of ``dist/d3.min.js`` in the package d3 7.9.0 of the npm registry."""


@pytest.fixture(scope="module")
def module_plans():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.model.surrogate.MEMBERS", ())
        patch.setattr("optimizer.planning.limits.POOL", 64)
        patch.setattr(
            "optimizer.service.pages.shared.waiting.PATIENCE", SECONDS
        )  # for busy machines
        yield


@pytest.fixture(scope="module")
def service(tmp_path_factory, module_plans):
    """A service with ten runs, one of them failed, and a batch with a result."""
    folder = tmp_path_factory.mktemp("look")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    made = Configuration(str(folder / "history"), str(folder / "site.toml"), rate=0, planners=0)
    with client_of(made) as client:
        rows = [
            row(k, air=30 + k, grade=0.98 + k / 1000, recovery=0.95 - k / 500) for k in range(9)
        ]
        failed = row(9, air=60, grade=None, recovery=None, deck_state="boiling")
        client.post("/v1/runs", json=[*rows, failed, row(11, line="one & two")])
        brief = {"line": "deck-1", "goal": {"min_grade": 0.98}, "trials": {"count": 2}}
        client.post("/v1/batches", json=brief)
        done = {"grade": 0.981, "recovery": 0.94, "started_at": "2026-03-03T06:00:00Z"}
        client.post("/v1/batches/deck-1-1/trials/1/result", json={**done, "sure": True})
        yield client, made


@pytest.fixture(scope="module")
def told(service):
    """The document that the page of ``ASKED`` draws."""
    page = service[0].get(ASKED, headers=HTML)
    assert page.status_code == 200
    answer = service[0].get(re.search('data-numbers="([^"]+)"', page.text)[1])
    return page, answer.json()


def tables(page: str) -> dict[str, list[list[str]]]:
    """The cells of each table of numbers, row by row, as text."""
    parsed = html5lib.parse(page, namespaceHTMLElements=False)
    return {
        table.get("data-rows"): [
            [" ".join("".join(cell.itertext()).split()) for cell in line]
            for line in table.iterfind("tbody/tr")
        ]
        for table in parsed.iter("table")
        if table.get("data-rows")
    }


def between(ends) -> str:
    low, high = percent(ends["low"]), percent(ends["high"])
    return f"{percent(ends['mean'])} ({low} to {high})"


@pytest.mark.usefixtures("anew")
def test_the_answer_is_that_of_the_library_byte_for_byte(service):
    client, made = service
    query = {"line": "deck-1", "min_grade": "98.2%", "trials": 2, "x": "air", "y": "feed_rate"}
    answer = client.get("/v1/look", params=query)
    assert answer.headers["content-type"] == "application/json"
    site = Site.read(made.site)
    brief = {"line": "deck-1", "goal": {"min_grade": 0.982}, "trials": {"count": 2}}
    found = look(
        situation_of(History(made.history).at(), site, Brief.from_dict(brief)), "air", "feed_rate"
    )
    assert answer.content == json_bytes(found.as_dict())
    assert answer.json()["map"]["x"] == "air"
    again = client.get("/v1/look", params=query, headers={"If-None-Match": answer.headers["etag"]})
    assert again.status_code == 304


def test_the_description_of_the_answer_is_true(service, told):
    found = service[0].get("/openapi.json").json()
    schema = {"components": found["components"], "$ref": "#/components/schemas/Look"}
    check = jsonschema.Draft202012Validator(schema)
    check.validate(told[1])
    assert list(check.iter_errors({**told[1], "runs": [{}]}))
    names = {p["name"] for p in found["paths"]["/v1/look"]["get"]["parameters"]}
    assert {"line", "min_grade", "trials", "material", "x", "y", "seed", "as_of"} <= names


@pytest.mark.parametrize(
    ("query", "code", "said"),
    [
        ("x=airr", "unknown-setting", "x: there is no setting 'airr'"),
        ("x=air&y=air", "same-setting", "x and y are both 'air'"),
        ("min_grade=much", "invalid-value", "min_grade"),
        ("material=wet=1", "input", "wet"),
    ],
)
def test_what_cannot_be_drawn_is_refused(service, query, code, said):
    found = problem(service[0].get(f"/v1/look?line=deck-1&{query}"), 422, code)
    assert said in found["detail"]


def test_an_answer_can_be_asked_for_in_the_background(service):
    client = service[0]
    asked = client.get("/v1/look?line=deck-1&seed=77", headers={"Prefer": "respond-async"})
    assert asked.status_code == 202
    assert asked.json()["kind"] == "look"


# -- the page --------------------------------------------------------------------------------


def test_the_tables_hold_the_numbers_of_the_answer(told):
    page, look = told
    found = tables(page.text)
    assert [line[0] for line in found["runs"]] == [run["run_id"] for run in look["runs"]]
    for line, run in zip(found["runs"], look["runs"], strict=True):
        read = [percent(run[n]) if run[n] is not None else "–" for n in ("grade", "recovery")]
        assert line[2:5] == [run["state"], *read]
    assert [line[1] for line in found["expected"]] == [
        between(each["grade"]) for each in (look["run_now"], *look["trials"])
    ]
    for effect in look["effects"]:
        lines = found[f"effect-{effect['setting']}"]
        assert [line[1] for line in lines] == [
            between({end: effect["grade"][end][k] for end in effect["grade"]})
            for k in range(len(effect["levels"]))
        ]
        assert [line[3] for line in lines] == [whole_percent(c) for c in effect["chance_of_grade"]]
    assert [line[1:] for line in found["map"]] == [
        [f"{percent(r)} ({whole_percent(c)})" for r, c in zip(*both, strict=True)]
        for both in zip(look["map"]["recovery"], look["map"]["chance_of_grade"], strict=True)
    ]
    (batch,) = look["campaign"]
    assert found["campaign"][0][0] == batch["trials"][0]["run_id"] == "deck-1-1.1"
    assert found["campaign"][0][3] == percent(batch["trials"][0]["measured"]["grade"])
    assert found["campaign"][-1][-1] == percent(batch["best_so_far"]["recovery"])
    residuals = [run["residual"] for run in look["runs"] if run["residual"]]
    assert [line[2:] for line in found["drift"]] == [
        [points(each["grade"]), points(each["recovery"])] for each in residuals
    ]
    assert [line[1] for line in found["happenings"]] == [e["said"] for e in look["happenings"]]
    levels = look["calibration"]["levels"]
    assert [line[2] for line in found["intervals"]] == [between(e["recovery"]) for e in levels]
    bins = look["calibration"]["chance_of_grade"]["bins"]
    assert [line[2] for line in found["chances"]] == [str(each["n"]) for each in bins]


def test_the_page_needs_no_script_for_its_numbers_and_loads_its_own_only(told):
    page = told[0]
    scripts = re.findall(r'<script src="([^"]+)"[^>]*></script>', page.text)
    assert scripts == ["/static/page.js", "/static/keep.js", "/static/d3.min.js", "/static/look.js"]
    assert "unsafe" not in page.headers["content-security-policy"]
    assert " style=" not in page.text
    assert "<noscript><p" in page.text


def test_a_run_leads_to_its_page(told, service):
    assert 'href="/runs/r3?line=deck-1"' in told[0].text
    page = service[0].get("/look", params={"line": "one & two"}, headers=HTML).text
    assert 'href="/runs/r11?line=one+%26+two"' in page


def test_without_a_line_the_page_asks_for_one(service):
    page = service[0].get("/look", headers=HTML)
    assert page.status_code == 200
    assert '<option value="deck-1">deck-1</option>' in page.text
    assert "data-numbers" not in page.text
    assert "d3.min.js" not in page.text


@pytest.mark.parametrize(
    ("query", "field", "said"),
    [
        ("min_grade=0.98", "min_grade", "write per cent"),
        ("x=air&y=air", "y", "a map needs two different settings"),
        ("x=airr&y=air", "x", "there is no setting &#39;airr&#39;"),
    ],
)
def test_what_is_wrong_stands_beside_its_field(service, query, field, said):
    page = service[0].get(f"/look?line=deck-1&{query}", headers=HTML)
    assert page.status_code == 422
    (fault,) = re.findall(rf'<p class="fault" id="fault-{field}">(.*?)</p>', page.text)
    assert said in fault
    marked = re.search(r'<(?:input|select) name="(\w+)"[^>]*aria-invalid="true"[^>]*>', page.text)
    assert marked[1] == field
    assert f'aria-describedby="fault-{field}"' in marked[0]
    # What was typed stays, and a wrong map takes no other picture away.
    assert ('value="0.98"' in page.text) == (field == "min_grade")
    assert ("data-numbers" in page.text) == (field != "min_grade")


def test_what_is_wrong_elsewhere_stands_on_top(service):
    page = service[0].get("/look?line=deck-1&m.moisture=wet", headers=HTML)
    assert page.status_code == 422
    (said,) = re.findall('<div class="refused" role="alert">(.*?)</div>', page.text, re.S)
    assert "<p>Moisture: &#39;wet&#39; is not a number." in said
    assert 'href="/?line=deck-1&amp;m.moisture=wet"' in said
    page = service[0].get("/look?line=deck-1&limits.air.low=95", headers=HTML)
    assert page.status_code == 422
    (said,) = re.findall('<div class="refused" role="alert">(.*?)</div>', page.text, re.S)
    assert "air" in said.lower()
    page = service[0].get("/look?line=", headers=HTML)
    assert page.status_code == 422
    assert "no line is named" in page.text


def test_a_new_line_is_told_from_the_runs_of_others_and_what_is_missing(service):
    page = service[0].get("/look?line=deck-9", headers=HTML)
    assert page.status_code == 200
    found = tables(page.text)
    assert "effect-air" in found
    assert found["runs"] == []
    assert "Line &#39;deck-9&#39; has no runs yet." in page.text
    assert "No batch of this line was issued yet" in page.text
    assert "too few measured runs of this line to say what the others expect of one" in page.text
    assert "too few measured runs of this line to judge what is claimed" in page.text


def test_an_empty_history_says_that_nothing_is_known(tmp_path):
    made = Configuration(str(tmp_path / "history"), "", rate=0, planners=0)
    with client_of(made, **HTML) as client:
        assert "The history is empty" in client.get("/look").text
        page = client.get("/look?line=deck-1&x=air&y=air")
    assert page.status_code == 422
    assert page.text.count("there are too few measured runs of this line to say what to") == 2
    assert '<p class="fault" role="alert">x and y are both &#39;air&#39;' in page.text


def test_the_fields_of_the_brief_go_with_the_map(service):
    page = service[0].get(f"{ASKED}&m.moisture=11.2&x=air&y=feed_rate", headers=HTML).text
    (form,) = re.findall('<form method="get" action="/look#map">(.*?)</form>', page, re.S)
    sent = dict(re.findall('<input type="hidden" name="([^"]+)" value="([^"]*)">', form))
    asked = {"line": "deck-1", "min_grade": "98.2", "trials": "2", "m.moisture": "11.2"}
    assert sent == asked
    assert re.findall('<option value="([^"]+)" selected>', form) == ["air", "feed_rate"]
    assert 'href="/?line=deck-1&amp;min_grade=98.2&amp;trials=2&amp;m.moisture=11.2"' in page


def test_while_the_answer_is_made_no_field_is_shown(service, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", 0.0)
    page = service[0].get("/look?line=deck-1&trials=3&x=air&y=feed_rate", headers=HTML).text
    assert "<h1>Making the pictures for deck-1</h1>" in page
    address = "/look?line=deck-1&trials=3&x=air&y=feed_rate#map"
    assert quote(address, safe="") in page
    assert not re.search('<(select|input type="(?!hidden))', page)


def test_the_job_reports_as_many_stages_as_are_expected(service, told):
    key = re.search('data-numbers="/v1/results/([0-9a-f]+)"', told[0].text)[1]
    job = service[0].get(f"/v1/jobs/{key}").json()
    assert job["stages"] == len(job["progress"]) == 5
    assert job["progress"][-1] == "drawing the map"


def test_a_line_is_offered_with_what_it_was_last_planned_with(service):
    client = service[0]
    assert "last planned with" not in client.get("/look", headers=HTML).text
    page = client.get("/?choose=deck-1", headers=HTML).text
    token = re.search('name="form_token" value="([0-9a-f]+)"', page)[1]
    fields = {"line": "deck-1", "min_grade": "98.3", "m.moisture": "11", "form_token": token}
    client.post("/plan", data=fields, follow_redirects=False)
    page = client.get("/look", headers=HTML).text
    assert 'href="/look?line=deck-1&amp;min_grade=98.3&amp;m.moisture=11">deck-1</a>' in page


def test_text_from_outside_is_escaped(service):
    attack = "<script>alert(1)</script>\"'"
    page = service[0].get("/look", params={"line": attack, "m.x\"'<b>": attack}, headers=HTML).text
    assert "<script>alert" not in page
    assert "<b>" not in page.split("</head>")[1]


# -- what is sent ----------------------------------------------------------------------------


def test_the_library_of_the_pictures_is_as_it_was_published(service):
    sent = service[0].get("/static/d3.min.js", headers={"Accept-Encoding": "identity"})
    assert hashlib.sha256(sent.content).hexdigest() == D3
    assert (STATIC / "d3.LICENSE.txt").read_text(encoding="utf-8").startswith("Copyright 2010-2023")


def test_scripts_are_sent_compressed_where_that_is_accepted(service):
    client = service[0]
    with client.stream("GET", "/static/d3.min.js", headers={"Accept-Encoding": "gzip"}) as sent:
        content = b"".join(sent.iter_raw())
        headers = sent.headers
    assert headers["content-encoding"] == "gzip"
    assert headers["vary"] == "Accept-Encoding"
    assert hashlib.sha256(gzip.decompress(content)).hexdigest() == D3
    assert len(content) < 100_000
    plain = client.get("/static/d3.min.js", headers={"Accept-Encoding": "gzip;q=0"})
    assert "content-encoding" not in plain.headers
    assert plain.headers["etag"] != headers["etag"]
    for tag, encoding in ((headers["etag"], "gzip"), (plain.headers["etag"], "identity")):
        asked = {"If-None-Match": tag, "Accept-Encoding": encoding}
        assert client.get("/static/d3.min.js", headers=asked).status_code == 304
    missing = client.get("/static/d3.LICENSE.txt")
    problem(missing, 404, "not-found")


def test_pages_are_never_compressed_and_the_first_one_is_small(service):
    client = service[0]
    sizes = 0
    page = client.get("/", headers={**HTML, "Accept-Encoding": "gzip"})
    for name in re.findall('<script src="([^"]+)"', page.text):
        script = client.get(name, headers={"Accept-Encoding": "gzip"})
        sizes += int(script.headers["content-length"])
    for each in (page, client.get(ASKED, headers={**HTML, "Accept-Encoding": "gzip"})):
        assert "content-encoding" not in each.headers
    assert sizes > 0
    assert len(page.content) + sizes < 150_000
