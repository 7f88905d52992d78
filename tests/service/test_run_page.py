"""The page of one run: what it shows, and its forms, without JavaScript; the page of changes."""

from __future__ import annotations

import html
import json
import re
from urllib.parse import quote

import pytest

from optimizer import History, Site
from optimizer.history.changes import changes_of
from optimizer.service.pages.history.columns import run_address
from tests.service.test_page import fields
from tests.service.test_service import READ, RECORD, TOKENS, client_of, options, problem, row

__all__ = ["options"]  # a fixture

HTML = {"Accept": "text/html"}
pytestmark = pytest.mark.usefixtures("small_plans")


@pytest.fixture
def client(options):
    with client_of(options, **HTML) as made:
        made.post("/v1/runs", json=[row(k, moisture=11, note=f"lot {k}") for k in range(6)])
        yield made


def said(page: str) -> str:
    """The text of a page without tags."""
    text = " ".join(html.unescape(re.sub("<[^>]*>", " ", page)).split())
    return re.sub(r" (?=[.,)])|(?<=[(]) ", "", text)


def form(page: str, deed: str) -> dict[str, str]:
    """The fields of the form of a deed, as a browser would send them."""
    for each in re.findall(
        r'<form method="post" action="/runs[^"]*"[^>]*>(.*?)</form>', page, re.S
    ):
        found = fields(each)
        if found.get("deed") == deed:
            chosen = re.search(r'<select name="v.deck_state".*?</select>', each, re.S)
            if chosen is not None:
                state = re.search(r'<option value="([^"]*)" selected>', chosen[0])
                found["v.deck_state"] = state[1] if state else ""
            return found
    raise AssertionError(f"there is no form to {deed} the run")


def fault(page: str, deed: str, field: str) -> str:
    """What stands beside a field of a form."""
    (found,) = re.findall(rf'id="fault-{deed}-{re.escape(field)}">(.*?)</p>', page, re.S)
    assert f'aria-invalid="true" aria-describedby="fault-{deed}-{field}"' in page
    return html.unescape(found)


def stored(options) -> dict[str, dict]:
    return {run["run_id"]: run for run in History(options.history).at().runs().to_pylist()}


def told(options) -> list[dict]:
    found = changes_of(History(options.history).at(), Site.read(options.site))
    return found.as_dict()["changes"]


def test_every_column_is_shown_with_its_unit_and_meaning(client, options):
    page = client.get("/runs/r3?line=deck-1").text
    cells = {
        html.unescape(a): html.unescape(b)
        for a, b in re.findall(r'<th scope="row">([^<]*) <span.*?</th><td>([^<]*)</td>', page)
    }
    run = stored(options)["r3"]
    assert len(cells) == len(run)
    assert cells["Started"] == "2026-03-02 06:03:00+00:00"
    assert (cells["Feed rate"], cells["Air"], cells["Moisture"]) == ("2 t/h", "37 turn", "11 %")
    assert (cells["Grade"], cells["Recovery"], cells["Error of grade"]) == ("98.7 %", "93.1 %", "–")
    assert "share of the wanted material of the feed that went to the product" in page
    assert "Loaded from rows, row 4; it came with version 0." in said(page)
    assert "It is as it was loaded." in page


def test_the_version_with_which_a_run_came_is_found(client, options):
    for k in range(20, 29):
        client.post("/v1/runs", json=[row(k)])
    client.delete("/v1/runs/r24", params={"reason": "x"})
    for k in range(20, 29):
        assert f"it came with version {k - 19}." in said(client.get(f"/runs/r{k}?line=deck-1").text)


def test_a_trial_is_compared_with_what_was_expected(client):
    batch = client.post("/v1/batches", json={"line": "deck-1", "trials": {"count": 2}}).json()
    assert "Trial of batch" not in client.get("/runs/r1?line=deck-1").text
    client.post(
        f"/v1/batches/{batch['batch']}/trials/1/result", json={"grade": 0.9, "recovery": 0.8}
    )
    trial = client.get(f"/v1/batches/{batch['batch']}").json()["trials"][0]
    page = client.get(f"/runs/{trial['trial']}?line=deck-1").text
    assert "Trial of batch deck-1-1" in said(page)
    for name, measured in (("grade", "90.0"), ("recovery", "80.0")):
        (cells,) = re.findall(
            rf'<tr><th scope="row">{name.capitalize()}, %</th>(.*?)</tr>', page, re.S
        )
        ends = trial["expected"][name]
        low, high = (f"{100 * ends[end]:.1f}" for end in ("low", "high"))
        z = f"{trial['surprise'][name]:.1f}".replace("-", "−")
        assert said(cells).startswith(f"{100 * ends['mean']:.1f} ({low} to {high}) {measured}")
        assert f"({z})" in said(cells)


