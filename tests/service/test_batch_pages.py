"""Issued batches on the page, without JavaScript: issue, start, skip, result, close, refusals."""

from __future__ import annotations

import html
import re
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from optimizer import History, Site, batch
from tests.service.test_batches import BRIEF, quick, runs
from tests.service.test_page import HTML, fields, forms, issue_form, trial_form
from tests.service.test_service import READ, RECORD, TOKENS, client_of, options
from tests.serving import SECONDS

__all__ = ["options", "quick"]  # fixtures

ASKED = "/?line=a&min_grade=97&trials=2"
RESULT = {"grade": "98,1", "recovery": "91", "deck_state": "even"}


@pytest.fixture
def client(options, monkeypatch):
    monkeypatch.setattr(
        "optimizer.service.pages.shared.waiting.PATIENCE", SECONDS
    )  # for busy machines
    with client_of(options, **HTML) as made:
        made.post("/v1/runs", json=runs())
        yield made


@pytest.fixture
def page(client):
    """The page after its plan was issued as batch a-1."""
    shown = client.post("/batches/issue", data=issue_form(client.get(ASKED).text))
    assert shown.status_code == 200, shown.text
    return shown.text


def stored(options, name="a-1"):
    return batch(History(options.history), name, Site.read(options.site)).as_dict()


def states(options):
    return [trial["state"] for trial in stored(options)["trials"]]


def said(page: str) -> str:
    """The text of a page without tags."""
    return " ".join(html.unescape(re.sub("<[^>]*>", " ", page)).split())


def card(page: str, trial: str) -> str:
    """The part of a page about a trial."""
    (found,) = (
        each for each in re.findall(r'<article class="trial.*?</article>', page, re.S)
        if f">{trial} <" in each
    )  # fmt: skip
    return found


def test_the_plan_that_is_shown_is_issued_and_its_trials_have_numbers(client, options):
    before = client.get(ASKED).text
    shown = re.findall(r"<h2 id=\"trial-\d\">.*?</ul>", before, re.S)
    done = client.post("/batches/issue", data=issue_form(before), follow_redirects=False)
    assert (done.status_code, done.headers["location"]) == (303, "/?line=a&min_grade=97&trials=2")
    page = client.get(done.headers["location"]).text
    plan = stored(options)["plan"]
    assert f"{plan['recommendations'][0]['settings']['air']:g}" in "".join(shown)
    assert "a-1: 2 of 2 trials open" in said(page)
    for trial in stored(options)["trials"]:
        text = said(card(page, trial["trial"]))
        assert text.startswith(f"{trial['trial']} to run")
        assert f"air {trial['planned']['air']:g}" in text
        assert f"rank {trial['rank']} of 2".lower() in text.lower()
    assert "/v1/batches/a-1/sheet?format=pdf" in page
    assert "The 2 open trials are taken as under way." in page


def test_a_second_press_issues_nothing_more(client, options):
    form = issue_form(client.get(ASKED).text)
    client.post("/batches/issue", data=form)
    again = client.post("/batches/issue", data=form)
    assert again.status_code == 409
    assert "Not issued: the history of this line has changed" in again.text
    assert len(client.get("/v1/batches").json()["batches"]) == 1


def test_a_plan_that_runs_have_overtaken_is_not_issued(client, options):
    form = issue_form(client.get(ASKED).text)
    client.post("/v1/runs", json=runs(count=5)[4:])
    refused = client.post("/batches/issue", data=form)
    assert refused.status_code == 409
    assert issue_form(refused.text)["version"] == "1"  # that of the new plan
    assert client.post("/batches/issue", data=issue_form(refused.text)).status_code == 200


