"""The page of versions: what each did and who did it; going back to one of them."""

from __future__ import annotations

import html
import json
import re

import pytest
from deltalake import DeltaTable

from optimizer import History
from optimizer.service.pages.history import versions
from tests.service.test_hostile import unreadable
from tests.service.test_page import fields
from tests.service.test_run_page import said
from tests.service.test_service import READ, RECORD, TOKENS, client_of, options, problem, row

__all__ = ["options"]  # a fixture

HTML = {"Accept": "text/html"}
BEARER = {"Authorization": f"Bearer {RECORD}"}
pytestmark = pytest.mark.usefixtures("small_plans")


@pytest.fixture
def client(options):
    with client_of(options, **HTML) as made:
        made.post("/v1/runs", json=[row(k) for k in range(4)])
        yield made


def entries(page: str) -> dict[int, str]:
    """What the page says of each version."""
    found = re.findall(r'<th scope="row" class="number">(\d+)</th>(.*?)</tr>', page, re.S)
    return {int(number): said(text) for number, text in found}


def restore_form(page: str) -> dict[str, str]:
    (form,) = re.findall(
        r'<form method="post" action="/versions/\d+/restore"[^>]*>(.*?)</form>', page, re.S
    )
    return fields(form)


def ids(options) -> list[str]:
    return sorted(History(options.history).at().runs()["run_id"].to_pylist())


def test_each_version_says_what_it_did_when_and_who_did_it(options):
    with client_of(options, TOKENS, **HTML, **BEARER) as client:
        client.post("/v1/runs", json=[row(k, line=f"deck-{1 + k % 2}") for k in range(5)])
        batch = client.post("/v1/batches", json={"line": "deck-1", "trials": {"count": 2}}).json()
        trials = f"/v1/batches/{batch['batch']}/trials"
        client.post(f"{trials}/1/result", json={"grade": 0.98, "recovery": 0.9})
        client.patch(f"{trials}/2", json={"state": "running"})
        client.patch(f"{trials}/2", json={"state": "skipped", "reason": "the {lot} ran out"})
        client.patch("/v1/runs/r1", json={"air": 31, "reason": "typo <1>"})
        client.delete("/v1/runs/r3", params={"reason": "mixed up"})
        client.patch("/v1/runs/r3", json={"withdrawn": False, "reason": "it was right"})
        client.patch("/v1/batches/deck-1-1", json={"closed": True})
        page = client.get("/versions").text
    found = entries(page)
    deeds = [
        "5 runs added (3 of deck-1, 2 of deck-2), from rows (5) Units and meanings",
        "Batch deck-1-1 issued",
        "Run deck-1-1.1 of deck-1 added",
        "Trial deck-1-1.2 started",
        "Trial deck-1-1.2 skipped: the {lot} ran out",
        "Run r1 of deck-2 corrected: typo <1>",
        "Run r3 of deck-2 withdrawn: mixed up",
        "Run r3 of deck-2 reinstated: it was right",
    ]
    for version, deed in enumerate(deeds):
        assert found[version].startswith(deed)
        assert re.search(r"\d{4}-\d\d-\d\d \d\d:\d\d UTC, by mill ", found[version])
    assert "typo &lt;1&gt;" in page
    assert list(found) == sorted(found, reverse=True)
    assert "Runs now" in found[History(options.history).version]
    assert 'href="/runs?as_of=3"' in page


def test_merges_other_programs_and_unknown_people_are_told_as_such(client, options, monkeypatch):
    monkeypatch.setattr("optimizer.history.storage.table.MOST_SMALL_FILES", 2)
    for k in (10, 11):
        client.post("/v1/runs", json=[row(k)])
    found = entries(client.get("/versions").text)
    assert found[3].startswith("Small files merged; no run changed")
    assert "by" not in found[3]
    assert re.match(r"Run r11 of deck-1 added \S+ \S+ UTC, by local", found[2])
    DeltaTable(options.history).alter.set_table_properties({"delta.appendOnly": "false"})
    (options.folder / "audit.jsonl").write_bytes(b'{"half a line')
    found = entries(client.get("/versions").text)
    assert found[4].startswith("Written by another program (SET TBLPROPERTIES)")
    assert found[2].startswith("Run r11 of deck-1 added")
    assert "by" not in found[2]


