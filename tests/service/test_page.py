"""The page without JavaScript: it takes material and results, and shows trials and changes."""

from __future__ import annotations

import html
import io
import json
import re
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pandas as pd
import pytest

from optimizer import History
from optimizer.service.admission.access import SESSION
from tests.service.test_service import READ, RECORD, TOKENS, client_of, clock, options, problem, row
from tests.service.test_uploads import press, send
from tests.serving import SECONDS

__all__ = ["clock", "options"]  # fixtures

HTML = {"Accept": "text/html"}


@pytest.fixture
def client(options, small_plans, monkeypatch):
    monkeypatch.setattr(
        "optimizer.service.pages.shared.waiting.PATIENCE", SECONDS
    )  # for busy machines
    with client_of(options, **HTML) as made:
        made.post("/v1/runs", json=[row(k, air=30 + k, grade=0.98 + k / 1000) for k in range(8)])
        yield made


def forms(page: str) -> list[dict[str, str]]:
    """The fields of each form that records, as a browser would send them."""
    found = []
    for form in re.findall(r'<form method="post" action="/record"[^>]*>(.*?)</form>', page, re.S):
        pairs = re.findall(r'<input type="hidden" name="([^"]*)" value="([^"]*)">', form)
        found.append({name: html.unescape(value) for name, value in pairs})
    return found


def fields(form: str) -> dict[str, str]:
    """The inputs of a form with their values, as a browser would send them."""
    found = {}
    for tag in re.findall("<input [^>]*>", form):
        parts = dict(re.findall(r'(\S+)="([^"]*)"', tag))
        found[parts["name"]] = html.unescape(parts.get("value", ""))
    return found


def trial_form(page: str, trial: str, action: str = "result") -> dict[str, str]:
    """The fields of the first form of a trial with an action."""
    found = re.findall(
        rf'<form method="post" action="/batches/{action}"[^>]*>(.*?)</form>', page, re.S
    )
    return next(form for each in found if (form := fields(each)).get("trial") == trial)


def issue_form(page: str) -> dict[str, str]:
    (form,) = re.findall(
        r'<form class="issue" method="post" action="/batches/issue">(.*?)</form>', page, re.S
    )
    return fields(form)


def test_a_run_recorded_at_the_settings_to_run_now_shows_what_changed(client, options):
    asked = "/?line=deck-1&min_grade=98,5&trials=2&m.moisture=11.2"
    page = client.get(asked)
    assert page.status_code == 200
    assert "Trials to run next" in page.text
    (form,) = forms(page.text)
    sent = {**form, "grade": "98,7", "recovery": "93.1 %", "deck_state": "even", "name": "M.",
            "m.moisture": "11,2"}  # fmt: skip
    done = client.post("/record", data=sent, follow_redirects=False)
    assert done.status_code == 303
    after = client.get(done.headers["location"])
    assert "What the result changed" in after.text
    runs = History(options.history).at().runs().to_pylist()
    new = next(run for run in runs if run["run_id"] == f"deck-1-{form['nonce']}")
    assert (new["grade"], new["recovery"], new["moisture"]) == (0.987, 0.931, 11.2)
    assert new["air"] == float(form["s.air"])
    client.post("/record", data=sent)  # a second press of the button
    assert History(options.history).at().runs().num_rows == len(runs)
    trail = (options.folder / "audit.jsonl").read_text(encoding="utf-8").splitlines()
    assert json.loads(trail[-2])["signed"] == "M."


def test_trials_stand_in_the_order_in_which_to_run_them(client):
    page = client.get("/?line=deck-1&trials=5&min_grade=98.5").text
    plan = client.post(
        "/v1/plans", json={"line": "deck-1", "trials": {"count": 5}, "goal": {"min_grade": 0.985}}
    ).json()
    by_order = sorted(plan["recommendations"], key=lambda trial: trial["order"])
    assert [trial["rank"] for trial in by_order] != [1, 2, 3, 4, 5]  # otherwise nothing is tested
    assert re.findall(r"<h2 id=\"trial-\d+\">([^<]*)</h2>", page) == [
        "Trial 1", "Trial 2", "Trial 3", "Trial 4", "Trial 5"
    ]  # fmt: skip
    assert re.findall(r"rank (\d) of 5", page) == [str(trial["rank"]) for trial in by_order]


