"""The page of today in a real browser: Debian's Chromium, driven by Playwright.

Accessibility by axe-core 4.12.1 (Deque Systems, from the PyPI package axe-playwright-python 0.1.8),
rules of WCAG 2.0 to 2.2, levels A and AA, and its best practices. Skipped only where there is no
Chromium (``tests.programs``).
"""

from __future__ import annotations

from urllib.parse import parse_qsl, urlsplit

import pypdfium2
import pytest

from optimizer import History
from optimizer.service.admission.access import Access
from optimizer.service.http.app import create_app
from tests.outside.test_service_browser import (
    LAPTOP,
    PHONE,
    RULES,
    TABLET,
    options_of,
    show,
)
from tests.programs import needs_chromium
from tests.service.test_service import client_of, row
from tests.serving import SECONDS, in_thread

__all__ = ["show"]  # fixtures

pytestmark = [needs_chromium, pytest.mark.usefixtures("small_plans")]

WRONG = (
    "/?line=deck-1&min_grade=0.985&m.moisture=wet&limits.air.low=50&limits.air.high=30"
    "&couplings.0.at_most=4"
)
VALUE = "/?line=deck-1&trials=2&goal.maximise=value&goal.prices.product=2400&min_grade=97"
TRADE_OFF = "/?line=deck-1&trials=1&goal.maximise=trade-off&min_grade=97"


@pytest.fixture(scope="module")
def options(tmp_path_factory):
    return options_of(tmp_path_factory.mktemp("today"))


@pytest.fixture(scope="module")
def address(options):
    """A service with runs of two lines."""
    runs = [
        row(k, air=30 + 2 * k, grade=0.97 + k / 1000, moisture=10 + k % 3, material="washed")
        for k in range(10)
    ]
    with client_of(options) as client:
        client.post("/v1/runs", json=[*runs, row(20, line="deck-2")])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", SECONDS)
        with in_thread(create_app(options, Access({}, b"k" * 32))) as port:
            yield f"http://127.0.0.1:{port}"


@pytest.mark.parametrize("width", [PHONE, TABLET])
def test_from_the_line_to_an_issued_batch_without_scripts(show, options, width):
    page = show("/", width, java_script_enabled=False)
    page.click("text=deck-2" if width == PHONE else "text=deck-1")
    line = page.inner_text("h1").removeprefix("Today on ")
    page.fill("input[name='m.moisture']", "11,2")
    page.fill("input[name=trials]", "2")
    page.click("summary:has-text('Limits')")
    page.fill("input[name='limits.air.low']", "34")
    page.fill("input[name='limits.air.high']", "fifty")
    page.click("summary:has-text('Couplings')")
    page.fill("input[name='couplings.0.terms.air']", "1")
    page.click("text=Add a coupling")
    assert page.input_value("input[name='limits.air.high']") == "fifty"
    assert page.is_visible("input[name='couplings.1.terms.air']")
    page.fill("input[name='couplings.0.at_most']", "60")
    page.click("text=Plan trials >> nth=0")
    wrong = page.locator("[aria-invalid]")
    assert wrong.get_attribute("name") == "limits.air.high"
    assert wrong.is_visible()  # its section is open
    said = page.locator(f"[id='{wrong.get_attribute('aria-describedby')}']")
    assert "'fifty' is not a number" in said.inner_text()
    wrong.fill("50")
    page.click("text=Plan trials >> nth=1")
    page.wait_for_selector("form.issue")
    assert dict(parse_qsl(urlsplit(page.url).query)) == {
        "line": line, "m.moisture": "11,2", "trials": "2", "limits.air.low": "34",
        "limits.air.high": "50", "couplings.0.terms.air": "1", "couplings.0.at_most": "60",
    }  # fmt: skip
    page.click("text=Issue this batch")
    page.wait_for_selector("article.trial")
    assert f"{line}-1" in page.inner_text(".batch h1")
    page.click("summary:has-text('Change what is asked')")
    assert page.input_value("input[name='m.moisture']") == "11,2"
    assert History(options.history).at().version is not None


def test_a_colleague_finds_the_form_filled_in_and_can_start_from_nothing(show):
    first = show("/?choose=deck-1", LAPTOP)
    first.fill("input[name='m.moisture']", "10.4")
    first.click("summary:has-text('Time that one trial takes')")
    first.fill("input[name='trials.settle_minutes']", "12")
    first.click("text=Plan trials >> nth=0")
    first.wait_for_selector("form.issue")
    second = show("/", PHONE, java_script_enabled=False)
    second.click("text=deck-1")
    assert second.input_value("input[name='m.moisture']") == "10.4"
    assert "1 entered" in second.inner_text("#section-minutes summary")
    assert "Filled in as last planned with on this line" in second.inner_text("main")
    second.click("text=Start from nothing")
    assert second.input_value("input[name='m.moisture']") == ""


def test_the_keyboard_alone_plans_and_enter_adds_no_coupling(show):
    page = show("/?choose=deck-1&empty=yes", TABLET)
    page.focus("input[name=trials]")
    page.keyboard.type("1")
    page.keyboard.press("Enter")
    page.wait_for_selector("form.issue")
    assert page.url.endswith("/?line=deck-1&trials=1")
    page = show("/?choose=deck-1&empty=yes", TABLET)
    page.focus("summary:has-text('Capacity')")
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.type("1.5")
    assert page.input_value("input[name='capacity.min_feed_rate']") == "1.5"


STATES = ["/", "/?choose=", "/?choose=deck-1", WRONG, VALUE, TRADE_OFF]


@pytest.mark.parametrize(("width", "scheme"), [(PHONE, "light"), (TABLET, "dark")])
@pytest.mark.parametrize("path", STATES)
def test_accessible_and_nothing_cut(show, path, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page = show(path, width, scheme)
    page.locator("details").evaluate_all("all => all.forEach(d => d.open = true)")
    found = Axe().run(page, options=RULES).response
    assert len(found["passes"]) > 15
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Large targets: 44 by 44 CSS pixels, WCAG 2.2 success criterion 2.5.5 (level AAA).
    targets = "button, input:not([type=hidden]):not([type=checkbox]), select, summary, a.act"
    for target in page.query_selector_all(targets):
        box = target.bounding_box()
        assert box is None or (box["height"] >= 44 and box["width"] >= 44), box


def test_a_phone_shows_first_what_is_asked_daily(show):
    page = show("/?choose=deck-1&empty=yes", PHONE)
    daily = ("m.moisture", "m.material", "min_grade", "trials", "trials.material_available",
             "trials.minutes_available")  # fmt: skip
    assert [page.is_visible(f"input[name='{name}']") for name in daily] == [True] * len(daily)
    assert page.locator("form.today details input:visible").count() == 0


def test_what_was_assumed_is_printed_and_the_form_is_not(show):
    page = show(TRADE_OFF, scheme="dark")
    page.emulate_media(media="print")
    with pypdfium2.PdfDocument(page.pdf()) as document:
        text = "\n".join(p.get_textpage().get_text_range() for p in document)
    said = " ".join(text.split())
    assert "Assumed, since nothing was entered" in said
    assert "confidence in the grade 90 %" in said
    assert "Asked for: grade 97 %; trials 1" in said
    for absent in ("Plan trials", "Start from nothing", "Change what is asked", "Another line"):
        assert absent not in said