# -- correct -------------------------------------------------------------------------------


def test_a_correction_changes_only_what_was_typed(client, options):
    page = client.get("/runs/r1?line=deck-1").text
    sent = form(page, "correct")
    assert (sent["v.grade"], sent["v.air"], sent["v.note"]) == ("98.7", "37", "lot 1")
    before = stored(options)["r1"]
    typed = {"v.grade": "98,2 %", "v.air": "33", "v.note": "lot 2 <b>", "v.deck_state": "even",
             "v.started_at": "2026-03-02 09:30+02:00", "v.grade_count": "400", "v.moisture": "",
             "v.grade_se": "0.4", "reason": "digits exchanged", "name": "Ana"}  # fmt: skip
    done = client.post("/runs/r1?line=deck-1", data={**sent, **typed}, follow_redirects=False)
    assert (done.status_code, done.headers["location"]) == (303, "/runs/r1?line=deck-1")
    after = stored(options)["r1"]
    new = {"grade": 0.982, "air": 33.0, "note": "lot 2 <b>", "deck_state": "even",
           "grade_count": 400, "moisture": None, "grade_se": 0.004}  # fmt: skip
    assert {name: after[name] for name in new} == new
    assert f"{after['started_at']:%Y-%m-%d %H:%M}" == "2026-03-02 07:30"
    same = set(before) - set(new) - {"started_at"}
    assert {name: after[name] for name in same} == {name: before[name] for name in same}
    (change,) = told(options)
    assert (change["by"], change["reason"]) == ("Ana", "digits exchanged")
    page = client.get("/runs/r1?line=deck-1").text
    text = said(page)
    assert "corrected" in text
    assert "by Ana, version 1 Reason: digits exchanged" in text
    assert "Grade, % 98.7 98.2" in text
    assert "Moisture, % 11 –" in text
    assert "Error of grade, % – 0.4" in text
    assert "lot 2 &lt;b&gt;" in page
    trail = (options.folder / "audit.jsonl").read_text("utf-8").splitlines()
    entry = json.loads(trail[-1])
    assert (entry["did"], entry["signed"], entry["run_id"]) == ("corrected", "Ana", "r1")


def test_a_share_of_many_digits_is_left_alone(client, options):
    client.post("/v1/runs", json=[row(30, grade=0.98765432101234, recovery=0.9 / 0.99)])
    before = stored(options)["r30"]
    sent = form(client.get("/runs/r30?line=deck-1").text, "correct")
    client.post("/runs/r30?line=deck-1", data={**sent, "v.note": "x", "reason": "y"})
    after = stored(options)["r30"]
    assert (after["grade"], after["recovery"]) == (before["grade"], before["recovery"])
    assert list(told(options)[0]["after"]) == ["note"]


@pytest.mark.parametrize(
    ("field", "typed", "told_"),
    [
        ("v.grade", "0.982", "write per cent"),
        ("v.grade", "ninety", "is not a number"),
        ("v.grade", "140", "cannot be"),
        ("v.air", "900", "900"),  # found by the checks of a load
        ("v.air", "", "missing"),
        ("v.grade_count", "2.5", "not a whole number"),
        ("v.started_at", "yesterday", "yesterday"),
        ("v.started_at", "2099-01-01 00:00Z", "ahead of the clock"),
        ("v.moisture", "wet", "is not a number"),
        ("v.deck_state", "upside down", "upside down"),
        ("v.grade_recovery_correlation", "1.5", "1.5"),
        ("reason", "  ", "Say why."),
        ("reason", "x" * 2001, "at most 2000"),
    ],
)
def test_a_refused_correction_keeps_what_was_typed_with_the_fault_at_its_field(
    client, options, field, typed, told_
):
    sent = form(client.get("/runs/r1?line=deck-1").text, "correct")
    good = {"v.recovery": "91,5", "v.note": 'a "quoted" lot', "reason": "typo", "name": "Ana"}
    sent |= {**good, field: typed}
    refused = client.post("/runs/r1?line=deck-1", data=sent)
    assert refused.status_code == 422
    assert told_ in fault(refused.text, "correct", field)
    again = form(refused.text, "correct")
    kept = {name: text for name, text in sent.items() if name != "v.deck_state"}
    assert {name: again[name] for name in kept} == kept
    assert not told(options)
    mended = {**again, field: {"v.air": "36", "reason": "typo"}.get(field, ""), "v.grade": "98"}
    done = client.post("/runs/r1?line=deck-1", data=mended, follow_redirects=False)
    assert done.status_code == 303, said(done.text)


