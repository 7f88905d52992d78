"""The page in a real browser: Debian's Chromium, driven by Playwright.

The service runs in a thread of the test, so that a test can say how long a page waits for a plan.
Accessibility by axe-core 4.12.1 (Deque Systems, from the PyPI package axe-playwright-python 0.1.8),
rules of WCAG 2.0 to 2.2, levels A and AA, and its best practices. Skipped only where there is no
Chromium (``tests.programs``).
"""

from __future__ import annotations

import pypdfium2
import pytest

from optimizer import History
from optimizer.service.admission.access import Access
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.http.app import create_app
from tests.conftest import names_of_before
from tests.programs import needs_chromium
from tests.service.test_service import SITE, TOKENS, client_of, row
from tests.serving import in_thread

pytestmark = [needs_chromium, pytest.mark.usefixtures("small_plans")]

PHONE, TABLET, LAPTOP = 390, 820, 1280
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# Violations are reported with every element; a rule that passes, with one, as a page has thousands.
RULES = {"runOnly": {"type": "tag", "values": WCAG}, "resultTypes": ["violations"]}
ASKED = "/?line=deck-1&trials=2"


def options_of(folder) -> Configuration:
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    return Configuration(str(folder / "history"), str(folder / "site.toml"), rate=0, planners=0)


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """A service with a history of two lines, a rejected row, and an open batch with a result."""
    options = options_of(tmp_path_factory.mktemp("pages"))
    rows = [row(k, air=30 + k, grade=0.98 + k / 1000, material="washed") for k in range(8)]
    with client_of(options) as client:
        with names_of_before():
            client.post("/v1/runs", json=[*rows, row(9, line="deck\x1b2"), row(10, grade=97)])
        client.post("/v1/batches", json={"line": "deck-1", "trials": {"count": 3}})
        done = {"grade": 0.91, "recovery": 0.9, "settings": {"air": 40.5}, "note": "uneven feed"}
        client.post("/v1/batches/deck-1-1/trials/1/result", json=done)
        skipped = {"state": "skipped", "reason": "the lot ran out"}
        client.patch("/v1/batches/deck-1-1/trials/2", json=skipped)
    with in_thread(create_app(options, Access({}, b"k" * 32))) as port:
        yield f"http://127.0.0.1:{port}"


@pytest.fixture
def show(pages, address):
    """``show(path, width, ...)`` opens a page; the browser console must stay empty."""

    def call(path: str, *how, where: str = "", **more):
        return pages((where or address) + path, *how, **more)

    return call


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_a_recorded_result_is_followed_by_its_plan(show, tmp_path, monkeypatch, scripts):
    # Every answer that is not ready at once has a waiting page.
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", 0.01)
    options = options_of(tmp_path)
    with client_of(options) as client:
        client.post("/v1/runs", json=[row(k, air=30 + k, grade=0.98 + k / 1000) for k in range(8)])
    with in_thread(create_app(options, Access({}, b"k" * 32))) as port:
        where = f"http://127.0.0.1:{port}"
        page = show("/?line=deck-1&trials=1#now", TABLET, where=where, java_script_enabled=scripts)
        page.wait_for_selector("form.issue")
        page.click("text=Issue this batch")
        page.wait_for_selector("article.trial")
        page.click("article.trial summary")
        page.fill("article.trial input[name=grade]", "98.4")
        page.fill("article.trial input[name=recovery]", "95.5")
        page.click("text=Record the result")
        page.wait_for_selector("#changed")
        assert "What the result changed" in page.inner_text("#changed")
        assert "deck-1-1.1" in page.inner_text("article.trial h2")
        assert "done" in page.inner_text("article.trial h2")
    assert History(options.history).at().runs().num_rows == 9


PATHS = ["/", ASKED, "/runs", "/lines?min_grade=98", "/?line=deck-1&trials=x", "/batches",
         "/batches?batch=deck-1-1"]  # fmt: skip


