"""The pages about the history in a real browser: Debian's Chromium, driven by Playwright.

Accessibility by axe-core 4.12.1 (Deque Systems, from the PyPI package axe-playwright-python 0.1.8),
rules of WCAG 2.0 to 2.2, levels A and AA, and its best practices. Skipped only where there is no
Chromium (``tests.programs``).
"""

from __future__ import annotations

import io

import pandas as pd
import pypdfium2
import pytest

from optimizer import History
from optimizer.service.admission.access import Access
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.http.app import create_app
from tests.outside.test_service_browser import PHONE, RULES, TABLET
from tests.programs import needs_chromium
from tests.service.test_service import SITE, client_of, row
from tests.serving import SECONDS, in_thread

pytestmark = [needs_chromium, pytest.mark.usefixtures("small_plans")]

LAPTOP = 1280
PATHS = [
    "/runs", "/runs?text=lot&sort=air&order=down&withdrawn=also", "/runs?since=x&grade_low=0.9",
    "/runs?as_of=0", "/runs/r5?line=deck-1", "/runs/r6?line=deck-1", "/runs/deck-1-1.1", "/runs/r1",
    "/changes", "/versions", "/versions/0/restore", "/rejected",
]  # fmt: skip


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A service whose history has changed runs, a trial, a rejected row and two lines; its address
    and its history."""
    folder = tmp_path_factory.mktemp("pages")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    options = Configuration(str(folder / "history"), str(folder / "site.toml"), rate=0, planners=0)
    runs = [
        row(k, air=30 + k % 9, grade=0.97 + k % 20 / 1000, note=f"lot {k} <i>", material="washed",
            moisture=11 + k % 3 / 10, deck_state="even" if k % 7 else "boiling")
        for k in range(120)
    ]  # fmt: skip
    with client_of(options) as client:
        client.post("/v1/runs", json=[*runs, row(1, line="deck-2"), row(500, grade=97)])
        client.post("/v1/batches", json={"line": "deck-1", "trials": {"count": 2}})
        done = {"grade": 0.91, "recovery": 0.9}
        client.post("/v1/batches/deck-1-1/trials/1/result", json=done)
        client.patch("/v1/runs/r5", json={"grade": "98.2%", "reason": "digits exchanged"})
        client.delete("/v1/runs/r6", params={"reason": "sample mixed up"})
    with in_thread(create_app(options, Access({}, b"k" * 32))) as port:
        yield f"http://127.0.0.1:{port}", History(options.history)


@pytest.fixture
def show(pages, served):
    """``show(path, width, ...)`` opens a page; the browser console must stay empty."""

    def call(path: str, *how, **more):
        return pages(served[0] + path, *how, **more)

    return call


@pytest.mark.parametrize(
    ("width", "scheme"), [(PHONE, "light"), (TABLET, "dark"), (LAPTOP, "light")]
)
@pytest.mark.parametrize("path", PATHS)
def test_accessible_and_nothing_cut(show, path, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page = show(path, width, scheme)
    page.locator("details").evaluate_all("all => all.forEach(d => d.open = true)")
    found = Axe().run(page, options=RULES).response
    assert len(found["passes"]) > 15
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Large targets: 44 by 44 CSS pixels, WCAG 2.2 success criterion 2.5.5 (level AAA).
    targets = "button, input:not([type=hidden]), select, summary, a.act, table.runs a, a.go"
    for target in page.query_selector_all(targets):
        box = target.bounding_box()
        least = 24 if target.evaluate("e => e.closest('th, .go') !== null") else 44
        assert box is None or (box["height"] >= 44 and box["width"] >= least), box


def test_a_wrong_run_is_found_corrected_withdrawn_and_reinstated_without_scripts(show, served):
    page = show("/runs", TABLET, java_script_enabled=False)
    page.click("summary:has-text('Choose runs')")
    page.fill("input[name=text]", "LOT 77")
    page.fill("input[name=since]", "2026-03-02")
    page.select_option("select[name=state]", "boiling")
    page.click("button:has-text('Show')")
    assert page.inner_text("h2 >> text=of these runs") == "1 of these runs"
    page.click("table.runs a:has-text('r77')")
    assert page.inner_text("h1") == "Run r77 of deck-1"
    page.click("summary:has-text('Correct')")
    page.fill("input[name='v.grade']", "0.981")
    form = page.locator("form", has=page.locator("input[value=correct]"))
    form.locator("input[name=reason]").fill("read from the wrong line")
    form.locator("input[name=name]").fill("Ana")
    form.locator("button").click()
    field = page.locator("input[name='v.grade']")
    assert field.input_value() == "0.981"
    beside = page.locator(f"[id='{field.get_attribute('aria-describedby')}']")
    assert "per cent" in beside.inner_text()
    field.fill("98.1")
    form.locator("button").click()
    assert "by Ana" in page.inner_text("article.change")
    assert [run["grade"] for run in _run(served, "r77")] == [0.981]
    page.click("summary:has-text('Withdraw')")
    form = page.locator("form", has=page.locator("input[value=withdraw]"))
    form.locator("input[name=reason]").fill("of another lot")
    form.locator("button").click()
    assert page.inner_text("h1") == "Run r77 of deck-1 withdrawn"
    assert not _run(served, "r77")
    page.click("summary:has-text('Reinstate')")
    form = page.locator("form", has=page.locator("input[value=reinstate]"))
    form.locator("input[name=reason]").fill("it was that lot after all")
    form.locator("button").click()
    assert page.inner_text("h1") == "Run r77 of deck-1"
    assert [run["grade"] for run in _run(served, "r77")] == [0.981]
    assert page.locator("article.change").count() == 3


def _run(served, run_id: str) -> list[dict]:
    return [run for run in served[1].at().runs().to_pylist() if run["run_id"] == run_id]


def test_the_list_is_sorted_by_the_keyboard_alone_and_downloaded(show):
    page = show("/runs?line=deck-1&withdrawn=also", java_script_enabled=False)
    for order in ("ascending", "descending"):
        page.focus("table.runs th a:has-text('Grade')")
        page.keyboard.press("Enter")
        page.wait_for_selector(f"th[aria-sort={order}]:has-text('Grade')")
    grades = [
        float(text) for text in page.locator("table.runs tr td:nth-child(10)").all_inner_texts()
    ]
    assert grades == sorted(grades, reverse=True)
    assert len(grades) == 100
    page.click("nav.pages >> text=Next")
    assert page.locator("table.runs tbody tr").count() == 21
    with page.expect_download() as download:
        page.click("text=Download as CSV")
    content = download.value.path().read_bytes()
    found = pd.read_csv(io.BytesIO(content))["grade"]
    assert list(found) == sorted(found, reverse=True)
    assert len(found) == 121


def test_the_pages_print_without_what_only_a_screen_can_do(show):
    page = show("/runs/r5?line=deck-1", scheme="dark")
    page.emulate_media(media="print")
    with pypdfium2.PdfDocument(page.pdf()) as document:
        text = "\n".join(each.get_textpage().get_text_range() for each in document)
    assert "digits exchanged" in text
    assert "98.2 %" in text
    for absent in ("Is something wrong?", "Reason\n", "Your name"):
        assert absent not in text


def test_a_version_is_restored_without_scripts(browser, tmp_path):
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    site = str(tmp_path / "site.toml")
    options = Configuration(str(tmp_path / "history"), site, rate=0, planners=0)
    with client_of(options) as client:
        for k in range(2):
            client.post("/v1/runs", json=[row(k)])
    with in_thread(create_app(options, Access({}, b"k" * 32))) as port:
        context = browser.new_context(java_script_enabled=False)
        page = context.new_page()
        page.set_default_timeout(1000 * SECONDS)
        page.goto(f"http://127.0.0.1:{port}/versions")
        page.click("text=Restore version 0")
        assert "r1 of deck-1" in page.inner_text("main")
        page.fill("input[name=reason]", "a wrong file")
        page.click("button:has-text('Restore version 0')")
        assert "Version 0 restored: a wrong file" in page.inner_text("table.versions")
        context.close()
    assert History(options.history).at().runs()["run_id"].to_pylist() == ["r0"]
