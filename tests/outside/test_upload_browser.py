"""Uploads in a real browser: Debian's Chromium, driven by Playwright; see test_service_browser.py.

Accessibility by axe-core (Deque Systems), rules of WCAG 2.0 to 2.2, levels A and AA, and its best
practices.
"""

from __future__ import annotations

import base64
import io

import pypdfium2
import pytest
from openpyxl import Workbook

from optimizer import History
from optimizer.service.admission.access import Access
from optimizer.service.http.app import create_app
from optimizer.service.pages.uploading.view import key_of
from tests.outside.test_service_browser import LAPTOP, PHONE, RULES, TABLET, options_of
from tests.programs import needs_chromium
from tests.service.test_service import row
from tests.service.test_uploads import text
from tests.serving import in_thread

pytestmark = needs_chromium

GOOD = row(1, started_at="2026-03-02 06:00")
WRONG = row(2, air="high", started_at="2026-03-02 07:00")
DOUBTED = row(3, grade=0.85, feed_grade=0.95, started_at="2026-03-02 08:00")
TWO_DAYS = row(4, started_at="03/04/2025")


@pytest.fixture(scope="module")
def service(tmp_path_factory):
    """The address and the history of a service."""
    options = options_of(tmp_path_factory.mktemp("uploads"))
    with in_thread(create_app(options, Access({}, b"k" * 32))) as port:
        yield f"http://127.0.0.1:{port}", History(options.history)


@pytest.fixture
def show(pages, service):
    """``show(path, width, ...)`` opens a page; the browser console must stay empty."""

    def call(path: str, *how, **more):
        return pages(service[0] + path, *how, **more)

    return call


def choose(page, content: bytes, name: str = "march.csv"):
    """Choose a file, send it, and wait until it is understood."""
    page.set_input_files("#file", {"name": name, "mimeType": "text/csv", "buffer": content})
    page.click("text=Upload")
    page.wait_for_selector("form.upload")
    return page


def a_log(*rows) -> bytes:
    names = list(dict.fromkeys(name for each in rows for name in each))
    return text(*({name: each.get(name, "") for name in names} for each in rows))


def a_workbook() -> bytes:
    book, out = Workbook(), io.BytesIO()
    book.active.title = "March"
    for title, each in (("March", GOOD), ("April", WRONG)):
        sheet = book[title] if title in book.sheetnames else book.create_sheet(title)
        sheet.append([*each])
        sheet.append([*each.values()])
    book.save(out)
    return out.getvalue()


def check_page(page, width: int) -> None:
    """Assert that a page is accessible, that nothing is cut, and that its targets are large."""
    from axe_playwright_python.sync_playwright import Axe

    page.locator("details").evaluate_all("all => all.forEach(d => d.open = true)")
    found = Axe().run(page, options=RULES).response
    assert len(found["passes"]) > 15
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Large targets: 44 by 44 CSS pixels, WCAG 2.2 success criterion 2.5.5 (level AAA); a box is
    # pressed by its label, too.
    boxes = "input[type=checkbox]"
    targets = f"button, input:not([type=hidden]):not({boxes[5:]}), select, summary, .second-word"
    for target in page.query_selector_all(targets):
        box = target.bounding_box()
        assert box is None or (box["height"] >= 44 and box["width"] >= 44), box


@pytest.mark.parametrize("scripts", [True, False], ids=["scripts", "no scripts"])
def test_a_log_is_mapped_corrected_and_loaded(show, service, scripts):
    air = 41 if scripts else 42
    odd = {"feed_rate": "Futterrate"}
    rows = [{**GOOD, "run_id": f"g{air}"}, {**WRONG, "run_id": f"w{air}"}]
    rows = [{odd.get(n, n): v for n, v in each.items()} for each in rows]
    page = choose(show("/upload", TABLET, java_script_enabled=scripts), a_log(*rows))
    assert "no column for feed rate" in page.inner_text("main")
    page.select_option(f"[id='is-{key_of('Futterrate')}']", "feed_rate")
    page.click("text=Check again")
    page.wait_for_selector("text=1 would be added")
    page.click(".faulty summary")
    field = page.locator(".faulty input[aria-invalid]")
    assert field.input_value() == "high"
    field.fill(str(air))
    page.keyboard.press("Enter")  # checks again; a load is only ever pressed
    page.wait_for_selector("text=2 would be added")
    page.click("button:text-is('Load')")
    page.wait_for_selector("h2:text-is('Loaded')")
    stored = {run["run_id"]: run["air"] for run in service[1].at().runs().to_pylist()}
    assert stored[f"w{air}"] == air


