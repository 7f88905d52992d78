"""The pages of answers that are being made: progress without JavaScript, the list, the ends."""

from __future__ import annotations

import os
import re
import threading
from datetime import datetime, timedelta
from urllib.parse import quote

import pytest

from optimizer.errors import HistoryError
from optimizer.service.answers import kinds
from optimizer.service.answers.job_files import LOST_SECONDS
from optimizer.service.answers.turns import Asker
from optimizer.service.pages.shared import rendering
from tests.service.test_page import fields
from tests.service.test_service import READ, RECORD, TOKENS, client_of, options, problem, row
from tests.serving import SECONDS

__all__ = ["options"]  # fixture
pytestmark = pytest.mark.usefixtures("small_plans")

HTML = {"Accept": "text/html"}


class Held:
    """A planning process that stops at its first stage until a test lets it go on."""

    def __init__(self) -> None:
        self.make = kinds.make
        self.begun, self.go_on = threading.Event(), threading.Event()
        self.error: Exception | None = None

    def __call__(self, order, history, progress) -> bytes:
        self.begun.set()
        assert self.go_on.wait(SECONDS)
        if self.error is not None:
            raise self.error
        return self.make(order, history, progress)


@pytest.fixture
def held(monkeypatch):
    found = Held()
    monkeypatch.setattr(kinds, "make", found)
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", 0.0)
    return found


@pytest.fixture
def client(options, held):
    with client_of(options, **HTML) as made:
        made.post("/v1/runs", json=[row(k, air=30 + k, grade=0.98 + k / 1000) for k in range(8)])
        yield made
        held.go_on.set()  # the end of the service waits for the answer that is being made


def again(page: str) -> str:
    """The address at which a page without a script asks again."""
    (found,) = re.findall('<noscript><meta http-equiv="refresh" content="2; url=([^"]*)">', page)
    return found.replace("&amp;", "&")


def ended(client, key: str) -> dict:
    """The state of a job after its end."""
    while (said := client.get(f"/v1/jobs/{key}").json())["state"] in ("waiting", "running"):
        pass
    return said


@pytest.mark.parametrize(
    ("address", "what"),
    [("/lines?min_grade=98", "comparison"), ("/?line=deck-1&trials=1", "plan")],
)
def test_a_waiting_page_leads_to_the_answer_and_has_no_field(client, held, address, what):
    page = client.get(address).text
    assert f"<h1>Making the {what}" in page
    assert held.begun.wait(SECONDS)
    assert not re.search(r"<(input(?! type=\"hidden\")|select|textarea)", page)
    followed = again(page)
    key = re.fullmatch("/jobs/([0-9a-f]{32})[?]page=" + quote(address, safe=""), followed)[1]
    page = client.get(followed).text
    most = kinds.STAGES["comparison" if what == "comparison" else "plan to issue"]
    assert f"Stage 1 of up to {most}: reading the history" in page
    assert again(page) == followed
    held.go_on.set()
    assert ended(client, key)["state"] == "done"
    led = client.get(followed, follow_redirects=False)
    assert (led.status_code, led.headers["location"]) == (303, address)
    assert "Making the" not in client.get(address).text


@pytest.mark.parametrize(
    ("kind", "brief"),
    [("plan", {}), ("plan to issue", {}), ("comparison", {}), ("report", {}), ("sheet.csv", {})],
)
@pytest.mark.usefixtures("without_plots")
def test_no_answer_has_more_stages_than_its_page_says(client, held, kind, brief):
    held.go_on.set()
    jobs = client.app.state.parts.jobs
    more = {"lines": None, "feed_rate": None} if kind == "comparison" else None
    order = jobs.order(kind, {"trials": {"count": 1}, **brief}, more=more)
    client.portal.call(jobs.answer, order, Asker())
    assert len(jobs.job(order.key)["progress"]) == kinds.STAGES[kind]


def test_the_list_tells_what_is_under_way_and_what_was_made(client, held):
    assert "under way</a>" not in client.get("/runs").text
    assert "Nothing is under way" in client.get("/jobs").text
    first = again(client.get("/lines?min_grade=98").text)
    assert held.begun.wait(SECONDS)
    second = again(client.get("/lines?min_grade=97").text)
    assert "1 answer is before it." in client.get(second).text
    assert "is before it" not in client.get(first).text
    assert '<a class="jobs" href="/jobs">2 under way</a>' in client.get("/runs").text
    rows = re.findall("<tr><td>.*?</tr>", client.get("/jobs").text, re.S)
    assert [re.findall("<td[^>]*>(.*?)</td>", row, re.S)[:3] for row in rows] == [
        ["comparison", "–", "local"], ["comparison", "–", "local"]
    ]  # fmt: skip
    assert "waiting" in rows[0]
    assert "running: reading the history" in rows[1]
    held.go_on.set()
    for address in (first, second):
        ended(client, address[6:38])
    page = client.get("/jobs").text
    opened = re.findall('<a class="act second" href="([^"]*)">Open</a>', page)
    assert opened == ["/lines?min_grade=97", "/lines?min_grade=98"]
    assert "under way</a>" not in client.get("/runs").text


