"""Forms that are open while the service restarts, the session ends or somebody else is first:
nothing that was typed is lost."""

from __future__ import annotations

import html
import os
import re
import stat
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import httpx2
import pytest

from optimizer import Brief, History, Site
from optimizer.errors import HistoryError
from optimizer.operations.batches import batch
from optimizer.operations.issuing import issue
from optimizer.service.admission.access import SESSION
from optimizer.service.admission.form_key import NAME, stored_form_key
from optimizer.service.admission.sent_forms import readable_fields
from optimizer.service.pages.shared.sent_again import sent_of
from tests.service.test_batches import BRIEF, quick, runs
from tests.service.test_page import HTML, fields, trial_form
from tests.service.test_service import READ, RECORD, TOKENS, client_of, options
from tests.serving import TOKEN, free_port, start

__all__ = ["options", "quick"]  # fixtures

RESULT = {"grade": "98.1", "recovery": "91", "deck_state": "even", "note": 'wet "lot" <1>'}


@pytest.fixture
def folder(options):
    """A folder with a history that has an issued batch, a-1."""
    with client_of(options) as client:
        client.post("/v1/runs", json=runs())
    issue(History(options.history), Site.read(options.site), Brief.from_dict(BRIEF))
    return options.folder.parent


def states(options) -> list[str]:
    found = batch(History(options.history), "a-1", Site.read(options.site))
    return [trial.issued.state for trial in found.trials]


def sent_again(page: str) -> tuple[str, dict[str, str]]:
    """Address and fields of the form that sends a refused form again."""
    address, form = re.search(r'<form class="today" method="post" action="([^"]*)">(.*?)</form>',
                              page, re.S).groups()  # fmt: skip
    return html.unescape(address), fields(form)


@pytest.mark.parametrize("token", [None, TOKEN], ids=["no token", "token"])
def test_a_form_that_was_open_before_a_kill_is_stored_after_the_restart(folder, options, token):
    port = free_port()
    process = start(folder, port, "--site", options.site, token=token)
    try:
        with httpx2.Client(
            base_url=f"http://127.0.0.1:{port}", headers=HTML, timeout=600
        ) as client:
            if token:
                client.post("/sign-in", data={"token": token})
            form = trial_form(client.get("/batches?batch=a-1").text, "a-1.1")
            process.kill()
            process.wait()
            process = start(folder, port, "--site", options.site, token=token)
            done = client.post("/batches/result", data={**form, **RESULT})
            assert done.status_code == 303, done.text
    finally:
        process.kill()
        process.wait()
    assert states(options) == ["done", "to run"]


# ------------------------------------------------------------------------------- the key


def test_the_key_is_drawn_once_and_only_its_owner_may_read_it(tmp_path):
    with ThreadPoolExecutor(8) as pool:
        found = set(pool.map(lambda _: stored_form_key(tmp_path / "state"), range(32)))
    (key,) = found
    assert re.fullmatch("[0-9a-f]{64}", key)
    path = tmp_path / "state" / NAME
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert os.listdir(tmp_path / "state") == [NAME]  # nothing half written is left
    assert stored_form_key(tmp_path / "other") != key


@pytest.mark.parametrize("damaged", [b"", b"abc", b"0" * 63, b"\xff" * 64])
def test_a_damaged_key_is_drawn_anew(tmp_path, damaged):
    (tmp_path / NAME).write_bytes(damaged)
    key = stored_form_key(tmp_path)
    assert re.fullmatch("[0-9a-f]{64}", key)
    assert stored_form_key(tmp_path) == key


def test_a_folder_that_cannot_hold_the_key_is_said(tmp_path):
    (tmp_path / "state").write_text("a file, not a folder")
    with pytest.raises(HistoryError, match=r"key that signs forms, '.*', cannot be kept"):
        stored_form_key(tmp_path / "state")


# ---------------------------------------------------------------- refused, and not lost


def test_a_form_with_an_old_signature_is_shown_again_as_it_was_typed(folder, options):
    with client_of(options, **HTML) as client:
        form = trial_form(client.get("/batches?batch=a-1").text, "a-1.1")
    with client_of(options, **HTML) as client:  # another browser, or the cookie has expired
        refused = client.post("/batches/result", data={**form, **RESULT})
        assert refused.status_code == 403
        assert states(options) == ["to run", "to run"]
        assert "does not come from a page given to this browser" in refused.text
        assert "look it over, and send it again" in refused.text
        again = trial_form(refused.text, "a-1.1")
        assert again["form_token"] != form["form_token"]
        assert {name: again[name] for name in RESULT if name != "deck_state"} == {
            name: text for name, text in RESULT.items() if name != "deck_state"
        }
        again["deck_state"] = "even"
        done = client.post("/batches/result", data=again, follow_redirects=False)
        assert done.status_code == 303
    assert states(options) == ["done", "to run"]


def test_who_was_signed_out_meanwhile_signs_in_and_sends_the_same_again(folder, options):
    with client_of(options, TOKENS, **HTML) as client:
        client.post("/sign-in", data={"token": RECORD})
        form = trial_form(client.get("/batches?batch=a-1").text, "a-1.1")
        client.cookies.delete(SESSION)
        refused = client.post("/batches/result?keep=0f", data={**form, **RESULT})
        assert refused.status_code == 401
        assert "You are signed out, so what you typed is not stored yet" in refused.text
        (kept,) = re.findall('name="kept" value="([^"]*)"', refused.text)
        kept = html.unescape(kept)
        assert form["form_token"] not in kept
        wrong = client.post("/sign-in", data={"token": "wrong", "kept": kept})
        assert wrong.status_code == 403
        assert kept in html.unescape(wrong.text)
        page = client.post("/sign-in", data={"token": RECORD, "kept": kept})
        assert page.status_code == 200
        assert "not stored yet" in page.text
        assert "<dt>grade</dt><dd>98.1</dd>" in page.text
        assert "wet &#34;lot&#34; &lt;1&gt;" in page.text
        assert states(options) == ["to run", "to run"]
        address, again = sent_again(page.text)
        assert address == "/batches/result?keep=0f"
        done = client.post(address, data=again, follow_redirects=False)
        assert done.status_code == 303
        assert "highside_stored_0f=1; Path=/" in done.headers["set-cookie"]
    assert states(options) == ["done", "to run"]