def test_a_trial_is_started_and_skipped_with_a_reason(client, options, page):
    page = client.post("/batches/state", data=trial_form(page, "a-1.1", "state")).text
    assert states(options) == ["running", "to run"]
    assert said(card(page, "a-1.1")).startswith("a-1.1 running")
    skip = next(
        form for each in re.findall('action="/batches/state"[^>]*>(.*?)</form>', page, re.S)
        if (form := fields(each))["trial"] == "a-1.2" and "reason" in form
    )  # fmt: skip
    refused = client.post("/batches/state", data={**skip, "reason": " ", "name": "M."})
    assert refused.status_code == 422
    assert "Say why it is skipped." in card(refused.text, "a-1.2")
    page = client.post("/batches/state", data={**skip, "reason": "the lot ran out"}).text
    assert states(options) == ["running", "skipped"]
    assert "Skipped: the lot ran out" in card(page, "a-1.2")
    page = client.post("/batches/state", data=trial_form(page, "a-1.2", "state")).text
    assert states(options) == ["running", "to run"]
    assert "the lot ran out" not in page
    assert '<button class="act second">Undo the start</button>' in card(page, "a-1.1")
    done = client.post(
        "/batches/state", data=trial_form(page, "a-1.1", "state"), follow_redirects=False
    )
    assert done.headers["location"].endswith("&trials=2#b1-1")  # to the trial
    assert states(options) == ["to run", "to run"]


def test_a_result_is_stored_as_run_and_compared_with_what_was_expected(client, options, page):
    form = trial_form(page, "a-1.2")
    planned = stored(options)["trials"][1]["planned"]
    assert {name: float(form[f"s.{name}"]) for name in planned} == planned
    air = planned["air"] - 1
    sent = {**form, **RESULT, "s.air": f"{air:g}", "m.moisture": "11,2", "note": "even <feed>"}
    done = client.post("/batches/result", data=sent, follow_redirects=False)
    assert (done.status_code, done.headers["location"]) == (
        303, "/?line=a&min_grade=97&trials=2&since=1"
    )  # fmt: skip
    page = client.get(done.headers["location"]).text
    trial = stored(options)["trials"][1]
    assert (trial["state"], trial["run"]["air"]) == ("done", air)
    text = said(card(page, "a-1.2"))
    assert text.startswith("a-1.2 done")
    assert "98.1" in text
    assert f"Planned: air {planned['air']:g} turn" in text
    assert f"({trial['surprise']['grade']:.1f})".replace("-", "−") in text
    assert "even &lt;feed&gt;" in card(page, "a-1.2")
    assert "What the result changed" in page
    assert "a-1: 1 of 2 trials open" in said(page)


def test_a_failed_deck_is_a_result_without_readings(client, options, page):
    sent = {**trial_form(page, "a-1.1"), "deck_state": "boiling"}
    page = client.post("/batches/result", data=sent).text
    assert states(options) == ["failed", "to run"]
    assert "The deck was boiling." in card(page, "a-1.1")


@pytest.mark.parametrize(
    ("field", "typed", "told"),
    [
        ("grade", "0.981", "write per cent"),
        ("s.air", "900", "900"),  # found by the checks of a load
        ("s.air", "", "Write the value that was run."),
        ("s.air", "1,500", "is not a number"),
        ("started_at", "yesterday", "year-month-day"),
        ("deck_state", "upside down", "expected"),
        ("m.moisture", "wet", "is not a number"),
        ("grade", "", "missing"),
        ("note", "x" * 2001, "1 to 2000"),
    ],
)
def test_a_refused_result_keeps_what_was_typed_with_the_fault_at_its_field(
    client, options, page, field, typed, told
):
    good = {**RESULT, "recovery": "91,25", "m.material": "washed & dried", "name": "M."}
    sent = {**trial_form(page, "a-1.1"), **good, field: typed}
    refused = client.post("/batches/result", data=sent)
    assert refused.status_code == 422
    mine = card(refused.text, "a-1.1")
    beside = re.search(rf'<(input|select) [^>]*name="{re.escape(field)}".*?</div>', mine, re.S)
    assert 'aria-invalid="true"' in beside[0]
    ids = re.search('aria-describedby="([^"]*)"', beside[0])[1].split()
    where, fault = re.search('class="fault" id="([^"]*)">(.*?)</p>', beside[0], re.S).groups()
    assert where in ids
    assert told in html.unescape(fault)
    again = trial_form(refused.text, "a-1.1")
    assert {name: again[name] for name in sent if name != "deck_state"} == {
        name: value for name, value in sent.items() if name != "deck_state"
    }
    assert "<details open>" in mine
    assert "<details open>" not in card(refused.text, "a-1.2")
    assert states(options) == ["to run", "to run"]
    mended = {**again, **good, "s.air": "40", "started_at": "", "m.moisture": "", "note": ""}
    assert client.post("/batches/result", data=mended, follow_redirects=False).status_code == 303


