"""The page without JavaScript: material in, trials out, a result beside its trial, what changed."""

from __future__ import annotations

import html
import io
import json
import re

import pandas as pd
import pytest

from optimizer import History
from optimizer.service.access import SESSION
from tests.test_service import READ, RECORD, TOKENS, client_of, options, problem, row

__all__ = ["options"]  # a fixture

HTML = {"Accept": "text/html"}


@pytest.fixture
def client(options, monkeypatch):
    monkeypatch.setattr("optimizer.service.page.PATIENCE", 120.0)  # however busy the machine
    with client_of(options, **HTML) as made:
        made.post("/v1/runs", json=[row(k, air=30 + k, grade=0.98 + k / 1000) for k in range(8)])
        yield made


def forms(page: str) -> list[dict[str, str]]:
    """The fields of each form that records, as a browser would send them."""
    found = []
    for form in re.findall(r'<form method="post" action="/record">(.*?)</form>', page, re.S):
        pairs = re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)">', form)
        found.append({name: html.unescape(value) for name, value in pairs})
    return found


def test_a_result_is_recorded_beside_its_trial_and_says_what_it_changed(client, options):
    asked = "/?line=deck-1&min_grade=98,5&trials=2&m.moisture=11.2"
    page = client.get(asked)
    assert page.status_code == 200
    assert "Trials to run next" in page.text
    form = forms(page.text)[1]
    sent = {**form, "grade": "98,7", "recovery": "93.1 %", "deck_state": "even", "name": "M."}
    done = client.post("/record", data=sent, follow_redirects=False)
    assert done.status_code == 303
    after = client.get(done.headers["location"])
    assert "What the result changed" in after.text
    runs = History(options.history).read().to_pylist()
    new = next(run for run in runs if run["run_id"] == f"deck-1-{form['nonce']}")
    assert (new["grade"], new["recovery"], new["moisture"]) == (0.987, 0.931, 11.2)
    assert new["air"] == float(form["s.air"])
    client.post("/record", data=sent)  # the button pressed twice
    assert History(options.history).read().num_rows == len(runs)
    trail = (options.folder / "audit.jsonl").read_text(encoding="utf-8").splitlines()
    assert json.loads(trail[-2])["signed"] == "M."


def test_a_long_wait_is_a_page_that_asks_again(client, monkeypatch):
    monkeypatch.setattr("optimizer.service.page.PATIENCE", 0.0)
    page = client.get("/?line=deck-1&trials=1").text
    assert '<meta http-equiv="refresh" content="2">' in page
    assert "Working" in page


def test_a_form_of_another_page_is_refused(client, options):
    form = forms(client.get("/?line=deck-1&trials=1").text)[0]
    sent = {**form, "grade": "98.7", "recovery": "93", "form_token": "0" * 64}
    refused = client.post("/record", data=sent)
    assert refused.status_code == 403
    assert "not of a page that this browser was given" in refused.text
    client.cookies.clear()  # another browser, the right token
    assert client.post("/record", data={**sent, **form}).status_code == 403
    assert History(options.history).read().num_rows == 8


def test_what_is_wrong_is_said_on_a_page(client):
    form = forms(client.get("/?line=deck-1&trials=1").text)[0]
    refused = client.post("/record", data={**form, "grade": "0.987", "recovery": "93"})
    assert refused.status_code == 422
    assert "write per cent" in refused.text
    refused = client.get("/?line=deck-1&m.moisture=wet")
    assert refused.status_code == 422
    assert "moisture: &#39;wet&#39; is not a number" in refused.text


def test_what_comes_from_outside_is_text_on_the_page(client):
    attack = "<script>alert(1)</script>\"'=1+1"
    client.post("/v1/runs", json=[row(50, grade=attack, note=attack), row(51, line=attack)])
    page = client.get("/runs").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page
    assert "<script>alert" not in client.get(f"/?line={attack}&trials=1").text


def test_a_page_runs_only_its_own_script(client):
    page = client.get("/?line=deck-1&trials=1")
    policy = page.headers["content-security-policy"]
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert re.findall(r"<script[^>]*>", page.text) == ['<script src="/static/page.js" defer>']
    assert " style=" not in page.text
    assert not re.search(r"\son\w+=", page.text)
    cookie = page.headers.get("set-cookie", "")
    assert not cookie or ("HttpOnly" in cookie and "SameSite=Strict" in cookie)


def test_rejected_rows_are_shown_and_leave_when_mended(client):
    client.post("/v1/runs", json=[row(60), row(61, grade=97.2)])
    page = client.get("/runs").text
    assert "1 rejected rows" in page
    assert "per cent" in page
    rejected = pd.read_csv(io.BytesIO(client.get("/rejected.csv").content), dtype=str)
    mended = rejected.assign(grade="0.972").to_csv(index=False).encode()
    token = re.search(r'name="form_token" value="([0-9a-f]+)"', page)[1]
    done = client.post("/upload", data={"form_token": token}, files={"file": ("x.csv", mended)})
    assert "<b>1 added</b>" in done.text
    assert "0 rejected rows" in client.get("/runs").text


def test_signing_in_gives_a_session_with_its_role(options):
    with client_of(options, TOKENS, **HTML) as client:
        asked = client.get("/")
        assert asked.status_code == 401
        assert "Your token" in asked.text
        wrong = client.post("/sign-in", data={"token": "wrong"})
        assert wrong.status_code == 403
        done = client.post("/sign-in", data={"token": READ}, follow_redirects=False)
        cookie = done.headers["set-cookie"]
        assert SESSION in cookie
        assert "HttpOnly; SameSite=Strict" in cookie
        page = client.get("/runs")
        assert page.status_code == 200
        assert "Add a log" not in page.text  # may only read
        token = re.search(r'name="form_token" value="([0-9a-f]+)"', page.text)[1]
        refused = client.post("/upload", data={"form_token": token}, files={"file": b"a"})
        assert refused.status_code == 403
        client.post("/sign-out", data={"form_token": token})
        assert client.get("/runs").status_code == 401
        client.post("/sign-in", data={"token": RECORD})
        assert "Add a log" in client.get("/runs").text


def test_tokens_cannot_be_guessed_without_end(options):
    with client_of(options, TOKENS) as client:
        answers = [client.post("/sign-in", data={"token": f"guess-{k}"}) for k in range(12)]
        assert answers[9].status_code == 403
        problem(answers[11], 429, "too-many-requests")


def test_cookies_go_over_tls_only_where_there_is_tls(options):
    from dataclasses import replace

    with client_of(replace(options, secure=True), TOKENS) as client:
        done = client.post("/sign-in", data={"token": READ}, follow_redirects=False)
        assert "; Secure" in done.headers["set-cookie"]
        assert done.headers["strict-transport-security"].startswith("max-age=31536000")


def test_lines_are_compared_on_a_page(client):
    page = client.get("/lines?min_grade=98")
    assert page.status_code == 200
    assert "Lines compared" in page.text
