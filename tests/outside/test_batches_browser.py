"""Issued batches in a real browser: the whole path without JavaScript, two browsers at once, a
service that is killed while a form is open, and what is kept of a form until it is stored.

Debian's Chromium, driven by Playwright; accessibility by axe-core, as in ``test_service_browser``.
"""

from __future__ import annotations

import re

import pytest

from optimizer import Brief, History, Site
from optimizer.operations.batches import batch
from optimizer.operations.issuing import issue
from optimizer.service.admission.access import Access, Person, digest
from optimizer.service.http.app import create_app
from tests.outside.test_service_browser import (
    LAPTOP,
    PHONE,
    RULES,
    TABLET,
    options_of,
    pytestmark,
    show,
)
from tests.service.test_batches import BRIEF, runs
from tests.service.test_service import RECORD, TOKENS, client_of
from tests.serving import free_port, in_thread, start

__all__ = ["pytestmark", "show"]  # fixtures and marks

COUNT = 4
OTHER = "a-token-of-the-night-1"


def issued(options, count: int = COUNT):
    """A history with runs of line a and an issued batch a-1."""
    with client_of(options) as client:
        client.post("/v1/runs", json=runs())
    brief = Brief.from_dict({**BRIEF, "trials": {"count": count}})
    issue(History(options.history), Site.read(options.site), brief)
    return options


