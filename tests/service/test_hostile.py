"""Every parameter of every route with impossible values: each answer is a well-formed refusal.

A value that is valid for some parameters (infinity as the name of a line) may be answered there,
but the answer must be valid JSON or HTML.
"""

from __future__ import annotations

import json
import re
from urllib.parse import quote, urlencode

import html5lib
import pytest

from optimizer import History
from optimizer.service.exchange.configuration import Configuration
from tests.conftest import names_of_before
from tests.service.test_service import PROBLEM, SITE, client_of, row

# Percent-encoded values that are no valid text: control characters, and bytes that are not UTF-8.
NO_TEXT = {
    "half a surrogate pair": "%ED%A0%80",
    "not UTF-8": "%FF",
    "NUL": "a%00b",
    "escape": "%1B%5B31m",
    "C1 control": "%C2%9B31m",
    "delete": "a%7F",
    "line break": "a%0Ab",
    "no character": "%EF%BF%BF",
}
NO_NUMBER = {
    "nan": "nan", "inf": "inf", "-inf": "-inf", "Infinity": "Infinity", "1e400": "1e400",
    "-1e400": "-1e400", "5,000 digits": "9" * 5000, "other digits": quote("٣"),
    "superscript": quote("²"), "underscore": "1_0", "hex": "0x10", "word": "x",
    "two commas": "1,2,3", "negative": "-1",
}  # fmt: skip
TOO_LONG = {"3,000 characters": "x" * 3000}

