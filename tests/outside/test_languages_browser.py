"""Every page in Spanish and Portuguese as a person sees it in a browser: Debian's Chromium, driven
by Playwright. What scripts write and pictures tell counts too. Skipped only without Chromium."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from optimizer.history.history import History
from optimizer.operations.demo import load_season
from optimizer.service.admission.access import Access
from optimizer.service.http.app import create_app
from tests.languages import ENGLISH_WORDS
from tests.outside.test_service_browser import PHONE, options_of
from tests.programs import needs_chromium
from tests.serving import SECONDS, in_thread

pytestmark = needs_chromium

BRIEF = "line=deck-3&min_grade=98.5&trials=2"
PAGES = (
    "/?line=deck-1&min_grade=98.5&trials=2&goal.maximise=value&goal.prices.product=2400",
    "/batches", "/batches?batch=deck-3-1", f"/look?{BRIEF}", f"/what-if?{BRIEF}", "/runs",
    "/runs/deck-1-0407?line=deck-1", "/lines?ranked_by=gap&price=2400&hours=900",
    "/diagnosis?line=deck-3", "/plant", "/upload", "/versions", "/changes", "/jobs", "/nowhere",
)  # fmt: skip
SHOWN = """() => {
  const found = [];
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const { parentElement: at, textContent: text } = walk.currentNode;
    if (!at.closest("script, style, noscript, code, option[value='en']")) found.push(text);
  }
  for (const each of document.querySelectorAll("[aria-label]")) found.push(each.ariaLabel);
  return found.map((text) => text.replace(/\\s+/g, " ").trim()).filter(Boolean);
}"""
"""All texts of a page, those of pictures and closed parts among them, and those read aloud."""
NAMES = re.compile(
    r"deck-\d(-\d+(\.\d)?)?(\.csv|\.parquet)?|highside|\b[ad]\b|America/Bogota|UTC|[\w./-]+\.(csv|toml)"
)
"""Names of lines, runs, files and places, which stay as they are."""
ENGLISH_MESSAGES = ("there is nothing at this address.",)
"""Messages of errors are in English in every language."""
NOTES = re.compile(r"feed bin|belt|cloth|sample|operator|shift", re.IGNORECASE)
"""Notes of the season's logs, which somebody wrote in English."""


@pytest.fixture(scope="module")
def season(tmp_path_factory):
    """Configuration of a service on the bundled season."""
    made = options_of(tmp_path_factory.mktemp("languages"))
    load_season(History(made.history), Path(made.site))
    return made


@pytest.fixture
def address(season, request, monkeypatch):
    monkeypatch.setattr("optimizer.model.surrogate.MEMBERS", ())
    monkeypatch.setattr("optimizer.planning.limits.POOL", 64)
    monkeypatch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", SECONDS)
    with in_thread(
        create_app(replace(season, language=request.param), Access({}, b"k" * 32))
    ) as port:
        yield f"http://127.0.0.1:{port}"


@pytest.mark.parametrize("address", ["es", "pt"], indirect=True)
def test_no_page_shows_a_word_of_english_nor_a_date_or_figure_of_machines(address, browser):
    page = browser.new_page(viewport={"width": PHONE, "height": 900})
    page.set_default_timeout(1000 * SECONDS)
    page.goto(f"{address}/?{BRIEF}")
    page.click("form.issue button")
    wrong = {}
    for path in PAGES:
        page.goto(f"{address}{path}")
        if path.startswith("/look"):
            page.wait_for_selector("#look[data-drawn]")
        said = page.evaluate(SHOWN) + list(_told(page))
        found = [text for text in map(_own, said) if _english(text)]
        wrong |= {path: found} if found else {}
    page.close()
    assert not wrong, "\n".join(f"{at}: {text}" for at, each in wrong.items() for text in each)


def _told(page):
    """What the first points of each picture tell when they have the focus."""
    for figure in page.query_selector_all("figure.picture"):
        point = figure.query_selector("svg .point[tabindex='0']")
        if point is None:
            continue
        point.focus()
        for _ in range(3):
            yield figure.query_selector(".telling").inner_text()
            page.keyboard.press("ArrowRight")
        yield figure.query_selector("svg title, svg").get_attribute("aria-label") or ""


def _own(text: str) -> str:
    return NAMES.sub("", text)


def _english(text: str) -> bool:
    if text in ENGLISH_MESSAGES or NOTES.search(text):
        return False
    machine = re.search(r"\b\d{4}-\d\d-\d\d\b|(?<![\w.,/-])\d+\.\d+(?![\w./-])", text)
    return bool(ENGLISH_WORDS.search(text) or machine)
