"""The report in a real browser: Debian's Chromium, driven by Playwright.

Accessibility by axe-core 4.12.1 (Deque Systems, from the PyPI package axe-playwright-python 0.1.8),
rules of WCAG 2.0 to 2.2, levels A and AA, and its best practices. Skipped only where there is no
Chromium (``tests.programs``).
"""

from __future__ import annotations

import json

import pypdfium2
import pytest

from optimizer.presentation.pages import sheet_html
from tests.presentation.report_case import check_numbers, documents, season_page, season_review
from tests.programs import needs_chromium
from tests.serving import SECONDS

pytestmark = needs_chromium
PHONE, LAPTOP, WIDE = 390, 1280, 1800
WCAG = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# Violations are reported with every element; a rule that passes, with one, as a page has thousands.
RULES = {"runOnly": {"type": "tag", "values": WCAG}, "resultTypes": ["violations"]}


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Files of the report page and of the separate sheet in two paper sizes."""
    folder = tmp_path_factory.mktemp("report")
    (folder / "report.html").write_text(season_page(), encoding="utf-8")
    for paper in ("a4", "letter"):
        text = sheet_html(season_review().sheet(), paper)
        (folder / f"sheet-{paper}.html").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def show(browser, files):
    """``show(file, width, scheme)`` opens a page; gives the page and all its requests."""
    contexts = []

    def call(name: str, width: int = LAPTOP, scheme: str = "light"):
        context = browser.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
        context.set_default_timeout(1000 * SECONDS)
        contexts.append(context)
        asked: list[str] = []
        context.on("request", lambda request: asked.append(request.url))
        page = context.new_page()
        said: list[str] = []
        page.on("console", lambda message: said.append(message.text))
        page.goto((files / name).as_uri())
        page.wait_for_load_state("networkidle")
        assert not said
        return page, asked

    yield call
    for context in contexts:
        context.close()


def test_no_request_leaves_the_page(show, files):
    for name in ("report.html", "sheet-a4.html"):
        page, asked = show(name)
        page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
        page.locator("details").evaluate_all("all => all.forEach(d => d.open = true)")
        page.wait_for_load_state("networkidle")
        assert asked == [(files / name).as_uri()]


def test_every_visible_number_equals_its_document(show):
    page, _ = show("report.html")
    shown = page.locator("data[data-from]").evaluate_all(
        "all => all.map(d => [d.dataset.from, d.value, d.dataset.kind, d.innerText])"
    )
    paths = check_numbers([tuple(row) for row in shown], documents(season_review()))
    plan = season_review().plan.as_dict()
    assert {f"plan:recommendations.{k}.rank" for k in range(len(plan["recommendations"]))} <= paths
    now = page.locator(".now .settings dd").all_inner_texts()
    assert [float(text.split()[0]) for text in now] == list(plan["run_now"]["settings"].values())


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [PHONE, LAPTOP])
def test_accessible(show, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page, _ = show("report.html", width, scheme)
    found = Axe().run(page, options=RULES).response
    assert len(found["passes"]) > 20
    faults = [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    assert not faults


def test_the_separate_sheet_is_accessible(show):
    from axe_playwright_python.sync_playwright import Axe

    page, _ = show("sheet-a4.html")
    found = Axe().run(page, options=RULES).response
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]


@pytest.mark.parametrize("width", [PHONE, LAPTOP, WIDE])
def test_nothing_is_cut_at_any_width(show, width):
    page, _ = show("report.html", width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    for box in page.locator("svg.plot").evaluate_all(
        "all => all.map(s => { const r = s.getBoundingClientRect(); return [r.left, r.right] })"
    ):
        assert 0 <= box[0] < box[1] <= width
    smallest = page.locator("svg.plot text").evaluate_all(
        "all => Math.min(...all.map(t => parseFloat(getComputedStyle(t).fontSize)"
        " * t.ownerSVGElement.getBoundingClientRect().width"
        " / t.ownerSVGElement.viewBox.baseVal.width))"
    )
    assert smallest >= 7.5  # CSS pixels; the labels of contour lines are the smallest
    # Text inside a plot must stay inside it with every font.
    assert page.locator("svg.plot text").evaluate_all(
        "all => all.every(t => { const a = t.getBoundingClientRect(),"
        " b = t.ownerSVGElement.getBoundingClientRect();"
        " return a.left >= b.left - 2 && a.right <= b.right + 2 })"
    )


def test_the_schemes_differ_and_the_sheet_stays_black_on_white(show):
    ground = {}
    for scheme in ("light", "dark"):
        page, _ = show("report.html", LAPTOP, scheme)
        color = "e => getComputedStyle(e).backgroundColor"
        ground[scheme] = page.locator("body").evaluate(color)
        assert page.locator(".sheet").evaluate(color) == "rgb(255, 255, 255)"
    assert ground["light"] != ground["dark"]


@pytest.mark.parametrize(("paper", "size"), [("a4", (595, 842)), ("letter", (612, 792))])
def test_the_sheet_prints_on_one_page(show, paper, size):
    page, _ = show(f"sheet-{paper}.html")
    with pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True)) as document:
        assert len(document) == 1
        assert document[0].get_size() == pytest.approx(size, abs=1.5)
        text = document[0].get_textpage().get_text_range()
    assert text.count("Settled at") == 4
    assert "the operator decides" in text


def test_the_report_prints_the_sheet_on_a_separate_page(show):
    page, _ = show("report.html", LAPTOP, "dark")
    with pypdfium2.PdfDocument(page.pdf(prefer_css_page_size=True)) as document:
        texts = [p.get_textpage().get_text_range() for p in document]
        assert all(len(t) > 200 for t in texts), [len(t) for t in texts]
        assert "Trial sheet" in texts[-1]
        assert texts[-1].count("Settled at") == 4
        first = document[0].render(scale=0.5).to_numpy()
    assert first[0, 0].min() > 240  # paper is white in every color scheme
    assert len(texts) <= 12
    assert json.dumps(season_review().plan.run_now.settings["air"]).split(".")[0] in texts[0]