TEXT, NUMBER, NAME = NO_TEXT, {**NO_TEXT, **NO_NUMBER, **TOO_LONG}, {**NO_TEXT, **TOO_LONG}
# The framework parses these numbers itself and takes 1_0 as ten.
TYPED = {name: value for name, value in NUMBER.items() if name != "underscore"}
# Route, parameter, the other parameters of a valid query, the values that are refused.
QUERIES = [
    ("/", "line", "trials=1", NAME),
    ("/", "new_line", "trials=1", NAME),
    ("/", "min_grade", "line=deck-1", NUMBER),
    ("/", "trials", "line=deck-1", {**NUMBER, "half a trial": "2.5", "none": "0", "1e30": "1e30"}),
    ("/", "since", "line=deck-1", NUMBER),
    ("/", "m.moisture", "line=deck-1&trials=1", NUMBER),
    ("/", "m.material", "line=deck-1&trials=1", NAME),
    ("/", "m.nothing", "line=deck-1&trials=1", NUMBER),
    ("/runs", "what", "", TEXT),
    *(("/runs", name, "", NUMBER) for name in ("since", "until", "grade_low", "recovery_high")),
    *(("/runs", name, "", NAME) for name in ("line", "text", "state", "sort", "withdrawn")),
    *(("/runs", name, "", NUMBER) for name in ("page", "as_of", "order")),
    *(("/runs.csv", name, "", NUMBER) for name in ("grade_high", "sort", "as_of", "since")),
    ("/runs/r1", "line", "", NAME),
    ("/runs/r1", "as_of", "", NUMBER),
    ("/runs/", "run_id", "", NAME),
    ("/changes", "run", "", TEXT),
    ("/changes", "page", "", NUMBER),
    ("/versions", "until", "", NUMBER),
    ("/rejected", "page", "", NUMBER),
    ("/lines", "min_grade", "", NUMBER),
    ("/look", "line", "trials=1", NAME),
    ("/look", "min_grade", "line=deck-1", NUMBER),
    ("/look", "x", "line=deck-1", NAME),
    ("/look", "m.moisture", "line=deck-1&trials=1", NUMBER),
    ("/rejected.csv", "what", "", TEXT),
    ("/static/page.js", "what", "", TEXT),
    ("/openapi.json", "what", "", TEXT),
    ("/metrics", "what", "", TEXT),
    ("/v1/history", "line", "", NAME),
    ("/v1/history", "since", "", NUMBER),
    ("/v1/report", "line", "trials=1", NAME),
    ("/v1/report", "min_grade", "line=deck-1", TYPED),
    ("/v1/report", "trials", "line=deck-1", TYPED),
    ("/v1/report", "material", "line=deck-1", NUMBER),
    ("/v1/report", "material", "line=deck-1", {k: f"moisture={v}" for k, v in NUMBER.items()}),
    ("/v1/report", "material", "line=deck-1", {k: f"material={v}" for k, v in NAME.items()}),
    ("/v1/report", "seed", "line=deck-1", TYPED),
    ("/v1/report", "as_of", "line=deck-1", TYPED),
    ("/v1/look", "min_grade", "line=deck-1", TYPED),
    ("/v1/look", "y", "line=deck-1", NAME),
    ("/v1/sheet", "form", "line=deck-1", NUMBER),
    ("/v1/sheet", "material", "line=deck-1", {k: f"moisture={v}" for k, v in NUMBER.items()}),
    ("/v1/comparison", "lines", "", NUMBER),
    ("/v1/comparison", "feed_rate", "", {**TYPED, "too fast": "1e308"}),
    ("/v1/comparison", "min_grade", "", TYPED),
    ("/v1/comparison", "material", "", {k: f"moisture={v}" for k, v in NUMBER.items()}),
    ("/v1/comparison", "seed", "", TYPED),
]  # fmt: skip
# The fields that a browser posts with the form; all are valid.
FORM = {
    "line": "deck-1", "nonce": "abc1", "s.feed_rate": "2", "s.end_raise": "2.4",
    "s.side_tilt": "2", "s.eccentric_speed": "450", "s.air": "37", "grade": "98",
    "recovery": "93", "deck_state": "even", "again": "line=deck-1&trials=1",
}  # fmt: skip
FIELDS = {
    "form_token": NUMBER, "line": NAME, "nonce": NAME, "s.air": NUMBER, "s.": NUMBER,
    "s.what": NUMBER, "s.grade": {"of another kind": "0.5"}, "m.moisture": NUMBER,
    "m.material": NAME, "m.what": NUMBER, "grade": NUMBER, "recovery": NUMBER,
    "grade_count": NUMBER, "deck_state": NUMBER, "note": NAME, "name": NAME, "started_at": NUMBER,
    "again": {**TEXT, **{f"in it: {k}": f"line%3D{quote(v)}" for k, v in NAME.items()}},
}  # fmt: skip
CORRECTION = {"deed": "correct", "mark": "", "v.air": "38", "reason": "typo"}
OF_CORRECTION = {
    "deed": NAME, "v.air": NUMBER, "v.grade": NUMBER, "v.grade_count": NUMBER,
    "v.grade_se": {k: v for k, v in NUMBER.items() if k not in ("superscript", "underscore")},
    "v.started_at": NUMBER, "v.deck_state": NUMBER, "v.moisture": NUMBER, "mark": NUMBER,
    "v.note": NO_TEXT, "reason": NAME, "name": NAME,
}  # fmt: skip
# Values as raw JSON text in a body.
JSON_NUMBER = {
    "1e400": "1e400", "-1e400": "-1e400", "400 digits": "9" * 400, "5,000 digits": "9" * 5000,
    "NaN": "NaN", "Infinity": "Infinity", "1e308": "1e308", "in quotes": '"inf"', "list": "[]",
}  # fmt: skip
JSON_TEXT = {
    "lone surrogate": '"\\ud800"',
    "NUL": '"a\\u0000b"',
    "number too large": "1e400",
    "object": "{}",
}
BRIEFS = {
    '{"line": %s}': {**JSON_TEXT, "3,000 characters": json.dumps("x" * 3000)},
    '{"material": {"moisture": %s}}': JSON_NUMBER,
    '{"material": {"material": %s}}': JSON_TEXT,
    '{"material": {%s: 1}}': JSON_TEXT,
    '{"goal": {"min_grade": %s}}': JSON_NUMBER,
    '{"goal": {"confidence": %s}}': JSON_NUMBER,
    '{"goal": {"maximise": %s}}': JSON_TEXT,
    '{"goal": {"maximise": "value", "prices": {"product": %s}}}': JSON_NUMBER,
    '{"goal": {"maximise": "value", "prices": {"product": 1, "hour": %s}}}': JSON_NUMBER,
    '{"goal": {"maximise": "value", "prices": {"product": 1, "currency": %s}}}': JSON_TEXT,
    '{"capacity": {"min_feed_rate": %s}}': JSON_NUMBER,
    '{"capacity": {"max_feed_rate": %s}}': JSON_NUMBER,
    '{"capacity": {"max_product_rate": %s}}': JSON_NUMBER,
    '{"capacity": {"max_reject_rate": %s}}': JSON_NUMBER,
    '{"limits": {"air": {"low": %s}}}': JSON_NUMBER,
    '{"limits": {"air": {"high": %s}}}': JSON_NUMBER,
    '{"limits": {"air": {"fixed": %s}}}': JSON_NUMBER,
    '{"couplings": [{"terms": {"air": %s}, "at_most": 1}]}': JSON_NUMBER,
    '{"couplings": [{"terms": {"air": 1}, "at_most": %s}]}': JSON_NUMBER,
    '{"trials": {"count": %s}}': JSON_NUMBER,
    '{"trials": {"material_available": %s}}': JSON_NUMBER,
    '{"trials": {"minutes_available": %s}}': JSON_NUMBER,
    '{"trials": {"settle_minutes": %s}}': JSON_NUMBER,
    '{"trials": {"sample_minutes": %s}}': JSON_NUMBER,
    '{"current": {"air": %s}}': JSON_NUMBER,
    '{"pending": [{"air": %s}]}': JSON_NUMBER,
}
ROWS = {
    **dict.fromkeys(("feed_rate", "air", "grade", "recovery", "moisture"), JSON_NUMBER),
    **dict.fromkeys(("line", "run_id", "material", "note", "deck_state", "what"), JSON_TEXT),
    "started_at": JSON_NUMBER,
}
REPEATED = [
    "/?line=deck-1&line=deck-2", "/?line=deck-1&m.moisture=11&m.moisture=12",
    "/?line=deck-1&trials=1&trials=2", "/lines?min_grade=98&min_grade=99",
    "/look?line=deck-1&x=air&x=feed_rate",
    "/v1/history?line=deck-1&line=deck-2", "/v1/report?line=deck-1&seed=1&seed=2",
    "/v1/report?line=deck-1&material=moisture=11&material=moisture=12",
    "/v1/comparison?feed_rate=2&feed_rate=3", "/v1/sheet?form=pdf&form=csv",
]  # fmt: skip


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """One service for all requests, and its history, which no hostile request may change."""
    folder = tmp_path_factory.mktemp("hostile")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    options = Configuration(str(folder / "history"), str(folder / "site.toml"), rate=0, planners=0)
    with client_of(options) as client:
        client.post("/v1/runs", json=[row(1), row(2, air=40)])
        yield client, History(options.history)