@pytest.mark.parametrize(
    "kept",
    ["", "x", "[]", "null", '{"address": "/a"}', '{"address": "//evil.example/", "fields": {}}',
     '{"address": "/v1/runs", "fields": {}}', '{"address": "/sign-in", "fields": {"a": "b"}}',
     '{"address": "https://evil.example/", "fields": {}}', '{"address": 1, "fields": {}}',
     '{"address": "/record", "fields": {"a": "b\\u0000"}}', '{"address": "/record", "fields": 1}'],
)  # fmt: skip
def test_only_forms_of_this_service_are_shown_after_signing_in(options, kept):
    assert sent_of(kept) is None
    with client_of(options, TOKENS, **HTML) as client:
        done = client.post("/sign-in", data={"token": RECORD, "kept": kept}, follow_redirects=False)
        assert (done.status_code, done.headers["location"]) == (303, "/")


def test_who_may_only_read_is_told_so_and_keeps_what_was_typed(folder, options):
    with client_of(options, TOKENS, **HTML) as client:
        client.post("/sign-in", data={"token": RECORD})
        form = trial_form(client.get("/batches?batch=a-1").text, "a-1.1")
        client.post("/sign-in", data={"token": READ})  # in another window
        refused = client.post("/batches/result", data={**form, **RESULT})
        assert refused.status_code == 403
        assert "this token may read, not record" in refused.text
        assert "<dt>recovery</dt><dd>91</dd>" in refused.text
        address, again = sent_again(refused.text)
        client.post("/sign-in", data={"token": RECORD})  # and back
        shown = client.post(address, data=again)
        assert shown.status_code == 403  # the session is another one by now
        final = {**trial_form(shown.text, "a-1.1"), "deck_state": "even"}
        assert client.post(address, data=final, follow_redirects=False).status_code == 303
    assert states(options) == ["done", "to run"]


def test_a_fault_and_a_full_history_show_what_was_typed(folder, options, monkeypatch):
    with client_of(options, **HTML) as client:
        form = trial_form(client.get("/batches?batch=a-1").text, "a-1.1")
        for error, status in [(HistoryError("the disk is full."), 503), (RuntimeError("x"), 500)]:

            def fails(*_, error=error):
                raise error

            with monkeypatch.context() as patch:
                patch.setattr("optimizer.service.recording.batch_recorder.add_result", fails)
                refused = client.post("/batches/result", data={**form, **RESULT})
            assert refused.status_code == status
            assert "<dt>note</dt><dd>wet &#34;lot&#34; &lt;1&gt;</dd>" in refused.text
        address, again = sent_again(refused.text)
        assert client.post(address, data=again, follow_redirects=False).status_code == 303
    assert states(options) == ["done", "to run"]


def test_what_another_site_sent_is_not_shown(folder, options):
    with client_of(options, **HTML) as client:
        form = trial_form(client.get("/batches?batch=a-1").text, "a-1.1")
        sent = {**form, **RESULT, "note": "from elsewhere"}
        refused = client.post(
            "/batches/result", data=sent, headers={"Sec-Fetch-Site": "cross-site"}
        )
        assert refused.status_code == 403
        assert "from elsewhere" not in refused.text
        assert "<form" not in refused.text


def test_a_body_that_is_too_large_is_refused_without_being_shown(options):
    with client_of(replace(options, body_bytes=1000), TOKENS, **HTML) as client:
        large = client.post("/record", data={"note": "x" * 2000})
        assert large.status_code == 401
        assert 'name="kept"' not in large.text
        small = client.post("/record", data={"note": "x" * 200})
        assert 'name="kept"' in small.text


def test_programs_get_problem_documents(folder, options):
    with client_of(options, TOKENS) as client:
        refused = client.post("/batches/result", data={"trial": "a-1.1", **RESULT})
        assert refused.status_code == 401
        assert refused.headers["content-type"] == "application/problem+json"
        assert "wet" not in refused.text


def test_characters_that_no_page_can_show_are_left_out_of_what_is_shown():
    body = b"grade=98&note=a%00b%FFc&%00=x&empty="
    assert readable_fields(body) == {"grade": "98", "note": "ab\ufffdc"}
    assert readable_fields(b"a=1&" * 500) == {}


# ------------------------------------------------------------------ the word that it is stored


@pytest.mark.parametrize("number", ["", "g", "0" * 33, "0;x", "%0aX: y"])
def test_only_a_number_is_confirmed(folder, options, number):
    with client_of(options, **HTML) as client:
        form = trial_form(client.get("/batches?batch=a-1").text, "a-1.1", "state")
        done = client.post(f"/batches/state?keep={number}", data=form, follow_redirects=False)
        assert done.status_code in (303, 422)  # an address with a control character is refused
        assert "highside_stored" not in done.headers.get("set-cookie", "")


def test_a_refused_form_is_not_confirmed(folder, options):
    with client_of(options, **HTML) as client:
        form = trial_form(client.get("/batches?batch=a-1").text, "a-1.1")
        refused = client.post("/batches/result?keep=0f", data={**form, "grade": "0.98"})
        assert refused.status_code == 422
        assert "highside_stored" not in refused.headers.get("set-cookie", "")