def test_only_typed_values_are_stored_as_the_material(client, options):
    client.post("/v1/runs", json=[row(20, moisture=11.5, material="washed", air=50)])
    page = client.get("/?line=deck-1&trials=2&m.moisture=11.2").text
    plan = client.post("/v1/plans", json={"line": "deck-1"}).json()
    assert (plan["material"]["moisture"], plan["material"]["material"]) == (11.5, "washed")
    form = page.partition('action="/record"')[2]
    for name, text in [("m.moisture", "Planned with 11.2"), ("m.material", "Planned with washed")]:
        described = re.search(f'<input name="{name}" [^>]*aria-describedby="([^"]*)"', form)[1]
        assert re.search(f'<p class="hint" id="{described}">(.*?)</p>', page)[1] == text
    assert not re.search('<input name="m.[^>]*value=', page.partition("Trials to run next")[2])
    (first,) = forms(page)
    second = {**first, "nonce": "0f"}
    assert not [name for name in first if name.startswith("m.")]
    result = {"grade": "98.7", "recovery": "93.1"}
    client.post("/record", data={**first, **result})
    client.post("/record", data={**second, **result, "m.material": "dry", "m.feed_grade": "93 %"})
    runs = {run["run_id"]: run for run in History(options.history).at().runs().to_pylist()}
    kept = [
        tuple(runs[f"deck-1-{form['nonce']}"][name] for name in ("moisture", "material"))
        for form in (first, second)
    ]
    assert kept == [(None, None), (None, "dry")]
    assert runs[f"deck-1-{second['nonce']}"]["feed_grade"] == 0.93


def test_a_second_line_can_be_added(client, options):
    asked = client.get("/?line=deck-1&new_line=deck-2&trials=1")
    assert asked.status_code == 200
    assert "<h1>Today on deck-2 (new)</h1>" in asked.text
    form = issue_form(asked.text)
    assert "new_line" not in form["again"]
    shown = client.post("/batches/issue", data=form)
    assert shown.status_code == 200
    sent = {**trial_form(shown.text, "deck-2-1.1"), "grade": "98.7", "recovery": "93.1"}
    done = client.post("/batches/result", data=sent)
    assert done.status_code == 200
    assert History(options.history).at().lines == ("deck-1", "deck-2")
    assert "<h1>Today on deck-2</h1>" in done.text
    assert 'href="/?choose=deck-1"' in done.text
    refused = client.get("/?line=&new_line=")
    assert refused.status_code == 422
    assert "no line is named" in refused.text


@pytest.mark.parametrize(
    ("typed", "stored"),
    [
        ("2026-03-02 06:30", "2026-03-02T06:30:00+00:00"),  # without a zone: UTC, as the page says
        ("2026-03-02T06:30+02:00", "2026-03-02T04:30:00+00:00"),
        ("2 March 2026 4:30 PM", "2026-03-02T16:30:00+00:00"),
    ],
)
def test_the_start_time_of_a_run_can_be_typed(client, options, typed, stored):
    page = client.get("/?line=deck-1&trials=1").text
    assert "A time without an offset is read by the same clock" in page
    form = forms(page)[0]
    client.post("/record", data={**form, "grade": "98", "recovery": "93", "started_at": typed})
    assert started(options, form) == datetime.fromisoformat(stored)


@pytest.mark.parametrize(
    ("typed", "stored"),
    [("2026-03-02 06:30", "2026-03-01 21:30"), ("6:30 am", "21:30"), ("06:30Z", "06:30")],
)
def test_a_typed_time_is_read_by_the_clock_of_the_plant(
    client, options, typed, stored, monkeypatch
):
    evening = datetime(2026, 3, 2, 14, tzinfo=UTC)  # in Tokyo; no typed time is after it
    monkeypatch.setattr("optimizer.service.pages.shared.forms.utc_now", lambda: evening)
    stopped = partial(History, clock=lambda: evening)
    monkeypatch.setattr("optimizer.service.http.app.History", stopped)
    site = Path(options.site)
    site.write_text(f'[site]\ntime_zone = "Asia/Tokyo"\n{site.read_text()}')
    with client_of(options) as there:
        page = there.get("/?line=deck-1&trials=1").text
        assert re.search(r", now \d{4}-\d\d-\d\d \d\d:\d\d Asia/Tokyo\.", page)
        assert "A time without an offset is read by the same clock" in page
        form = forms(page)[0]
        sent = {**form, "grade": "98", "recovery": "93", "started_at": typed}
        assert there.post("/record", data=sent).status_code == 200
        assert f"{started(options, form):%Y-%m-%d %H:%M}".endswith(stored)
        assert "Days are those of Asia/Tokyo." in there.get("/runs").text