@pytest.fixture
def unchanged(served):
    """Assert after a test that the history is unchanged."""
    _, history = served
    before = history.version
    yield
    assert history.version == before


def fault(answer) -> str | None:
    """What is wrong with an answer that must be a well-formed refusal; None when it is one."""
    if not 400 <= answer.status_code < 500:
        return f"status {answer.status_code}"
    return unreadable(answer)


def unreadable(answer) -> str | None:
    """Why an answer cannot be parsed as its stated content type; None when it can."""
    kind, text = answer.headers["content-type"], answer.content.decode("utf-8", "strict")
    if "json" in kind:
        try:
            json.loads(text, parse_constant=_no_constant)
        except ValueError as error:
            return str(error)
        return None
    parser = html5lib.HTMLParser()
    parser.parse(text)
    return None if kind.startswith("text/html") and not parser.errors else f"{parser.errors}"


def _no_constant(name: str):
    raise ValueError(f"{name} is not JSON")


def faults(ask, values: dict[str, str]) -> dict[str, str]:
    """The faults of the answers to hostile values, by the name of the value."""
    found = {name: fault(ask(value)) for name, value in values.items()}
    return {name: said for name, said in found.items() if said is not None}


def named(table):
    return [
        pytest.param(*row, id=" ".join(str(part) for part in row if isinstance(part, str)))
        for row in table
    ]


@pytest.mark.parametrize(("path", "parameter", "rest", "values"), named(QUERIES))
@pytest.mark.parametrize("accepts", ["text/html", "*/*"])
def test_hostile_queries_are_refused(served, path, parameter, rest, values, accepts):
    client, _ = served

    def ask(value):
        asked = f"{path}?{parameter}={value}&{rest}".rstrip("&")
        return client.get(asked, headers={"Accept": accepts})

    assert not faults(ask, values)