def test_a_second_result_is_refused_with_what_is_there(client, options, page):
    form = trial_form(page, "a-1.1")
    client.post("/batches/result", data={**form, **RESULT})
    refused = client.post("/batches/result", data={**form, **RESULT, "grade": "95", "note": "mine"})
    assert refused.status_code == 409
    mine = card(refused.text, "a-1.1")
    assert "a-1.1 has a result already, so what you typed was not stored" in said(mine)
    assert "Somebody else was first" in said(mine)
    both = dict(re.findall(r'<th scope="row">(.*?)</th>(<td>.*?</td><td>.*?</td>)</tr>', mine))
    assert both["Grade"] == "<td>98.1 %</td><td><b>95</b></td>"  # they differ
    assert both["Recovery"] == "<td>91 %</td><td>91</td>"
    assert both["Note"] == "<td>–</td><td><b>mine</b></td>"
    planned = form["s.air"]
    assert both["Air"] == f"<td>{planned}</td><td>{planned}</td>"
    assert "m.moisture" not in both
    assert '<a class="act second" href="/runs/a-1.1?line=a">Correct its result</a>' in mine
    assert stored(options)["trials"][0]["measured"]["grade"] == 0.981


def withdrawal(page: str, trial: str, **typed: str) -> dict[str, str]:
    return {**trial_form(page, trial, "withdraw"), **typed}


def test_a_wrong_result_is_withdrawn_and_its_trial_is_open_again(client, options, page):
    sent = {**trial_form(page, "a-1.1"), **RESULT, "started_at": "2026-03-05 06:00"}
    page = client.post("/batches/result", data=sent).text
    refused = client.post("/batches/withdraw", data=withdrawal(page, "a-1.1", reason=" "))
    assert refused.status_code == 422
    assert "Say why it is taken back." in card(refused.text, "a-1.1")
    assert states(options) == ["done", "to run"]
    form = withdrawal(page, "a-1.1", reason="another <lot>")
    page = client.post("/batches/withdraw", data=form).text
    assert states(options) == ["to run", "to run"]
    mine = card(page, "a-1.1")
    assert "Its result was withdrawn: another &lt;lot&gt;" in mine
    assert "What the result changed" not in page
    twice = client.post("/batches/withdraw", data=form)  # by somebody else, who did not know
    assert twice.status_code == 409
    assert "run &#39;a-1.1&#39; is withdrawn" in card(twice.text, "a-1.1")
    assert "highside withdraw" not in twice.text  # a page tells what to do on a page
    same = client.post("/batches/result", data={**sent, **trial_form(page, "a-1.1"), **RESULT,
                                                "started_at": "2026-03-05 06:00"})  # fmt: skip
    assert same.status_code == 409
    assert "recording it again adds nothing. Reinstate it" in said(card(same.text, "a-1.1"))
    right = {**trial_form(page, "a-1.1"), **RESULT, "grade": "97.5"}
    assert client.post("/batches/result", data=right, follow_redirects=False).status_code == 303
    assert stored(options)["trials"][0]["measured"]["grade"] == 0.975


def test_the_page_of_a_batch_keeps_the_person_there(client, options, page):
    own = client.get("/batches?batch=a-1").text
    done = client.post("/batches/state", data=trial_form(own, "a-1.2", "state"),
                       follow_redirects=False)  # fmt: skip
    assert done.headers["location"] == "/batches?batch=a-1#b1-2"
    own = client.get("/batches?batch=a-1").text
    assert re.findall('<article class="trial([^"]*)" id="b1-(.)"', own) == [
        (" current", "2"), ("", "1")
    ]  # what runs comes first  # fmt: skip
    sent = {**trial_form(own, "a-1.2"), **RESULT}
    done = client.post("/batches/result", data=sent, follow_redirects=False)
    assert done.headers["location"] == "/batches?batch=a-1&since=2&stored=a-1.2"
    own = client.get(done.headers["location"]).text
    assert "The result of a-1.2 is stored." in own
    changed = html.unescape(re.search('href="([^"]*)">What it changed', own)[1])
    assert changed == "/?line=a&min_grade=97&trials=2&since=2"
    assert "What the result changed" in client.get(changed).text
    without = client.get("/batches?batch=a-1&stored=a-1.1&since=2").text
    assert "The result of" not in without
    assert re.findall('<article class="trial([^"]*)" id="b1-(.)"', own) == [
        (" current", "1"), ("", "2")
    ]  # fmt: skip
    assert "What it taught so far" in own