def test_a_run_without_a_typed_time_started_now(client, options):
    form = forms(client.get("/?line=deck-1&trials=1").text)[0]
    before = datetime.now(UTC).replace(microsecond=0)
    client.post("/record", data={**form, "grade": "98", "recovery": "93", "started_at": " "})
    assert before <= started(options, form) <= datetime.now(UTC)


@pytest.mark.parametrize("typed", ["03/04/2026", "yesterday", "25:30"])
def test_an_invalid_time_is_refused(client, options, typed):
    form = forms(client.get("/?line=deck-1&trials=1").text)[0]
    sent = {**form, "grade": "98", "recovery": "93", "started_at": typed}
    refused = client.post("/record", data=sent)
    assert refused.status_code == 422
    assert "write year-month-day and the time" in refused.text.lower()
    assert History(options.history).at().runs().num_rows == 8


def started(options, form) -> datetime:
    runs = History(options.history).at().runs().to_pylist()
    (found,) = (run for run in runs if run["run_id"] == f"{form['line']}-{form['nonce']}")
    return found["started_at"]


def test_a_form_of_another_page_is_refused(client, options):
    form = forms(client.get("/?line=deck-1&trials=1").text)[0]
    sent = {**form, "grade": "98.7", "recovery": "93", "form_token": "0" * 64}
    refused = client.post("/record", data=sent)
    assert refused.status_code == 403
    assert "not come from a page given to this browser" in refused.text
    client.cookies.clear()  # another browser, the right token
    assert client.post("/record", data={**sent, **form}).status_code == 403
    assert History(options.history).at().runs().num_rows == 8


def test_errors_are_shown_on_a_page(client):
    form = forms(client.get("/?line=deck-1&trials=1").text)[0]
    refused = client.post("/record", data={**form, "grade": "0.987", "recovery": "93"})
    assert refused.status_code == 422
    assert "write per cent" in refused.text
    refused = client.get("/?line=deck-1&m.moisture=wet")
    assert refused.status_code == 422
    assert "Moisture: &#39;wet&#39; is not a number" in refused.text


def test_text_from_outside_is_escaped_on_the_page(client):
    attack = "<script>alert(1)</script>\"'=1+1"
    client.post("/v1/runs", json=[row(50, grade=attack, note=attack), row(51, line=attack)])
    for address in ("/runs", "/rejected"):
        page = client.get(address).text
        assert "<script>alert" not in page
        assert "&lt;script&gt;alert" in page
    assert "<script>alert" not in client.get(f"/?line={attack}&trials=1").text


def test_a_page_runs_only_its_own_script(client):
    page = client.get("/?line=deck-1&trials=1")
    policy = page.headers["content-security-policy"]
    assert "script-src 'self'" in policy
    assert "unsafe" not in policy
    assert re.findall(r"<script[^>]*>", page.text) == [
        '<script src="/static/page.js" defer>', '<script src="/static/keep.js" defer>'
    ]  # fmt: skip
    assert " style=" not in page.text
    assert not re.search(r"\son\w+=", page.text)
    cookie = page.headers.get("set-cookie", "")
    assert not cookie or ("HttpOnly" in cookie and "SameSite=Strict" in cookie)


def test_rejected_rows_are_shown_until_corrected(client):
    client.post("/v1/runs", json=[row(60), row(61, grade=97.2)])
    page = client.get("/runs").text
    assert "1 rejected row<" in page
    assert "per cent" in client.get("/rejected").text
    rejected = pd.read_csv(io.BytesIO(client.get("/rejected.csv").content), dtype=str)
    mended = rejected.assign(grade="0.972").to_csv(index=False).encode()
    done = press(client, send(client, mended, "x.csv"), "load")
    assert "<b>1 added</b>" in done.text
    assert "0 rejected rows" in client.get("/runs").text
    assert "0 rejected rows" in client.get("/rejected").text


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
        assert "Add a log" not in page.text  # a reader sees no upload
        token = re.search(r'name="form_token" value="([0-9a-f]+)"', page.text)[1]
        refused = client.post("/upload", data={"form_token": token}, files={"file": b"a"})
        assert refused.status_code == 403
        client.post("/sign-out", data={"form_token": token})
        assert client.get("/runs").status_code == 401
        client.post("/sign-in", data={"token": RECORD})
        assert "Add a log" in client.get("/runs").text