@pytest.mark.parametrize("asked", REPEATED)
def test_a_parameter_given_twice_is_refused(served, asked):
    client, _ = served
    answer = client.get(asked)
    assert fault(answer) is None
    assert "twice" in answer.json()["detail"]


@pytest.mark.parametrize("path", ["/v1/jobs/", "/v1/results/"])
def test_hostile_job_names_are_refused(served, path):
    client, _ = served
    values = {**NUMBER, "right length": "x" * 32, "digits": quote("٣" * 32), "NULs": "%00" * 32}
    assert not faults(lambda value: client.get(path + value), values)


@pytest.mark.parametrize("parameter", ["line", "dry_run", "samples", "what"])
def test_hostile_load_queries_are_refused(served, unchanged, parameter):
    client, _ = served
    assert not faults(lambda v: client.post(f"/v1/runs?{parameter}={v}", json=[row(9)]), TEXT)


@pytest.fixture(scope="module")
def form_token(served):
    client, _ = served
    page = client.get("/upload", headers={"Accept": "text/html"}).text
    return re.search(r'name="form_token" value="([0-9a-f]+)"', page)[1]


@pytest.mark.parametrize(("field", "values"), named(FIELDS.items()))
def test_hostile_form_fields_are_refused(served, unchanged, form_token, field, values):
    client, _ = served
    sent = {"form_token": form_token, **FORM}
    sent.pop(field, None)

    def ask(value):
        body = f"{urlencode(sent)}&{field}={value}"
        return client.post("/record", content=body, headers=A_FORM, follow_redirects=False)

    assert not faults(ask, values)


@pytest.mark.parametrize(("field", "values"), named(OF_CORRECTION.items()))
def test_hostile_corrections_are_refused(served, unchanged, form_token, field, values):
    client, _ = served
    sent = {"form_token": form_token, **CORRECTION}
    sent.pop(field, None)

    def ask(value):
        body = f"{urlencode(sent)}&{field}={value}"
        return client.post("/runs/r1?line=deck-1", content=body, headers=A_FORM)

    assert not faults(ask, values)


@pytest.mark.parametrize("path", ["/versions/{}/restore", "/runs/{}?line=deck-1"])
def test_hostile_names_of_runs_and_versions_are_refused(served, unchanged, path):
    client, _ = served
    values = {name: value for name, value in NUMBER.items() if name != "not UTF-8"}
    assert not faults(lambda value: client.get(path.format(value)), values)


def test_the_form_is_accepted_without_hostile_values(tmp_path):
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    options = Configuration(
        str(tmp_path / "history"), str(tmp_path / "site.toml"), rate=0, planners=0
    )
    with client_of(options) as client:
        page = client.get("/upload", headers={"Accept": "text/html"}).text
        token = re.search(r'name="form_token" value="([0-9a-f]+)"', page)[1]
        sent = {"form_token": token, **FORM}
        done = client.post("/record", data=sent, follow_redirects=False)
    assert (done.status_code, done.headers["location"]) == (303, "/?line=deck-1&trials=1")
    assert History(options.history).at().runs().num_rows == 1


A_FORM = {"Content-Type": "application/x-www-form-urlencoded", "Accept": "text/html"}
JSON_BODY = {"Content-Type": "application/json"}


def test_a_field_given_twice_is_refused(served):
    client, _ = served
    headers = {**A_FORM, "Accept": "*/*"}
    answer = client.post("/record", content="grade=98&grade=99", headers=headers)
    assert fault(answer) is None
    assert "twice" in answer.json()["detail"]


@pytest.mark.parametrize("path", ["/sign-in", "/sign-out"])
@pytest.mark.parametrize("field", ["token", "form_token"])
def test_hostile_sign_in_fields_are_refused(served, path, field):
    client, _ = served
    values = {**TEXT, "another": "x"}

    def ask(value):
        return client.post(path, content=f"{field}={value}", headers=A_FORM)

    assert not faults(ask, values)


@pytest.mark.parametrize(("brief", "values"), named(BRIEFS.items()))
def test_hostile_briefs_are_refused(served, brief, values):
    client, _ = served
    assert not faults(
        lambda v: client.post("/v1/plans", content=brief.replace("%s", v), headers=JSON_BODY),
        values,
    )