def test_the_sheet_is_offered_on_both_papers_as_a_page_and_as_csv(client, page):
    links = re.findall('href="(/v1/batches/a-1/sheet[^"]*)"', page)
    kinds = [client.get(html.unescape(link)).headers["content-type"] for link in links]
    assert [kind.partition(";")[0] for kind in kinds] == [
        "text/html", "application/pdf", "application/pdf", "text/csv"
    ]  # fmt: skip
    assert len(set(links)) == 4


def test_a_batch_is_closed_and_its_page_stays(client, options, page):
    (form,) = (fields(each) for each in re.findall('action="/batches/close">(.*?)</form>', page))
    sent = trial_form(page, "a-1.1")
    page = client.post("/batches/close", data=form).text
    assert "a-1 is closed: what it showed" in page
    assert not re.findall('action="/batches/(result|state|close)"', page)
    late = client.post("/batches/result", data={**sent, **RESULT})
    assert late.status_code == 409
    assert "batch 'a-1' is closed" in said(late.text)
    twice = client.post("/batches/close", data=form)
    assert twice.status_code == 409
    own = client.get("/batches?batch=a-1").text
    assert "What it taught" in own
    assert "0 with a result, 0 of them at the grade; 0 failed, 0 skipped, 2 not run." in own
    listed = client.get("/batches").text
    assert 'href="/batches?batch=a-1">a-1</a>' in listed
    assert client.get("/batches?batch=a-1").status_code == 200


def test_the_list_of_batches_has_pages(client, monkeypatch):
    for _ in range(3):
        client.post("/v1/batches", json={**BRIEF, "trials": {"count": 1}})
    client.post("/v1/batches/a-1/trials/1/result", json={"grade": 0.98, "recovery": 0.917})
    for module in ("deck.batches", "history.paging"):
        monkeypatch.setattr(f"optimizer.service.pages.{module}.SHOWN", 2)
    first, second = (client.get(f"/batches?line=a&page={page}").text for page in (1, 2))
    listed = [re.findall(r"batch=(a-\d)", page) for page in (first, second)]
    assert listed == [["a-3", "a-2"], ["a-1"]]
    assert "/batches?line=a&amp;page=2" in first
    assert "/batches?line=a&amp;page=1" in second
    assert first.count("91.7") == 2  # the best reading so far, which is on the other page
    assert client.get("/batches?page=x").status_code == 422


def test_what_does_not_exist_is_said(client, page):
    form = trial_form(page, "a-1.1")
    for action, more in [
        ("result", {"trial": "a-7.1"}), ("state", {"trial": "a-7.1"}), ("close", {"batch": "a-7"})
    ]:  # fmt: skip
        answer = client.post(f"/batches/{action}", data={**form, "state": "running", **more})
        assert answer.status_code == 404, action
    assert client.get("/batches?batch=a-7").status_code == 404
    assert client.post("/batches/state", data={**form, "state": "done"}).status_code == 422
    refused = client.post("/batches/result", data={**form, **RESULT, "trial": "a-1.7"})
    assert refused.status_code == 404


ACTIONS = ["issue", "state", "result", "close"]


@pytest.mark.parametrize("action", ACTIONS)
def test_a_form_of_another_page_changes_nothing(client, options, page, action):
    sent = {**trial_form(page, "a-1.1"), "batch": "a-1", "state": "running", "version": "1",
            **RESULT}  # fmt: skip
    refused = client.post(f"/batches/{action}", data={**sent, "form_token": "0" * 64})
    assert refused.status_code == 403
    client.cookies.clear()  # another browser, the right token
    assert client.post(f"/batches/{action}", data=sent).status_code == 403
    assert states(options) == ["to run", "to run"]
    assert stored(options)["closed_at"] is None


