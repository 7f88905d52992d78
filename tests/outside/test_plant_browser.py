"""The first visit in a real browser, Debian's Chromium by Playwright, mostly without scripts.

Accessibility by axe-core 4.12.1 (Deque Systems, from the PyPI package axe-playwright-python 0.1.8),
rules of WCAG 2.0 to 2.2, levels A and AA, and its best practices. axe is a script itself, so those
pages are opened with scripts; that the forms need none is tested without. Skipped only where there
is no Chromium (``tests.programs``).
"""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path

import pytest

from optimizer import History, Site
from optimizer.service.admission.access import Access
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.http.app import create_app
from tests.outside.test_service_browser import LAPTOP, PHONE, RULES, TABLET
from tests.programs import needs_chromium
from tests.serving import SECONDS, in_thread

pytestmark = [needs_chromium, pytest.mark.usefixtures("small_plans")]


@pytest.fixture
def options(tmp_path) -> Configuration:
    """A service in an empty folder."""
    return Configuration(str(tmp_path / "history"), str(tmp_path / "site.toml"), rate=0, planners=0)


@pytest.fixture
def visit(browser, options):
    """``with visit(width, ...) as page`` opens the service's first page in a browser."""

    @contextmanager
    def call(width: int = LAPTOP, **more):
        with in_thread(create_app(options, Access({}, b"k" * 32))) as port:
            viewport = {"width": width, "height": 900}
            context = browser.new_context(viewport=viewport, **more)
            page = context.new_page()
            page.set_default_timeout(1000 * SECONDS)
            said = []
            page.on("pageerror", lambda error: said.append(str(error)))
            page.on("console", lambda m: said.append(m.text) if "Policy" in m.text else None)
            page.goto(f"http://127.0.0.1:{port}/")
            yield page
            context.close()
            assert not said

    return call


def check_page(page, width: int) -> None:
    """No violation, nothing cut, and large targets: 44 by 44 CSS pixels, WCAG 2.2 success criterion
    2.5.5 (level AAA)."""
    from axe_playwright_python.sync_playwright import Axe

    page.locator("details").evaluate_all("all => all.forEach(d => d.open = true)")
    found = Axe().run(page, options=RULES).response
    assert len(found["passes"]) > 15
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for target in page.query_selector_all("button, input:not([type=hidden]), select, summary"):
        box = target.bounding_box()
        assert box is None or (box["height"] >= 44 and box["width"] >= 44), box


def test_without_scripts_an_empty_folder_becomes_a_plant(visit, options):
    with visit(TABLET, java_script_enabled=False) as page:
        assert page.inner_text("h1") == "Welcome"
        page.fill("[name='l.0.name']", "deck-1")
        page.click("text=Add a line")
        page.fill("[name='l.1.name']", "deck-2")
        page.click("#line-2 summary")
        page.fill("[name='l.1.feed_rate.high']", "3")
        page.click("text=Add a property")
        for name, value in (("name", "moisture"), ("unit", "%"), ("low", "8"), ("high", "6")):
            page.fill(f"[name='m.0.{name}']", value)
        page.fill("[name='site.name']", "River mill")
        page.select_option("[name='site.mass']", "short_ton")
        page.fill("[name='site.time_zone']", "America/Bogota")
        page.click("text=Save the plant")
        field = page.locator("[aria-invalid]")
        said = page.locator(f"[id='{field.get_attribute('aria-describedby')}']")
        assert said.inner_text() == "Low 8 must be below high 6."
        page.fill("[name='m.0.high']", "16")
        page.press("[name='m.0.high']", "Enter")  # the key checks; it neither saves nor adds a row
        assert "nothing is wrong" in page.inner_text(".notice")
        assert not Path(options.site).exists()
        page.click("text=Save the plant")
        assert page.inner_text(".notice h2") == "Saved"
        page.click("text=plan trials")
        assert page.locator(".choices a").all_inner_texts() == ["deck-1", "deck-2"]
    site = Site.read(options.site)
    assert (site.name, site.mass.name) == ("River mill", "short_ton")
    assert site.space_of("deck-2")["feed_rate"].high == 3