@pytest.mark.parametrize(("field", "values"), named(ROWS.items()))
def test_hostile_rows_are_refused(served, unchanged, field, values):
    client, _ = served
    given = row(9)
    given.pop(field, None)

    def ask(value):
        body = f'[{json.dumps(given)[:-1]}, "{field}": {value}}}]'
        return client.post("/v1/runs", content=body, headers=JSON_BODY)

    assert not faults(ask, values)


def test_an_overlong_query_is_refused(served):
    client, _ = served
    assert fault(client.get("/?" + "&".join(f"m.x{k}=1" for k in range(1000)))) is None
    assert fault(client.get("/?line=deck-1&m.material=" + "x" * 60_000)) is None


def test_refusals_are_problem_documents_unless_a_page_was_requested(served):
    client, _ = served
    answer = client.get("/v1/comparison?feed_rate=inf")
    assert answer.headers["content-type"] == PROBLEM
    assert "feed_rate" in answer.json()["detail"]


NAMES = {"escape": "de\x1bck", "C1 control": "de\x9bck", "line break": "de\nck",
         "turned around": "deck\u202e1"}  # fmt: skip


def test_control_characters_in_names_are_shown_as_escapes(tmp_path):
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    options = Configuration(
        str(tmp_path / "history"), str(tmp_path / "site.toml"), rate=0, planners=0
    )
    with client_of(options) as client:
        rows = [row(k, line=name) for k, name in enumerate(NAMES.values())]
        with names_of_before():
            loaded = client.post("/v1/runs", json=[*rows, row(8, grade="\x1b]0;x\x07\x9b31m")])
        assert loaded.json()["added"] == 4
        rejected = client.post("/v1/runs", json=[row(9, grade="\x9b31m")])
        told = client.get("/v1/history")
        pages = [client.get(path, headers={"Accept": "text/html"}) for path in ("/", "/runs")]
    for answer in (loaded, rejected, told, *pages):
        assert unreadable(answer) is None
        seen = re.sub("<[^>]*>", "", answer.text)
        assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202e]", seen)
    assert {entry["line"] for entry in told.json()["lines"]} == set(NAMES.values())
    for page in pages:
        assert r"de\x1bck" in page.text
        assert r"de\x9bck" in page.text
        assert r"deck\u202e1" in page.text


@pytest.mark.parametrize("name", NAMES)
def test_a_line_gets_no_name_that_looks_like_another(served, unchanged, name):
    client, _ = served
    refused = client.post("/v1/runs", json=[row(9, line=NAMES[name])])
    assert fault(refused) is None
    assert "control character or a mark of writing direction" in refused.json()["detail"]
    brought = client.post(
        "/v1/runs?dry_run=true", json=[row(9, line="déck"), row(9, note="\u202ea")]
    )
    assert brought.json()["added"] == 2  # a note may hold what it likes; it is shown escaped


def test_a_name_is_the_same_in_both_spellings(tmp_path):
    (tmp_path / "site.toml").write_text(
        f'{SITE}[lines."De\u0301ck".air]\nhigh = 36\n', encoding="utf-8"
    )
    options = Configuration(
        str(tmp_path / "history"), str(tmp_path / "site.toml"), rate=0, planners=0
    )
    two, one = "De\u0301ck", "D\u00e9ck"
    with client_of(options) as client:
        client.post(
            "/v1/runs", json=[row(1, line=two, run_id=f"{two}-1", air=30), row(2, line=one, air=31)]
        )
        again = client.post("/v1/runs", json=[row(1, line=one, run_id=f"{one}-1", air=30)])
        assert again.json()["already_known"] == 1
        told = client.get("/v1/history").json()
        assert [(line["line"], line["runs"]) for line in told["lines"]] == [(one, 2)]
        for spelling in (two, one):
            found = client.get("/v1/history", params={"line": spelling}).json()
            assert [line["line"] for line in found["lines"]] == [one]
            page = client.get(f"/runs/{quote(spelling)}-1", headers={"Accept": "text/html"})
            assert page.status_code == 200
            plan = client.post("/v1/plans", json={"line": spelling, "trials": {"count": 1}}).json()
            assert (plan["line"], plan["runs_used"]) == (one, 2)
            assert plan["recommendations"][0]["settings"]["air"] <= 36  # as the line's own limit