def test_versions_stand_in_pages(client, monkeypatch):
    monkeypatch.setattr(versions, "SHOWN", 2)
    for k in range(10, 13):
        client.post("/v1/runs", json=[row(k)])
    first = client.get("/versions").text
    assert list(entries(first)) == [3, 2]
    (older,) = re.findall('href="(/versions[?]until=[^"]*)"', first)
    second = client.get(older).text
    assert list(entries(second)) == [1, 0]
    assert "until=" not in second
    assert list(entries(client.get("/versions?until=99").text)) == [3, 2]
    refused = client.get("/versions?until=x")
    assert refused.status_code == 422
    assert "not a whole number" in refused.text


def test_many_events_of_a_version_are_counted(client, monkeypatch):
    monkeypatch.setattr(versions, "NAMED", 2)
    from datetime import UTC, datetime

    from optimizer.history.storage.event_log import Event

    at = datetime(2026, 3, 2, tzinfo=UTC)
    about = {"run_id": "r1", "line": "a", "reason": "x"}
    told = [Event("corrected", at, None, about)] * 5 + [Event("unheard of", at, None, {})]
    assert versions._events_told(told) == [
        *["Run r1 of a corrected: x"] * 2, "and 3 corrections", "and 1 unheard of"
    ]  # fmt: skip
    assert versions._sentence(Event("skipped", at, None, {"trial": "a-1.1"})) == "skipped"


def test_a_version_is_restored_after_it_was_said_what_would_change(client, options):
    client.post("/v1/runs", json=[row(10), row(11)])
    client.delete("/v1/runs/r2", params={"reason": "mixed up"})
    client.patch("/v1/runs/r1", json={"air": 31, "reason": "typo"})
    batch = client.post("/v1/batches", json={"line": "deck-1", "trials": {"count": 1}})
    assert batch.status_code == 201
    page = client.get("/versions/0/restore").text
    text = said(page)
    assert "2 runs would no longer be there: r10 of deck-1, r11 of deck-1." in text
    assert "1 run would be there again: r2 of deck-1." in text
    assert "1 run would have former values again: r1 of deck-1." in text
    assert "1 batch would no longer be there: deck-1-1." in text
    assert "Would no longer count: 1 correction, 1 issued batch, 1 withdrawal." in text
    form = restore_form(page)
    sent = {**form, "reason": "a wrong file", "name": "Ana"}
    done = client.post("/versions/0/restore", data=sent, follow_redirects=False)
    assert (done.status_code, done.headers["location"]) == (303, "/versions")
    assert ids(options) == ["r0", "r1", "r2", "r3"]
    assert client.get("/v1/history").json()["version"] == 5
    assert re.match(
        r"Version 0 restored: a wrong file .*by Ana", entries(client.get("/versions").text)[5]
    )
    trail = (options.folder / "audit.jsonl").read_text("utf-8").splitlines()
    entry = json.loads(trail[-1])
    kept = ("did", "who", "signed", "restored", "version", "reason")
    assert [entry[name] for name in kept] == ["restore", "local", "Ana", 0, 5, "a wrong file"]
    assert "r10" in client.get("/runs?as_of=4").text  # no version is lost
    assert "4 runs" in client.get("/runs").text
    again = client.get("/versions/4/restore").text
    client.post("/versions/4/restore", data={**restore_form(again), "reason": "it was right"})
    assert ids(options) == ["r0", "r1", "r10", "r11", "r3"]