@pytest.mark.parametrize(("width", "scheme"), [(PHONE, "light"), (TABLET, "dark")])
@pytest.mark.parametrize("path", PATHS)
def test_accessible_and_nothing_cut(show, path, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page = show(path, width, scheme)
    if path in (ASKED, "/lines?min_grade=98"):
        page.wait_for_selector("form.issue" if path == ASKED else "th")
    page.locator("details").evaluate_all("all => all.forEach(d => d.open = true)")
    found = Axe().run(page, options=RULES).response
    assert len(found["passes"]) > 15
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Large targets: 44 by 44 CSS pixels, WCAG 2.2 success criterion 2.5.5 (level AAA).
    # The target of a check box is its whole label.
    fields = "input:not([type=hidden]):not([type=checkbox]), label:has([type=checkbox])"
    for target in page.query_selector_all(f"button, {fields}, select, summary"):
        box = target.bounding_box()
        assert box is None or (box["height"] >= 44 and box["width"] >= 44), box


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_waiting_page_is_accessible(show, monkeypatch, scheme):
    from axe_playwright_python.sync_playwright import Axe

    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", 0.0)
    page = show(f"/?line=deck-1&trials={3 if scheme == 'light' else 4}", PHONE, scheme)
    assert page.is_visible("text=Look again")
    page.evaluate("for (let k = 0; k < 10000; k++) clearInterval(k)")  # the page must not reload
    found = Axe().run(page, options=RULES).response
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]


def test_a_line_can_be_added_beside_others(show):
    page = show("/", TABLET, java_script_enabled=False)
    (hidden,) = [o for o in page.query_selector_all(".choices li") if "x1b" in o.inner_text()]
    assert "cannot be chosen" in hidden.inner_text()
    assert not hidden.query_selector("a")
    page.fill("input[name=choose]", "deck-9")
    page.click("text=Choose")
    page.fill("input[name=trials]", "1")
    page.click("text=Plan trials >> nth=0")
    page.wait_for_selector(".trials")
    assert page.inner_text("h1 >> nth=0") == "Today on deck-9 (new)"
    assert page.inner_text("h1 >> nth=1").startswith("deck-9:")


def test_the_plan_prints_without_interactive_elements(show):
    page = show(ASKED, scheme="dark")
    page.wait_for_selector("form.issue")
    page.emulate_media(media="print")
    with pypdfium2.PdfDocument(page.pdf()) as document:
        text = "\n".join(p.get_textpage().get_text_range() for p in document)
        ground = document[0].render(scale=0.3).to_numpy()[0, 0]
    assert ground.min() > 240  # paper is white in every color scheme
    assert "Trial 1" in text
    assert "Trial 2" in text
    assert "deck-1-1.3" in text
    for absent in (
        "Enter its result",
        "Issue this",
        "Skip it",
        "Plan trials",
        "Report",
        "Runs\n",
        "Withdraw",
        "Sheet",
        "Undo",
        "Correct its",
    ):
        assert absent not in text


def test_a_refused_result_is_accessible_and_its_field_keeps_what_was_typed(show):
    from axe_playwright_python.sync_playwright import Axe

    page = show("/batches?batch=deck-1-1", PHONE)
    trial = page.locator("article.trial").nth(2)
    trial.locator("summary", has_text="Enter its result").click()
    trial.locator("input[name=grade]").fill("0.984")
    trial.locator("text=Record the result").click()
    page.wait_for_selector("[role=alert]")
    field = page.locator("article.trial input[aria-invalid]")
    assert field.input_value() == "0.984"
    said = page.locator(f"[id='{field.get_attribute('aria-describedby')}']")
    assert "per cent" in said.inner_text()
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": WCAG}}).response
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE


def test_signing_in_is_accessible(show, tmp_path):
    from axe_playwright_python.sync_playwright import Axe

    with in_thread(create_app(options_of(tmp_path), Access(TOKENS, b"k" * 32))) as port:
        page = show("/", PHONE, where=f"http://127.0.0.1:{port}")
        found = Axe().run(page, options=RULES).response
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