def test_a_reader_sees_batches_and_no_forms(options):
    with client_of(options, TOKENS, **HTML) as client:
        bearer = {"Authorization": f"Bearer {RECORD}"}
        client.post("/v1/runs", json=runs(), headers=bearer)
        client.post("/v1/batches", json={"line": "a", "trials": {"count": 2}}, headers=bearer)
        client.post("/sign-in", data={"token": READ})
        page = client.get("/batches?batch=a-1").text
        assert "a-1.1" in page
        assert not re.findall('action="/batches', page)
        token = re.search(r'name="form_token" value="([0-9a-f]+)"', page)[1]
        for action in ACTIONS:
            sent = {"form_token": token, "trial": "a-1.1", "state": "running", "batch": "a-1"}
            assert client.post(f"/batches/{action}", data=sent).status_code == 403
    assert states(options) == ["to run", "to run"]


def test_names_from_outside_are_escaped(client):
    line = "<b>&'\"/ 1"
    client.post("/v1/runs", json=runs(line))
    form = issue_form(client.get("/", params={"line": line, "trials": "1"}).text)
    page = client.post("/batches/issue", data=form).text
    assert "<b>&" not in page
    assert "&lt;b&gt;&amp;&#39;&#34;/ 1-1.1" in page
    sheet = html.unescape(re.search('href="(/v1/batches/[^"]*format=csv)"', page)[1])
    assert client.get(sheet).status_code == 200
    sent = {**trial_form(page, f"{line}-1.1"), **RESULT}
    assert client.post("/batches/result", data=sent, follow_redirects=False).status_code == 303
    assert client.get("/batches").status_code == 200


def test_days_of_batches_are_those_of_the_plant(client, options, page):
    issued = History(options.history).at().events[0].at
    site = Path(options.site)
    # A zone in which it is another day at that moment: UTC+14 or UTC-12 (IANA names them so).
    zone = next(
        name for name in ("Etc/GMT-14", "Etc/GMT+12")
        if issued.astimezone(ZoneInfo(name)).date() != issued.date()
    )  # fmt: skip
    site.write_text(f'[site]\ntime_zone = "{zone}"\n{site.read_text()}')
    with client_of(options, **HTML) as there:
        listed = there.get("/batches").text
    assert f'<td class="short">{issued.astimezone(ZoneInfo(zone)).date()}</td>' in listed
    assert f"{issued.date()}" not in listed
    assert f"Days are those of {zone}." in listed


@pytest.mark.parametrize(
    ("field", "typed", "told"),
    [
        ("grade", "0.981", "write per cent"),
        ("started_at", "yesterday", "year-month-day"),
        ("deck_state", "upside down", "expected"),
        ("m.moisture", "wet", "is not a number"),
        ("recovery", "", "missing"),
        ("note", "x" * 2001, "1 to 2000"),
        ("name", "x" * 61, "1 to 60"),
    ],
)
def test_a_refused_run_keeps_what_was_typed_with_the_fault_at_its_field(
    client, options, field, typed, told
):
    (form,) = forms(client.get("/?line=a&min_grade=97&trials=1").text)
    form["s.eccentric_speed"] = "450.0"
    sent = {**form, **RESULT, "m.material": "washed & dried", field: typed}
    refused = client.post("/record", data=sent)
    assert refused.status_code == 422
    assert "<h1>This was not stored</h1>" in refused.text
    assert "eccentric speed<b>450</b>rpm" in refused.text
    beside = re.search(
        rf'<(input|select) [^>]*name="{re.escape(field)}".*?</div>', refused.text, re.S
    )
    ids = re.search('aria-describedby="([^"]*)"', beside[0])[1].split()
    where, fault = re.search('class="fault" id="([^"]*)">(.*?)</p>', beside[0], re.S).groups()
    assert where in ids
    assert told in html.unescape(fault)
    assert 'name="m.material"' in refused.text
    assert "washed &amp; dried" in refused.text
    (again,) = forms(refused.text)
    assert again == form
    good = {**again, **RESULT, "started_at": "2026-03-05 06:00"}
    assert client.post("/record", data=good, follow_redirects=False).status_code == 303


def test_a_run_with_an_old_signature_is_shown_again(client, options):
    (form,) = forms(client.get("/?line=a&min_grade=97&trials=1").text)
    before = History(options.history).at().runs().num_rows
    refused = client.post("/record", data={**form, **RESULT, "form_token": "0" * 64})
    assert refused.status_code == 403
    assert "does not come from a page given to this browser" in refused.text
    (again,) = forms(refused.text)
    assert again == form  # with a signature of this browser
    assert re.search('<input name="grade" [^>]*value="98,1"', refused.text)
    assert History(options.history).at().runs().num_rows == before