def test_without_scripts_the_demo_shows_a_plan(visit, options):
    with visit(TABLET, java_script_enabled=False) as page:
        page.click("button:text-is('Demo')")
        page.wait_for_selector("form.issue")
        assert page.inner_text("h1 >> nth=1").startswith("deck-1:")
        where = page.url.partition("/?")[0]
        for path in ("/runs", "/batches", "/lines", "/plant"):
            page.goto(where + path)
            assert page.locator("h1").count() > 0
        assert page.input_value("[name='l.1.feed_rate.high']") == "3"
    assert History(options.history).at().lines == ("deck-1", "deck-2", "deck-3")


@pytest.mark.parametrize(
    ("width", "scheme"), [(PHONE, "dark"), (TABLET, "light"), (LAPTOP, "dark")]
)
def test_each_state_is_accessible_and_nothing_is_cut(visit, options, width, scheme):
    with visit(width, color_scheme=scheme) as page:
        check_page(page, width)  # the welcome
        page.click("text=Add a property")
        page.fill("[name='m.0.name']", "moisture")
        page.fill("[name='site.time_zone']", "Mars")
        page.click("text=Save the plant")
        assert page.locator("[aria-invalid]").count() == 3
        check_page(page, width)  # what is wrong
        for name, value in (("m.0.low", "8"), ("m.0.high", "16"), ("site.time_zone", "UTC")):
            page.fill(f"[name='{name}']", value)
        page.click("text=Save the plant")
        check_page(page, width)  # saved
        stale = page.get_attribute("[name=fingerprint]", "value")
        page.fill("[name='s.air.high']", "80")
        page.click("text=Save the plant")
        # The locator waits for the page that the press leads to.
        page.locator("[name=fingerprint]").evaluate("(field, old) => field.value = old", stale)
        page.fill("[name='s.air.high']", "70")
        page.click("text=Save the plant")
        assert "Saved meanwhile" in page.inner_text("table")
        check_page(page, width)  # another person was first


def test_pairs_of_an_earlier_unit_are_asked_for_and_accessible(visit, options):
    with visit(PHONE) as page:
        page.click("button:text-is('Demo')")
        page.wait_for_selector("form.issue")
        page.goto(page.url.partition("/?")[0] + "/plant")
        page.fill("[name='s.air.unit']", "%")
        page.fill("[name='s.air.high']", "100")
        page.click("text=Save the plant")
        check_page(page, PHONE)
        for name, value in (("0.old", "0"), ("0.new", "0"), ("1.old", "90"), ("1.new", "100")):
            page.fill(f"[name='w.air.{name}']", value)
        page.click("text=Save the plant")
        assert page.inner_text(".notice h2") == "Saved"
    assert Site.read(options.site).space["air"].unit == "%"


def test_the_page_can_be_used_by_keyboard_alone(visit):
    with visit(LAPTOP) as page:
        seen = []
        page.locator("[name='l.0.name']").focus()
        for _ in range(200):
            page.keyboard.press("Tab")
            name = page.evaluate("document.activeElement.name || document.activeElement.tagName")
            seen.append(name)
            if seen.count("act") == 4 or name == "BODY":
                break
        assert "SUMMARY" in seen
        for name in ("s.air.low", "f.unit", "site.mass", "site.time_zone", "name"):
            assert name in seen
        assert seen.count("act") == 4  # add a line, add a property, save, check


def test_the_plant_prints(visit, options):
    import pypdfium2

    with visit(LAPTOP, color_scheme="dark") as page:
        page.emulate_media(media="print")
        with pypdfium2.PdfDocument(page.pdf()) as document:
            text = "\n".join(p.get_textpage().get_text_range() for p in document)
            ground = document[0].render(scale=0.3).to_numpy()[0, 0]
    assert ground.min() > 240  # paper is white in every color scheme
    assert "Eccentric speed" in text
    for absent in ("Save the plant", "Add a line", "Today"):
        assert absent not in text