def test_a_job_that_failed_says_why_and_can_be_asked_for_again(client, held):
    held.error = HistoryError("the disk is full.", code="unwritable", hint="Make space.")
    address = again(client.get("/lines?min_grade=98").text)
    held.go_on.set()
    assert ended(client, address[6:38])["state"] == "failed"
    page = client.get(address).text
    assert "The comparison was not made" in page
    assert "the disk is full." in page
    assert "Make space." in page
    assert '<a class="act" href="/lines?min_grade=98">Ask for it again</a>' in page
    assert "refresh" not in page
    assert "failed: the disk is full." in client.get("/jobs").text


def test_a_job_whose_process_shows_no_sign_is_lost(client, held):
    address = again(client.get("/lines?min_grade=98").text)
    jobs, key = client.app.state.parts.jobs, address[6:38]
    file = jobs.files.path(key)
    assert held.begun.wait(SECONDS)
    past = file.stat().st_mtime - 2 * LOST_SECONDS
    os.utime(file, (past, past))
    assert jobs.job(key)["state"] == "lost"
    assert jobs.under_way() == 0
    page = client.get(address).text
    assert "The process that made it ended." in page
    jobs.files.touch(key)
    assert jobs.job(key)["state"] == "running"


@pytest.mark.parametrize("key", ["0" * 32, "x", "0" * 31 + "G"])
def test_there_is_no_page_of_an_unknown_job(client, key):
    problem(client.get(f"/jobs/{key}", headers={"Accept": "*/*"}), 404, "no-job")


@pytest.mark.parametrize("page", ["https://other.example/", "//other.example/", "/\\other.example"])
def test_a_job_never_leads_to_another_site(client, held, page):
    key = again(client.get("/lines?min_grade=98").text)[6:38]
    held.go_on.set()
    ended(client, key)
    asked = client.get(f"/jobs/{key}", params={"page": page}, headers={"Accept": "*/*"},
                       follow_redirects=False)  # fmt: skip
    assert "address of this service" in problem(asked, 422, "other-address")["detail"]


def test_a_job_tells_who_asked_for_it(options, held):
    tokens = {"Authorization": f"Bearer {READ}", **HTML}
    with client_of(options, TOKENS, **tokens) as client:
        client.post("/v1/runs", json=[row(k, air=30 + k) for k in range(8)],
                    headers={"Authorization": f"Bearer {RECORD}"})  # fmt: skip
        address = again(client.get("/lines?min_grade=98").text)
        said = client.get(f"/v1/jobs/{address[6:38]}").json()
        assert said["asked_by"] == "office"
        assert datetime.fromisoformat(said["asked_at"]).utcoffset() == timedelta(0)
        assert "ago by office" in client.get(address).text
        held.go_on.set()


# -- the report ------------------------------------------------------------------------------


def press(client, query: str, **more):
    """Press the button for the report of a plan, as the page of today shows it."""
    client.get("/jobs")  # any page gives the browser its number
    templates = rendering.ENVIRONMENT.get_template("report.html").module
    token = client.app.state.parts.access.form_token(dict(client.cookies))
    form = fields(str(templates.report_button(token, query)))
    return client.post("/report", data={**form, **more}, follow_redirects=False)


@pytest.mark.usefixtures("without_plots")
def test_one_press_begins_the_report_and_its_page_leads_to_it(client, held):
    done = press(client, "line=deck-1&trials=1&min_grade=98")
    assert done.status_code == 303
    key = re.fullmatch("/jobs/([0-9a-f]{32})", done.headers["location"])[1]
    page = client.get(f"/jobs/{key}").text
    assert "<h1>Making the report for deck-1</h1>" in page
    held.go_on.set()
    assert ended(client, key)["state"] == "done"
    led = client.get(again(page), follow_redirects=False)
    assert (led.status_code, led.headers["location"]) == (303, f"/v1/results/{key}")
    brief = {"line": "deck-1", "trials": "1", "min_grade": "0.98"}
    served = client.get("/v1/report", params=brief)
    assert client.get(led.headers["location"]).text == served.text
    opened = f'<a class="act second" href="/v1/results/{key}">Open</a>'
    assert opened in client.get("/jobs").text
    again_pressed = press(client, "line=deck-1&trials=1&min_grade=98")
    assert again_pressed.headers["location"] == f"/v1/results/{key}"


def test_a_cancelled_report_leads_back_to_its_plan(client):
    key = press(client, "line=deck-1&trials=1").headers["location"][6:]
    assert client.delete(f"/v1/jobs/{key}").status_code == 200
    page = client.get(f"/jobs/{key}").text
    assert '<a class="act" href="/?line=deck-1&amp;trials=1">Ask for it again</a>' in page


@pytest.mark.parametrize(
    ("query", "more", "status", "code"),
    [
        ("line=deck-1", {"form_token": "x"}, 403, "other-form"),
        ("trials=1", {}, 422, "no-line"),
        ("line=deck-1&trials=x", {}, 422, "invalid-value"),
    ],
)
def test_a_report_is_refused(client, query, more, status, code):
    client.headers["Accept"] = "*/*"
    problem(press(client, query, **more), status, code)
    assert client.app.state.parts.jobs.jobs() == []