@pytest.fixture(scope="module")
def small():
    """As ``small_plans``, for the fixtures of this module."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.model.surrogate.MEMBERS", ())
        patch.setattr("optimizer.planning.limits.POOL", 64)
        yield


@pytest.fixture(scope="module")
def options(small, tmp_path_factory):
    """A batch in all states: a-1.1 done, a-1.2 failed, a-1.3 skipped, a-1.4 running."""
    options = issued(options_of(tmp_path_factory.mktemp("states")))
    with client_of(options) as client:
        done = {"grade": 0.91, "recovery": 0.9, "settings": {"air": 40.5}, "note": "uneven feed"}
        client.post("/v1/batches/a-1/trials/1/result", json=done)
        client.post("/v1/batches/a-1/trials/2/result", json={"deck_state": "boiling"})
        skipped = {"state": "skipped", "reason": "the lot ran out"}
        client.patch("/v1/batches/a-1/trials/3", json=skipped)
        client.patch("/v1/batches/a-1/trials/4", json={"state": "running"})
    return options


@pytest.fixture(scope="module")
def address(options):
    with in_thread(create_app(options, Access({}, b"k" * 32))) as port:
        yield f"http://127.0.0.1:{port}"


@pytest.fixture
def fresh(tmp_path):
    """A service of its own with an issued batch; gives its address and configuration."""
    options = issued(options_of(tmp_path), 2)
    with in_thread(create_app(options, Access({}, b"k" * 32))) as port:
        yield f"http://127.0.0.1:{port}", options


def trial(page, number: str):
    return page.locator("article.trial", has=page.get_by_role("heading", name=number))


def opened(page, number: str, what: str):
    """The form of a trial that a summary opens."""
    details = trial(page, number).locator("details", has_text=what)
    details.locator("summary").click()
    return details


def states(options) -> list[str]:
    found = batch(History(options.history), "a-1", Site.read(options.site))
    return [each.issued.state for each in found.trials]


def axe(page) -> list:
    from axe_playwright_python.sync_playwright import Axe

    found = Axe().run(page, options=RULES).response
    assert len(found["passes"]) > 15
    return [(v["id"], v["nodes"][0]["html"][:160]) for v in found["violations"]]


def check(page, width: int) -> None:
    """No violation, nothing cut, and targets of 44 by 44 CSS pixels (WCAG 2.2, 2.5.5)."""
    page.locator("details").evaluate_all("all => all.forEach(d => d.open = true)")
    assert axe(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for target in page.query_selector_all(
        "button, input:not([type=hidden]):not([type=checkbox]), select, summary, main a"
    ):
        box = target.bounding_box()
        assert box is None or (box["height"] >= 44 and box["width"] >= 44), target.inner_text()


# --------------------------------------------------------------------------- the whole path


def test_the_whole_path_without_javascript(show, tmp_path):
    options = options_of(tmp_path)
    with client_of(options) as client:
        client.post("/v1/runs", json=runs())
    with in_thread(create_app(options, Access({}, b"k" * 32))) as port:
        where = f"http://127.0.0.1:{port}"
        page = show("/?line=a&trials=4", PHONE, where=where, java_script_enabled=False)
        page.wait_for_selector("form.issue")
        page.click("text=Issue this batch")
        page.click("text=a-1 on a page of its own")

        with page.context.expect_page() as other:  # the sheet opens beside the page
            page.get_by_role("link", name="Sheet", exact=True).first.click()
        assert "a-1.4" in other.value.inner_text("body")
        other.value.close()

        trial(page, "a-1.1").get_by_text("Start it").click()
        assert page.url.endswith("/batches?batch=a-1#b1-1")
        assert states(options)[0] == "running"
        trial(page, "a-1.1").get_by_text("Undo the start").click()
        assert states(options)[0] == "to run"

        form = opened(page, "a-1.1", "Enter its result")
        form.locator("input[name=grade]").fill("0.984")
        form.locator("input[name=recovery]").fill("95,5")
        form.locator("text=Record the result").click()
        form = trial(page, "a-1.1").locator("details[open]")
        assert "per cent" in form.locator(".fault").inner_text()
        assert form.locator("input[name=recovery]").input_value() == "95,5"
        form.locator("input[name=grade]").fill("98.4")
        form.locator("text=Record the result").click()
        assert "The result of a-1.1 is stored." in page.inner_text("main")
        assert "98.4" in trial(page, "a-1.1").inner_text()

        form = opened(page, "a-1.2", "Enter its result")
        form.locator("select").select_option("boiling")
        form.locator("text=Record the result").click()
        form = opened(page, "a-1.3", "Skip it")
        form.locator("input[name=reason]").fill("the lot ran out")
        form.locator("text=Skip this trial").click()
        assert states(options) == ["done", "failed", "skipped", "to run"]
        trial(page, "a-1.3").get_by_text("Undo the skip").click()
        form = opened(page, "a-1.1", "Withdraw its result")
        form.locator("input[name=reason]").fill("the bag of another trial")
        form.get_by_role("button", name="Withdraw").click()
        assert states(options) == ["to run", "failed", "to run", "to run"]
        assert "the bag of another trial" in trial(page, "a-1.1").inner_text()

        page.click("text=Close this batch")
        page.click("text=Close a-1")
        assert "a-1: closed" in page.inner_text("h1")
        assert "What it taught" in page.inner_text("main")
        assert "0 with a result, 0 of them at the grade; 1 failed, 0 skipped, 3 not run." in (
            page.inner_text("main")
        )


# ---------------------------------------------------------------------- two people, one trial


def test_two_people_with_the_same_trial_see_both_results(show, fresh):
    where, options = fresh
    first, second = (show("/batches?batch=a-1", TABLET, where=where) for _ in range(2))
    for page, grade in [(first, "98.1"), (second, "97.6")]:
        form = opened(page, "a-1.1", "Enter its result")
        form.locator("input[name=grade]").fill(grade)
        form.locator("input[name=recovery]").fill("93")
        form.locator("input[name=note]").fill(f"bag {grade}")
    first.click("text=Record the result >> visible=true")
    first.wait_for_selector("text=The result of a-1.1 is stored.")
    second.click("text=Record the result >> visible=true")
    second.wait_for_selector("table.beside")
    rows = second.locator("table.beside tr").all_inner_texts()
    assert "Grade\t98.1 %\t97.6" in rows
    assert "Note\tbag 98.1\tbag 97.6" in rows
    assert states(options) == ["done", "to run"]
    assert History(options.history).at().runs().num_rows == 5
    check(second, TABLET)


def test_a_person_is_told_when_another_one_changed_the_batch(show, fresh):
    where, _ = fresh
    first, second = (show("/batches?batch=a-1", TABLET, where=where) for _ in range(2))
    form = opened(first, "a-1.2", "Enter its result")
    form.locator("input[name=note]").fill("half typed")
    trial(second, "a-1.1").get_by_text("Start it").click()
    first.click("text=The history has changed. Show it.")
    first.wait_for_selector("text=Undo the start")
    assert trial(first, "a-1.2").locator("input[name=note]").input_value() == "half typed"


# ------------------------------------------------------------------ a service that was killed


@pytest.mark.parametrize("reopened", [False, True], ids=["still open", "opened again"])
def test_a_form_outlives_a_service_that_was_killed(show, tmp_path, reopened):
    options = issued(options_of(tmp_path), 2)
    port = free_port()
    process = start(tmp_path, port, "--site", options.site, token=None)
    try:
        page = show("/batches?batch=a-1", PHONE, where=f"http://127.0.0.1:{port}")
        form = opened(page, "a-1.1", "Enter its result")
        form.locator("input[name=grade]").fill("98.4")
        form.locator("input[name=recovery]").fill("95.5")
        form.locator("input[name=note]").fill("wet lot")
        process.kill()
        process.wait()
        if reopened:
            form.locator("text=Record the result").click()
            page.wait_for_url("chrome-error://**")  # nobody answers
        process = start(tmp_path, port, "--site", options.site, token=None)
        if reopened:
            page.goto(f"http://127.0.0.1:{port}/batches?batch=a-1")
            page.wait_for_selector("text=What was typed here before is back.")
            form = trial(page, "a-1.1").locator("details[open]")
            assert form.locator("input[name=note]").input_value() == "wet lot"
        form.locator("text=Record the result").click()
        page.wait_for_selector("text=The result of a-1.1 is stored.")
    finally:
        process.kill()
        process.wait()
    assert states(options) == ["done", "to run"]


# ----------------------------------------------------------------- kept until it is stored


def kept(page) -> list[str]:
    return page.evaluate("Object.keys(localStorage)")


def test_what_is_typed_is_kept_until_it_is_stored(show, fresh):
    where, options = fresh
    page = show("/batches?batch=a-1", PHONE, where=where)
    assert kept(page) == []
    form = opened(page, "a-1.2", "Enter its result")
    form.locator("input[name=grade]").fill("0.984")
    form.locator("select").select_option("sluggish")
    page.reload()
    form = trial(page, "a-1.2").locator("details[open]")
    form.locator(".kept").wait_for()
    assert form.locator("input[name=grade]").input_value() == "0.984"
    assert form.locator("select").input_value() == "sluggish"
    assert page.locator(".kept").count() == 1  # the other forms had nothing

    form.locator("text=Record the result").click()  # a fraction is refused
    page.wait_for_selector(".fault")
    assert len(kept(page)) == 1
    trial(page, "a-1.2").locator("input[name=note]").fill("wet")
    page.goto(f"{where}/batches?batch=a-1")
    form = trial(page, "a-1.2").locator("details[open]")
    form.locator(".kept").wait_for()
    assert form.locator("input[name=grade]").input_value() == "0.984"
    assert form.locator("input[name=note]").input_value() == "wet"
    form.locator("input[name=grade]").fill("98.4")
    form.locator("input[name=recovery]").fill("91")
    form.locator("text=Record the result").click()
    page.wait_for_selector("text=The result of a-1.2 is stored.")
    assert kept(page) == []
    assert {cookie["name"] for cookie in page.context.cookies()} == {"highside_visitor"}
    assert states(options) == ["to run", "failed"]


def test_what_was_kept_can_be_discarded_with_the_keyboard(show, fresh):
    where, _ = fresh
    page = show("/batches?batch=a-1", PHONE, where=where)
    form = opened(page, "a-1.1", "Skip it")
    form.locator("input[name=reason]").fill("no lot")
    page.reload()
    page.wait_for_selector(".kept")
    check(page, PHONE)
    button = page.get_by_role("button", name="Discard it")
    button.focus()
    page.keyboard.press("Enter")
    assert page.locator(".kept").count() == 0
    assert kept(page) == []
    assert page.evaluate("document.activeElement.name") == "reason"
    assert page.input_value("input[name=reason] >> visible=true") == ""


def test_another_person_and_the_time_after_signing_out_see_nothing_of_it(show, tmp_path):
    options = issued(options_of(tmp_path), 2)
    tokens = {digest(RECORD): Person("mill", "record"), digest(OTHER): Person("night", "record")}
    with in_thread(create_app(options, Access(tokens, b"k" * 32))) as port:
        where = f"http://127.0.0.1:{port}"
        page = show("/sign-in", PHONE, where=where)

        def sign_in(token: str) -> None:
            page.goto(f"{where}/sign-in")
            page.fill("input[name=token]", token)
            page.click("text=Sign in >> visible=true >> nth=-1")
            page.wait_for_selector("text=Sign out")
            page.goto(f"{where}/batches?batch=a-1")

        sign_in(RECORD)
        opened(page, "a-1.1", "Enter its result").locator("input[name=note]").fill("private")
        assert len(kept(page)) == 1
        sign_in(OTHER)  # the session of the first person has ended
        assert page.locator(".kept").count() == 0
        assert page.locator("input[name=note]").first.input_value() == ""
        sign_in(RECORD)
        page.wait_for_selector("text=What was typed here before is back.")
        page.click("text=Sign out")
        page.wait_for_selector("input[name=token]")
        assert kept(page) == []
        sign_in(RECORD)
        assert page.locator(".kept").count() == 0


def test_a_session_that_ended_costs_nothing(show, tmp_path):
    """Without JavaScript: signed out meanwhile, signed in again, sent again."""
    options = issued(options_of(tmp_path), 2)
    with in_thread(create_app(options, Access(TOKENS, b"k" * 32))) as port:
        where = f"http://127.0.0.1:{port}"
        page = show("/sign-in", PHONE, where=where, java_script_enabled=False)
        page.fill("input[name=token]", RECORD)
        page.click("button")
        page.goto(f"{where}/batches?batch=a-1")
        form = opened(page, "a-1.1", "Enter its result")
        form.locator("input[name=grade]").fill("98.4")
        form.locator("input[name=recovery]").fill("95.5")
        page.context.clear_cookies()
        form.locator("text=Record the result").click()
        assert "You are signed out" in page.inner_text("main")
        page.fill("input[name=token]", RECORD)
        page.click("button")
        assert "95.5" in page.inner_text("dl")
        page.get_by_role("button", name="Send it again").click()
        assert "The result of a-1.1 is stored." in page.inner_text("main")
    assert states(options) == ["done", "to run"]


# --------------------------------------------------------------------------------- at a glance


@pytest.mark.parametrize(
    ("width", "scheme"), [(PHONE, "dark"), (TABLET, "light"), (LAPTOP, "light")]
)
def test_a_batch_in_all_states_is_accessible(show, width, scheme):
    page = show("/batches?batch=a-1", width, scheme)
    check(page, width)


def test_the_current_trial_comes_first_and_large_on_a_phone(show):
    page = show("/batches?batch=a-1", PHONE)
    first = page.locator("article.trial").first
    assert "a-1.4 running" in first.locator("h2").inner_text()
    assert first.bounding_box()["y"] < 844 / 2  # half of the screen of a common phone
    size = first.locator(".settings b").first.evaluate("b => getComputedStyle(b).fontSize")
    other = page.locator("article.trial .settings b").last
    assert float(size[:-2]) >= 32 > float(other.evaluate("b => getComputedStyle(b).fontSize")[:-2])


def test_a_refused_form_that_is_shown_again_is_accessible(show, address):
    page = show("/batches?batch=a-1", PHONE)
    form = opened(page, "a-1.4", "Enter its result")
    form.locator("input[name=grade]").fill("98.4")
    page.route("**/batches/result*", lambda route: route.continue_(post_data="grade=98.4&trial=x"))
    form.locator("text=Record the result").click()
    page.wait_for_selector("text=This could not be done")
    assert "98.4" in page.inner_text("dl")
    check(page, PHONE)


def test_a_question_about_a_run_is_accessible(show, options):
    page = show("/?line=a&trials=1&min_grade=97", PHONE)
    page.wait_for_selector("form.issue")
    page.click("text=Enter a run at these settings")
    form = page.locator("#result")
    form.locator("input[name=grade]").fill("98.4")
    form.locator("input[name=recovery]").fill("95.5")
    form.locator("input[name=started_at]").fill("yesterday")
    form.locator("text=Record the result").click()
    page.wait_for_selector("text=This was not stored")
    described = page.get_attribute("input[name=started_at]", "aria-describedby").split()
    assert "year-month-day" in page.inner_text(f"[id='{described[-1]}']")
    assert not re.search(r"\d\.0\b", page.inner_text("ul.settings"))
    check(page, PHONE)


def test_the_list_of_batches_prints_with_their_numbers_and_all_columns(show):
    page = show("/batches?line=a")
    page.emulate_media(media="print")
    page.set_viewport_size(
        {"width": 718, "height": 1000}
    )  # A4 less margins of 10 mm, 96 dots an inch
    assert page.is_visible("td >> text=a-1")
    assert page.evaluate("(e => e.scrollWidth <= e.clientWidth)(document.querySelector('.wide'))")