def test_a_restore_that_others_overtake_is_asked_about_again(client, options):
    client.post("/v1/runs", json=[row(10)])
    form = {**restore_form(client.get("/versions/0/restore").text), "reason": "x", "name": "Ana"}
    client.post("/v1/runs", json=[row(11)])
    refused = client.post("/versions/0/restore", data=form)
    assert refused.status_code == 409
    assert "the history has changed since you opened this page" in refused.text
    assert "2 runs would no longer be there: r10 of deck-1, r11 of deck-1." in said(refused.text)
    again = restore_form(refused.text)
    assert (again["reason"], again["name"]) == ("x", "Ana")
    assert "r11" in ids(options)
    client.post("/versions/0/restore", data=again)
    assert ids(options) == ["r0", "r1", "r2", "r3"]


@pytest.mark.parametrize("reason", ["", "  ", "x" * 2001])
def test_a_restore_needs_a_reason(client, options, reason):
    client.post("/v1/runs", json=[row(10)])
    form = restore_form(client.get("/versions/0/restore").text)
    refused = client.post("/versions/0/restore", data={**form, "reason": reason, "name": "Ana"})
    assert refused.status_code == 422
    (fault,) = re.findall('<p class="fault" id="fault-reason">(.*?)</p>', refused.text)
    assert fault == "Say why, in at most 2000 characters."
    assert restore_form(refused.text)["name"] == "Ana"
    assert "r10" in ids(options)


@pytest.mark.parametrize(
    ("version", "told"),
    [
        ("0", "version 0 is the current one"),
        ("7", "version 7 does not exist"),
        ("x", "whole number"),
    ],
)
def test_other_versions_are_refused(client, version, told):
    refused = client.get(f"/versions/{version}/restore")
    assert refused.status_code == 422
    assert told in html.unescape(refused.text)


def test_equal_versions_say_that_nothing_would_change(client, monkeypatch):
    monkeypatch.setattr("optimizer.history.storage.table.MOST_SMALL_FILES", 2)
    for k in (10, 11):
        client.post("/v1/runs", json=[row(k)])
    page = client.get("/versions/2/restore").text  # version 3 only merged its files
    assert "Nothing: both versions hold the same runs and batches." in page


def test_only_recorders_restore(options):
    with client_of(options, TOKENS, **HTML) as client:
        for k in range(2):
            client.post("/v1/runs", json=[row(k)], headers=BEARER)
        client.post("/sign-in", data={"token": READ})
        page = client.get("/versions").text
        assert "Run r1 of deck-1 added" in said(page)
        assert "/restore" not in page
        problem(client.get("/versions/0/restore", headers={"Accept": "*/*"}), 403, "read-only")
        token = re.search(r'name="form_token" value="([0-9a-f]+)"', page)[1]
        sent = {"form_token": token, "latest": "1", "reason": "x"}
        refused = client.post("/versions/0/restore", data=sent, headers={"Accept": "*/*"})
        problem(refused, 403, "read-only")
        client.post("/sign-in", data={"token": RECORD})
        page = client.get("/versions/0/restore").text
        form = restore_form(page)
        assert "name" not in form
        forged = client.post("/versions/0/restore", data={**form, "form_token": "0" * 64})
        assert forged.status_code == 403
        client.post("/versions/0/restore", data={**form, "reason": "x"})
        assert ids(options) == ["r0"]
        assert "by mill" in entries(client.get("/versions").text)[2]


def test_every_page_of_the_history_is_valid_html(client):
    for k in range(3):
        client.patch("/v1/runs/r1", json={"air": 31 + k, "reason": "typo"})
    client.delete("/v1/runs/r2", params={"reason": "mixed up"})
    client.post("/v1/runs", json=[row(1, line="deck-2"), row(9, grade=97)])
    paths = [
        "/runs", "/runs?text=r&withdrawn=also&sort=air", "/runs?since=x&state=y", "/runs?as_of=0",
        "/runs/r1?line=deck-1", "/runs/r2", "/runs/r1", "/changes", "/changes?run=r1", "/versions",
        "/versions/0/restore", "/rejected",
    ]  # fmt: skip
    for path in paths:
        page = client.get(path)
        assert page.status_code in (200, 422), path
        assert unreadable(page) is None, path
