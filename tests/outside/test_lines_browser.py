"""Comparison, diagnosis, report and waiting in a real browser: Debian's Chromium, by Playwright.

Accessibility by axe-core 4.12.1 as in ``test_service_browser``: rules of WCAG 2.0 to 2.2, levels A
and AA, and its best practices. Skipped only where there is no Chromium (``tests.programs``).
"""

from __future__ import annotations

import threading

import pypdfium2
import pytest

from optimizer.service.admission.access import Access
from optimizer.service.answers import kinds
from optimizer.service.http.app import create_app
from optimizer.service.pages.shared import waiting
from tests.outside.test_service_browser import (
    LAPTOP,
    PHONE,
    RULES,
    TABLET,
    options_of,
    show,
)
from tests.programs import needs_chromium
from tests.service.test_diagnosis_page import history_rows
from tests.service.test_lines_page import FRACTIONS, rows_of
from tests.service.test_service import client_of
from tests.serving import SECONDS, in_thread

__all__ = ["show"]  # fixtures
pytestmark = [needs_chromium, pytest.mark.usefixtures("small_plans")]

LINES = "/lines?min_grade=96.5&confidence=80&lines=a&lines=b&price=3000&hours=1000"
DIAGNOSIS = "/diagnosis?line=deck-1&min_grade=98"


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """A service with three lines, one of which has a doubtful run."""
    options = options_of(tmp_path_factory.mktemp("lines"))
    with client_of(options) as client:
        client.post("/v1/runs", json=[*rows_of("a", 0), *rows_of("b", 3), *history_rows()[:24]])
    with in_thread(create_app(options, Access({}, b"k" * 32))) as port:
        yield f"http://127.0.0.1:{port}"


@pytest.fixture
def held(monkeypatch):
    """No answer is made until this is set."""
    go_on, make = threading.Event(), kinds.make

    def wait(order, history, progress):
        progress("held by the test")
        assert go_on.wait(SECONDS)
        return make(order, history, progress)

    monkeypatch.setattr(kinds, "make", wait)
    monkeypatch.setattr(waiting, "PATIENCE", 0.0)
    yield go_on
    go_on.set()


def check(page, width: int) -> None:
    """No rule of accessibility is broken, nothing is cut, and targets are large."""
    from axe_playwright_python.sync_playwright import Axe

    page.locator("details").evaluate_all("all => all.forEach(d => d.open = true)")
    found = Axe().run(page, options=RULES).response
    assert len(found["passes"]) > 15
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Large targets: 44 by 44 CSS pixels, WCAG 2.2 success criterion 2.5.5 (level AAA). A checkbox
    # is pressed by its label, too.
    pressed = "button, input:not([type=hidden], [type=checkbox]), select, summary, .act"
    for target in page.query_selector_all(f"{pressed}, label.second-word"):
        box = target.bounding_box()
        assert box is None or (box["height"] >= 44 and box["width"] >= 44), box


STATES = {
    "lines, asked": ("/lines", "form.today"),
    "lines, compared": (LINES, "ul.causes"),
    "lines, with a fault": ("/lines?min_grade=0.9&price=3", ".fault"),
    "lines, unknown": ("/lines?lines=nowhere", "[role=alert]"),
    "diagnosis, asked": ("/diagnosis", "form.today"),
    "diagnosis, made": (DIAGNOSIS, "#doubtful li"),
    "diagnosis, with a fault": ("/diagnosis?line=a&min_grade=0.9", ".fault"),
    "jobs": ("/jobs", "h1"),
}


SCREENS = [(PHONE, "light"), (TABLET, "dark"), (LAPTOP, "light")]


@pytest.mark.parametrize(("width", "scheme"), SCREENS)
@pytest.mark.parametrize("state", STATES)
def test_accessible_and_nothing_cut(show, state, width, scheme):
    path, sign = STATES[state]
    page = show(path, width, scheme)
    page.wait_for_selector(sign)
    check(page, width)


@pytest.mark.parametrize(("width", "scheme"), [(PHONE, "dark"), (TABLET, "light")])
def test_waiting_cancelling_and_the_list_are_accessible(show, held, width, scheme):
    page = show(f"/lines?min_grade={90 + width / 1000}", width, scheme)
    page.wait_for_selector("#waiting li:text-is('held by the test')")
    check(page, width)
    assert "Stage 2 of up to 2: held by the test" in page.inner_text("[role=status]")
    assert page.locator("header >> text=1 under way").count() == 1
    page.click("text=Leave it to run")
    page.wait_for_selector("td:has-text('running')")
    check(page, width)
    page.click("text=Watch")
    page.click("text=Cancel")
    page.wait_for_selector("text=It was cancelled by local")
    check(page, width)
    page.click("text=Ask for it again")
    page.wait_for_selector("#waiting")
    held.set()
    page.wait_for_selector("text=Basis")
    assert page.url.partition("/lines?")[2]


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_a_comparison_from_the_form_by_keyboard(show, held, tmp_path, scripts):
    file = tmp_path / "fractions.csv"
    file.write_text(FRACTIONS, encoding="utf-8")
    page = show("/lines", PHONE, java_script_enabled=scripts)
    page.focus("input[name=min_grade]")
    page.keyboard.type("96,4" if scripts else "96,3")
    page.keyboard.press("Tab")
    page.keyboard.type("80")
    page.focus("input[name=lines][value=a]")
    page.keyboard.press("Space")
    page.focus("input[name=lines][value=b]")
    page.keyboard.press("Space")
    page.set_input_files("input[name=file]", file)
    page.focus("text=Compare")
    page.keyboard.press("Enter")
    page.wait_for_selector("#waiting")
    page.wait_for_selector("li:has-text('held by the test')")
    held.set()
    page.wait_for_selector("#partition")
    assert page.input_value("input[name=confidence]") == "80"
    assert page.is_checked("input[name=lines][value=b]")
    assert page.locator("section[aria-label='Lines side by side'] tbody > tr").count() == 2


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_a_cancelled_answer_is_not_begun_anew_by_a_page_that_waits(show, held, scripts):
    path = f"/diagnosis?line={'a' if scripts else 'b'}"
    waits = show(path, TABLET, java_script_enabled=scripts)
    waits.wait_for_selector("li:has-text('held by the test')")
    other = show("/jobs", LAPTOP)
    other.click("tr:has-text('running') >> text=Cancel")
    other.wait_for_selector("text=It was cancelled by local")
    waits.wait_for_selector("text=It was cancelled by local")
    assert other.locator("header >> text=under way").count() == 0


def test_a_comparison_and_a_diagnosis_print(show):
    for path, sign, text in (
        (LINES, "ul.causes", "season of"),
        (DIAGNOSIS, "#doubtful li", "Drift"),
    ):
        page = show(path, scheme="dark")
        page.wait_for_selector(sign)
        page.emulate_media(media="print")
        with pypdfium2.PdfDocument(page.pdf()) as document:
            told = "\n".join(p.get_textpage().get_text_range() for p in document)
            ground = document[0].render(scale=0.3).to_numpy()[0, 0]
        assert ground.min() > 240  # paper is white in every color scheme
        assert text in told
        assert "Basis" in told
        assert "Grade to" not in told