def test_two_faults_stand_at_their_own_fields(client):
    sent = form(client.get("/runs/r1?line=deck-1").text, "correct")
    sent |= {"v.air": "900", "v.recovery": "0.91", "v.grade_count": "x", "reason": ""}
    refused = client.post("/runs/r1?line=deck-1", data=sent).text
    assert "write per cent" in fault(refused, "correct", "v.recovery")
    assert "whole number" in fault(refused, "correct", "v.grade_count")
    assert "Say why" in fault(refused, "correct", "reason")
    sent |= {"v.recovery": "91", "v.grade_count": "", "v.side_tilt": "", "reason": "x"}
    refused = client.post("/runs/r1?line=deck-1", data=sent).text
    assert "900" in fault(refused, "correct", "v.air")
    assert "missing" in fault(refused, "correct", "v.side_tilt")


def test_a_correction_that_changes_nothing_is_refused(client, options):
    sent = form(client.get("/runs/r1?line=deck-1").text, "correct")
    refused = client.post("/runs/r1?line=deck-1", data={**sent, "reason": "x"})
    assert refused.status_code == 409
    assert "Nothing would change" in refused.text
    assert not told(options)


def test_a_change_that_somebody_made_meanwhile_is_shown(client, options):
    sent = form(client.get("/runs/r1?line=deck-1").text, "correct")
    body = {"grade": "97%", "note": "theirs", "reason": "lab result"}
    client.patch("/v1/runs/r1", json=body)
    mine = {**sent, "v.note": "mine", "v.air": "35", "reason": "typo", "name": "Ana"}
    refused = client.post("/runs/r1?line=deck-1", data=mine)
    assert refused.status_code == 409
    text = said(refused.text)
    assert "this run was changed after you opened this page" in text
    assert "Reason: lab result" in text
    again = form(refused.text, "correct")
    assert again["v.grade"] == "97"  # nobody touched it here, so it is theirs
    assert (again["v.note"], again["v.air"], again["reason"]) == ("mine", "35", "typo")
    assert len(told(options)) == 1
    done = client.post("/runs/r1?line=deck-1", data=again, follow_redirects=False)
    assert done.status_code == 303
    run = stored(options)["r1"]
    assert (run["grade"], run["note"], run["air"]) == (0.97, "mine", 35.0)


def test_a_change_between_the_look_and_the_lock_is_found_too(client, options, monkeypatch):
    from optimizer.service.pages.history import one_run

    sent = form(client.get("/runs/r1?line=deck-1").text, "correct")
    made = one_run._made

    def late(parts, *arguments):
        from optimizer.operations.corrections import correct

        correct(parts.history, parts.site, "r1", {"air": 31}, reason="first")
        return made(parts, *arguments)

    monkeypatch.setattr(one_run, "_made", late)
    refused = client.post("/runs/r1?line=deck-1", data={**sent, "v.air": "35", "reason": "x"})
    assert refused.status_code == 409
    assert "this run was changed after you opened this page" in refused.text
    assert stored(options)["r1"]["air"] == 31.0


# -- withdraw and reinstate ----------------------------------------------------------------


def test_a_run_is_withdrawn_and_reinstated(client, options):
    sent = form(client.get("/runs/r2?line=deck-1").text, "withdraw")
    refused = client.post("/runs/r2?line=deck-1", data={**sent, "reason": " ", "name": "Ana"})
    assert refused.status_code == 422
    assert fault(refused.text, "withdraw", "reason") == "Say why."
    assert form(refused.text, "withdraw")["name"] == "Ana"
    client.post("/runs/r2?line=deck-1", data={**sent, "reason": "mixed up", "name": "Ana"})
    assert "r2" not in stored(options)
    page = client.get("/runs/r2?line=deck-1").text
    assert "withdrawn" in said(page)
    assert "No plan, report or export counts this run." in page
    assert 'value="correct"' not in page
    back = form(page, "reinstate")
    client.post("/runs/r2?line=deck-1", data={**back, "reason": "it was right", "name": "Ben"})
    assert "r2" in stored(options)
    page = client.get("/runs/r2?line=deck-1").text
    assert form(page, "withdraw")
    assert [(c["what"], c["by"], c["reason"]) for c in told(options)] == [
        ("withdrawn", "Ana", "mixed up"), ("reinstated", "Ben", "it was right")
    ]  # fmt: skip