DROP = """([content, name]) => {
  const bytes = Uint8Array.from(atob(content), c => c.charCodeAt(0));
  const dataTransfer = new DataTransfer();
  dataTransfer.items.add(new File([bytes], name));
  for (const kind of ['dragover', 'drop']) {
    const event = new DragEvent(kind, {dataTransfer, bubbles: true, cancelable: true});
    document.querySelector('main').dispatchEvent(event);
  }
}"""


def test_a_file_is_dropped_anywhere_on_the_page(show):
    page = show("/upload")
    assert page.is_visible(".drop-hint")
    page.evaluate(DROP, [base64.b64encode(a_log(GOOD)).decode(), "dropped.csv"])
    page.wait_for_selector("form.upload")
    assert page.inner_text("h1") == "dropped.csv"


def test_without_scripts_no_word_of_dropping_is_shown(show):
    page = show("/upload", java_script_enabled=False)
    assert not page.is_visible(".drop-hint")


def test_a_page_of_a_long_check_shows_it_when_it_is_ready(show, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", 0.0)
    page = show("/upload")
    content = a_log({**GOOD, "note": "long"})
    page.set_input_files("#file", {"name": "long.csv", "mimeType": "text/csv", "buffer": content})
    page.click("text=Upload")
    page.wait_for_selector("form.upload")  # the check is kept, and the page has looked again
    assert page.inner_text("h1") == "long.csv"


@pytest.mark.parametrize(
    ("width", "scheme"), [(PHONE, "light"), (TABLET, "dark"), (LAPTOP, "light")]
)
def test_each_state_is_accessible_and_nothing_is_cut(show, width, scheme):
    page = show("/upload", width, scheme)
    check_page(page, width)
    rows = [{**each, "run_id": f"{each['run_id']}-{width}", "line": f"deck-{width}"}
            for each in (GOOD, WRONG, DOUBTED, TWO_DAYS)]  # fmt: skip
    choose(page, a_log(*rows), "a long name of a log of a season with many words in it.csv")
    assert page.locator(".faulty li").count() >= 3
    unit = f"[id='unit-{key_of('recovery')}']"
    page.fill(unit, "psi")
    page.click("text=Check again")
    page.wait_for_selector("input[aria-invalid]")
    check_page(page, width)
    page.fill(unit, "")
    page.click("button:text-is('Load')")
    page.wait_for_selector("h2:text-is('Loaded')")
    check_page(page, width)


def test_a_workbook_and_a_refused_choice_are_accessible(show):
    page = choose(show("/upload", PHONE), a_workbook(), "book.xlsx")
    for box in page.query_selector_all("fieldset input[type=checkbox]"):
        box.uncheck()
    page.fill("input[name=new_line]", "deck-4")
    page.click("text=Check again")
    page.wait_for_selector("[role=alert]")
    assert page.input_value("input[name=new_line]") == "deck-4"
    check_page(page, PHONE)


def test_an_empty_file_is_refused_beside_its_field(show):
    page = show("/upload", PHONE)
    page.set_input_files("#file", {"name": "a.csv", "mimeType": "text/csv", "buffer": b""})
    page.click("text=Upload")
    page.wait_for_selector(".fault")
    assert "'a.csv' is empty." in page.inner_text(".fault")
    check_page(page, PHONE)


FOCUSED = "document.activeElement.name || document.activeElement.innerText"


def test_keyboard_alone_reaches_every_field_in_order(show):
    page = choose(show("/upload"), a_log(GOOD))
    page.focus("select[name^='is.']")
    seen = []
    for _ in range(60):
        seen.append(page.evaluate(FOCUSED))
        page.keyboard.press("Tab")
    wanted = ["line", "new_line", "date_order", "samples", "Check again", "Load"]
    assert [name for name in seen if name in wanted][: len(wanted)] == wanted


def test_what_is_understood_prints(show):
    page = choose(show("/upload", scheme="dark"), a_log(GOOD, WRONG))
    page.emulate_media(media="print")
    with pypdfium2.PdfDocument(page.pdf()) as document:
        printed = "\n".join(p.get_textpage().get_text_range() for p in document)
        ground = document[0].render(scale=0.3).to_numpy()[0, 0]
    assert ground.min() > 240
    assert "Rejected rows: 1" in printed
    assert "air 'high' is not a number" in printed
    assert "Check again" not in printed