def test_the_number_of_token_guesses_is_limited(options, clock):
    with client_of(options, TOKENS) as client:
        answers = [client.post("/sign-in", data={"token": f"guess-{k}"}) for k in range(12)]
        assert answers[9].status_code == 403
        problem(answers[10], 429, "too-many-requests")


def test_cookies_require_tls_where_the_service_has_tls(options):
    from dataclasses import replace

    with client_of(replace(options, secure=True), TOKENS) as client:
        done = client.post("/sign-in", data={"token": READ}, follow_redirects=False)
        assert done.headers["set-cookie"].startswith(f"__Host-{SESSION}=")
        assert "; Secure" in done.headers["set-cookie"]
        assert done.headers["strict-transport-security"].startswith("max-age=63072000")


def test_lines_are_compared_on_a_page(client):
    page = client.get("/lines?min_grade=98")
    assert page.status_code == 200
    assert "Lines compared" in page.text


# ------------------------------------------------------------------ what is hard to believe


def test_a_hard_to_believe_result_is_asked_about_beside_its_field(client, options):
    (form,) = forms(client.get("/?line=deck-1&trials=1").text)
    sent = {**form, "grade": "82.5", "recovery": "93,1", "m.feed_grade": "93 %", "name": "M.",
            "note": 'wet "lot"', "deck_state": "even"}  # fmt: skip
    before = History(options.history).at().runs().num_rows
    asked = client.post("/record", data=sent, follow_redirects=False)
    assert asked.status_code == 422
    assert History(options.history).at().runs().num_rows == before
    field = re.search(r'<label>Grade, %<input name="grade"(.*?)</div>', asked.text, re.S)[1]
    described = re.search('aria-invalid="true" aria-describedby="([^"]*)"', field)[1]
    assert f'<p class="fault" id="{described}">grade 82.5 % is below the feed grade 93 %' in field
    assert "the product would be dirtier than its feed" in field
    assert asked.text.count("dirtier than its feed") == 1
    for name in ("grade", "recovery", "m.feed_grade", "name", "note"):  # what was typed is kept
        value = re.search(rf'<input name="{re.escape(name)}"[^>]* value="([^"]*)"', asked.text)[1]
        assert html.unescape(value) == sent[name]
    assert '<input type="checkbox" name="sure" value="yes">' in asked.text
    (again,) = forms(asked.text)
    assert again == form  # settings, nonce and the way back are those of the trial
    typed = {name: sent[name] for name in sent if name not in form}
    assert client.post("/record", data={**again, **typed}).status_code == 422  # no second word
    done = client.post("/record", data={**again, **typed, "sure": "yes"}, follow_redirects=False)
    assert done.status_code == 303
    runs = History(options.history).at().runs().to_pylist()
    assert len(runs) == before + 1
    new = next(run for run in runs if run["run_id"] == f"deck-1-{form['nonce']}")
    assert (new["grade"], new["note"]) == (0.825, 'wet "lot"')


def test_uploads_and_the_api_store_and_ask(client, options):
    rows = [row(30, grade=0.9, feed_grade=0.95), row(31, grade=0.98, feed_grade=0.95)]
    answer = client.post("/v1/runs", json=rows).json()
    assert answer["added"] == 2
    (question,) = answer["questions"]
    assert (question["row"], question["run_id"], question["field"]) == (1, "r30", "grade")
    log = pd.DataFrame([row(40, grade=0.85, feed_grade=0.95)]).to_csv(index=False).encode()
    page = press(client, send(client, log, "a.csv"), "load")
    assert "1 added" in page.text
    assert "Hard to believe: 1" in page.text
    assert "row 2, grade: grade 85 % is below the feed grade 95 %" in page.text