def test_a_form_whose_run_is_gone_meanwhile_says_so_and_what_was_typed(client, options):
    sent = form(client.get("/runs/r2?line=deck-1").text, "correct")
    client.delete("/v1/runs/r2", params={"reason": "mixed up"})
    late = client.post("/runs/r2?line=deck-1", data={**sent, "v.air": "33", "reason": "typo"})
    assert late.status_code == 409
    text = said(late.text)
    assert "this run was changed after you opened this page" in text
    assert "What you typed was not stored: " in text
    assert "air 33" in text
    assert "reason typo" in text
    assert form(late.text, "reinstate")
    assert len(told(options)) == 1


def test_an_id_that_another_run_has_by_now_is_shown(client, options):
    client.delete("/v1/runs/r2", params={"reason": "mixed up"})
    page = client.get("/runs/r2?line=deck-1").text
    client.post("/v1/runs", json=[row(2, grade=0.9)])
    refused = client.post("/runs/r2?line=deck-1", data={**form(page, "reinstate"), "reason": "x"})
    assert refused.status_code == 409
    assert "by now that of another run" in said(refused.text)
    assert stored(options)["r2"]["grade"] == 0.9


# -- who, and which run ----------------------------------------------------------------------


ODD = [
    "2026/05/a b",
    "100%",
    "a?b=c&d#e",
    "..",
    ".",
    "日本",
    "\x1b[2J",
    "a//b/",
    "a/../b",
    '"><script>',
    "+",
]


@pytest.mark.parametrize("run_id", ODD)
def test_an_id_may_hold_any_character(client, options, run_id):
    client.post("/v1/runs", json=[row(9, run_id=run_id)])
    (address,) = (
        html.unescape(each)
        for each in re.findall(r'<td><a href="(/runs/[^"]*)">', client.get("/runs").text)
        if html.unescape(each) == run_address("deck-1", run_id)
    )
    # Browsers drop parts of a path that consist of dots, also of encoded ones (WHATWG URL
    # Standard, section 4.4, "path state"; from memory).
    assert not re.search(r"/(\.|%2e)+[/?]", address, re.IGNORECASE)
    page = client.get(address)
    assert page.status_code == 200
    assert "<script>" not in page.text.replace("<script src", "")
    sent = form(page.text, "correct")
    (action,) = {
        html.unescape(a) for a in re.findall('method="post" action="(/runs[^"]*)"', page.text)
    }
    assert action == address
    done = client.post(address, data={**sent, "v.air": "33", "reason": "x"}, follow_redirects=False)
    assert (done.status_code, done.headers["location"]) == (303, address)
    assert stored(options)[run_id]["air"] == 33.0


def test_an_id_on_several_lines_is_asked_about(client, options):
    client.post("/v1/runs", json=[row(1, line="deck / 2", grade=0.9)])
    page = client.get("/runs/r1").text
    assert "Several lines have a run with this id." in page
    assert "/runs/r1?line=deck-1" in page
    there = client.get("/runs/r1?line=deck+%2F+2").text
    assert "Run r1 of deck / 2" in there
    sent = {**form(there, "withdraw"), "reason": "x"}
    refused = client.post("/runs/r1", data=sent)
    assert refused.status_code == 422
    client.post("/runs/r1?line=deck+%2F+2", data=sent)
    assert [(c["line"], c["what"]) for c in told(options)] == [("deck / 2", "withdrawn")]


@pytest.mark.parametrize(
    ("path", "status", "told_"),
    [
        ("/runs/r77", 404, "there is no run 'r77'"),
        ("/runs/r1?line=deck-9", 404, "there is no run 'r1' on line 'deck-9'"),
        ("/runs/r1?as_of=77", 422, "has no version 77"),
        ("/runs/r1?as_of=x", 422, "not a whole number"),
        ("/runs/a%00b", 404, "there is no run"),
        ("/runs/", 404, "there is no run"),
    ],
)
def test_a_run_that_is_not_there_is_refused(client, path, status, told_):
    page = client.get(path)
    assert page.status_code == status
    assert told_ in html.unescape(page.text)


