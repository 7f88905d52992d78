"""A deck with air gates in a real browser: a plan, its sheet, its result form, what if, Look.

Debian's Chromium, driven by Playwright. Skipped only where there is no Chromium
(``tests.programs``).
"""

from __future__ import annotations

import re

import pytest

from optimizer import History, Site
from optimizer.service.admission.access import Access
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.http.app import create_app
from tests.outside.test_service_browser import LAPTOP, PHONE
from tests.programs import needs_chromium
from tests.service.test_service import SITE, client_of
from tests.service.test_what_if import rows
from tests.serving import in_thread

pytestmark = needs_chromium

GATES = ("air_1", "air_2", "air_3", "air_4")
ASKED = "line=deck-1&min_grade=97&trials=1"
RAW = re.compile(r"\bair_(\d|taper|bow)")


@pytest.fixture(scope="module")
def service(tmp_path_factory):
    """The address and the history of a running service over a deck with four gates."""
    folder = tmp_path_factory.mktemp("gates")
    gates = "\n[lines.deck-1.settings.air]\ngates = 4\nmax_taper = 15\n"
    (folder / "site.toml").write_text(SITE + gates, encoding="utf-8")
    made = Configuration(str(folder / "history"), str(folder / "site.toml"), rate=0, planners=0)
    runs = []
    for k, row in enumerate(rows()):
        air = row.pop("air")
        taper = k % 5 - 2
        runs.append({**row, **{g: air + taper * (1.5 - j) for j, g in enumerate(GATES)}})
        runs[-1] |= {g: round(runs[-1][g]) for g in GATES}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.model.surrogate.MEMBERS", ())
        patch.setattr("optimizer.planning.limits.POOL", 64)
        with client_of(made) as client:
            answer = client.post("/v1/runs", json=runs)
            assert answer.json()["added"] == len(runs), answer.text
            with in_thread(create_app(made, Access({}, b"k" * 32))) as port:
                yield f"http://127.0.0.1:{port}", folder


@pytest.mark.parametrize("width", [PHONE, LAPTOP])
def test_plan_sheet_result_and_what_if_of_a_deck_with_gates(pages, service, width):
    address, folder = service
    page = pages(f"{address}/?{ASKED}", width)
    page.wait_for_selector("#now")
    tiles = page.locator("section:has(#now) .settings li").all_inner_texts()
    assert [text.split("\n")[0] for text in tiles[-4:]] == [f"air gate {k}" for k in (1, 2, 3, 4)]
    assert "at the feed end" in tiles[-4]
    assert not RAW.search(page.inner_text("main"))

    page.get_by_role("button", name="Issue this batch").click()
    batch = page.locator("h1", has_text="1 of 1 trials open").inner_text().partition(":")[0]
    sheet = pages(f"{address}/v1/batches/{batch}/sheet?format=html", width)
    text = sheet.inner_text("main")
    assert "Air gate 1, feed end" in text
    assert "gates side by side at most 15 turn apart" in text
    assert not RAW.search(text)

    page.get_by_text("Enter its result").first.click()
    form = page.locator(f"form[data-keep^='result {batch}.1']")
    form.get_by_label("Grade, %", exact=True).fill("97.4")
    form.get_by_label("Recovery, %", exact=True).fill("91.2")
    second = form.get_by_label("air gate 2, turn", exact=True)
    run = float(second.input_value()) + 1
    second.fill(f"{run:g}")
    form.get_by_role("button", name="Record the result").click()
    page.wait_for_selector("#changed")
    site = Site.read(folder / "site.toml")
    last = History(folder / "history").at().runs(site).to_pylist()[-1]
    assert (last["run_id"], last["air_2"], last["air"]) == (f"{batch}.1", run, None)

    page = pages(f"{address}/what-if?line=deck-1&min_grade=97", width)
    page.wait_for_selector("#answer dl")
    third = page.get_by_label("air gate 3, turn", exact=True)
    moved = float(third.input_value()) + 1
    page.locator("input[type=range][data-of='s.air_3']").focus()
    page.keyboard.press("ArrowUp")
    page.wait_for_url(re.compile(rf"s\.air_3={moved:g}\b"))
    page.wait_for_selector("#answer[aria-busy=false] dl")
    assert not RAW.search(page.inner_text("main"))
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_look_draws_the_air_along_the_deck(pages, service):
    page = pages(f"{service[0]}/look?{ASKED}", LAPTOP)
    page.wait_for_selector("#look[data-drawn=yes]")
    profile = page.locator("figure[data-picture=profile]")
    assert profile.locator("line.limit-bar").count() >= 4
    assert profile.locator("path.profile.now").count() == 1
    named = profile.locator(".point").evaluate_all("all => all.map((p) => p.ariaLabel)")
    assert "run now, air gate 4" in named
    assert not RAW.search(page.inner_text("main"))