def test_an_earlier_version_of_a_run_is_read_only(client):
    client.patch("/v1/runs/r1", json={"grade": "97%", "reason": "x"})
    page = client.get("/runs/r1?line=deck-1&as_of=0").text
    assert "98.7 %" in page
    assert "97 %" not in page
    assert "in version 0 of the history, which cannot be changed" in page
    assert "<form" not in page
    assert "97 %" in client.get("/runs/r1?line=deck-1&as_of=1").text


def test_a_form_must_come_from_a_page_and_name_a_deed(client, options):
    sent = {**form(client.get("/runs/r1?line=deck-1").text, "withdraw"), "reason": "x"}
    refused = client.post("/runs/r1?line=deck-1", data={**sent, "form_token": "0" * 64})
    assert refused.status_code == 403
    assert "not come from a page given to this browser" in refused.text
    refused = client.post("/runs/r1?line=deck-1", data={**sent, "deed": "delete"})
    assert refused.status_code == 422
    assert "names nothing that can be done" in refused.text
    assert not told(options)


def test_a_token_says_who_and_one_that_reads_changes_nothing(options):
    with client_of(options, TOKENS, **HTML) as client:
        bearer = {"Authorization": f"Bearer {RECORD}"}
        client.post("/v1/runs", json=[row(1)], headers=bearer)
        client.post("/sign-in", data={"token": RECORD})
        page = client.get("/runs/r1?line=deck-1").text
        sent = {**form(page, "withdraw"), "reason": "x"}
        assert "name" not in sent  # the token says who it is
        client.post("/runs/r1?line=deck-1", data=sent)
        assert [c["by"] for c in told(options)] == ["mill"]
        client.post("/sign-in", data={"token": READ})
        page = client.get("/runs/r1?line=deck-1").text
        assert "Is something wrong?" not in page
        token = re.search(r'name="form_token" value="([0-9a-f]+)"', page)[1]
        sent |= {"form_token": token, "deed": "reinstate"}
        refused = client.post("/runs/r1?line=deck-1", data=sent, headers={"Accept": "*/*"})
        problem(refused, 403, "read-only")
        assert len(told(options)) == 1


# -- the page of changes ---------------------------------------------------------------------


def test_changes_stand_newest_first_and_by_run_and_line(client, options):
    client.post("/v1/runs", json=[row(1, line="deck-2")])
    for k, line in enumerate(["deck-1", "deck-2", "deck-1"]):
        client.patch("/v1/runs/r1", json={"air": 30 + k, "line": line, "reason": f"why {k}"})
    client.delete("/v1/runs/r4", params={"reason": "last <one>"})
    page = client.get("/changes").text
    assert "<h1>4 changes</h1>" in page
    assert re.findall("<p>Reason: (.*?)</p>", page) == [
        "last &lt;one&gt;",
        "why 2",
        "why 1",
        "why 0",
    ]
    assert "Air, turn 30 32" in said(page)
    assert "Started Before 2026" not in said(page)
    assert "Started 2026-03-02 06:04:00+00:00" in said(page)  # the whole run that was withdrawn
    at = told(options)[-1]["at"][:16].replace("T", " ")
    assert f"{at} UTC, by local, version 5" in said(page)
    one = client.get("/changes?run=r1&line=deck-1").text
    assert re.findall("<p>Reason: (.*?)</p>", one) == ["why 2", "why 0"]
    assert "2 changes of run r1 of deck-1" in said(one)
    assert "No run was corrected" in client.get("/changes?run=r5").text
    refused = client.get("/changes?page=x")
    assert refused.status_code == 422
    assert "not a whole number" in refused.text


def test_many_changes_stand_in_pages(client, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.history.paging.SHOWN", 3)
    monkeypatch.setattr("optimizer.service.pages.history.changes.SHOWN", 3)
    monkeypatch.setattr("optimizer.service.pages.history.one_run.SHOWN", 2)
    for k in range(5):
        client.patch("/v1/runs/r1", json={"air": 30 + k, "reason": f"why {k}"})
    first, second = (client.get(f"/changes?run=r1&page={k}").text for k in (1, 2))
    assert re.findall("<p>Reason: why (.)</p>", first) == ["4", "3", "2"]
    assert re.findall("<p>Reason: why (.)</p>", second) == ["1", "0"]
    assert "/changes?run=r1&amp;page=2" in first
    page = client.get("/runs/r1?line=deck-1").text
    assert re.findall("<p>Reason: why (.)</p>", page) == ["4", "3"]
    assert "All 5 changes" in page
    assert quote("r1") in page
