"""The page of what if in a real browser: Debian's Chromium, driven by Playwright.

Accessibility by axe-core, as in ``test_service_browser``. Skipped only where there is no Chromium
(``tests.programs``).
"""

from __future__ import annotations

import re
from urllib.parse import parse_qs, urlparse

import pytest

from optimizer.service.admission.access import Access
from optimizer.service.exchange.configuration import Configuration
from optimizer.service.http.app import create_app
from optimizer.text.figures import percent, whole_percent
from tests.outside.test_service_browser import LAPTOP, PHONE, RULES, TABLET
from tests.programs import needs_chromium
from tests.service.test_service import SITE, client_of
from tests.service.test_what_if import AT, asked_for, rows
from tests.serving import SECONDS, in_thread

pytestmark = needs_chromium

CHOSEN = "/what-if?line=deck-1&min_grade=98.5&" + "&".join(f"s.{k}={v:g}" for k, v in AT.items())


@pytest.fixture(scope="module")
def service(tmp_path_factory):
    """A running service with a history, and a client of the same history."""
    folder = tmp_path_factory.mktemp("what-if")
    (folder / "site.toml").write_text(SITE, encoding="utf-8")
    made = Configuration(str(folder / "history"), str(folder / "site.toml"), rate=0, planners=0)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.model.surrogate.MEMBERS", ())
        patch.setattr("optimizer.planning.limits.POOL", 64)
        with client_of(made) as client:
            client.post("/v1/runs", json=[*rows(), *({**r, "line": "deck-2"} for r in rows())])
            with in_thread(create_app(made, Access({}, b"k" * 32))) as port:
                yield f"http://127.0.0.1:{port}", client


@pytest.fixture
def show(pages, service):
    """``show(path, width, ...)`` opens a page; no script may fail and no policy be broken."""

    def call(path: str, *how, **more):
        return pages(service[0] + path, *how, height=800, **more)

    return call


def fitted(page) -> None:
    """Wait until the page shows figures."""
    page.wait_for_selector("#answer dl")


def settled(page, field: str, value: str) -> None:
    """Wait until the address names the value of a field, and its answer is shown."""
    page.wait_for_url(lambda url: parse_qs(urlparse(url).query).get(field) == [value])
    page.wait_for_selector("#answer[aria-busy=false] dl")


def expected(service, settings, **more) -> str:
    """The headline for the figures of the endpoint."""
    found = service[1].get("/v1/expected", params=asked_for(settings, **more)).json()
    grade, recovery = (percent(found[name]["mean"]) for name in ("grade", "recovery"))
    chance = whole_percent(found["chance_of_grade"])
    return f"Grade {grade} %, recovery {recovery} %, chance of grade {chance} %"


def slider(page, name: str):
    return page.locator(f"input[type=range][data-of='s.{name}']")


def test_keys_move_a_slider_and_the_figures_follow(show, service):
    page = show(CHOSEN)
    fitted(page)
    assert page.inner_text("#headline") == expected(service, AT)
    air = slider(page, "air")
    assert air.get_attribute("aria-valuetext") == "33 turn"
    air.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    settled(page, "s.air", "35")
    assert page.input_value("[name='s.air']") == "35"
    assert air.get_attribute("aria-valuetext") == "35 turn"
    assert page.inner_text("#headline") == expected(service, {**AT, "air": 35.0})
    again = show(page.url.removeprefix(service[0]))
    fitted(again)  # a link leads to the same figures
    assert again.inner_text("#headline") == page.inner_text("#headline")


def test_the_whole_page_can_be_reached_by_keys(show):
    page = show(CHOSEN)
    fitted(page)
    reached = []
    page.locator("select[name=line]").focus()
    while len(reached) < 20:
        reached.append(
            page.evaluate("document.activeElement.dataset.of || document.activeElement.name")
        )
        page.keyboard.press("Tab")
    for name in AT:
        assert reached.index(f"s.{name}") >= 0
        assert reached.count(f"s.{name}") == 2, reached  # number and slider


def test_typing_a_number_or_the_grade_shows_its_figures(show, service):
    page = show(CHOSEN)
    fitted(page)
    page.fill("[name='s.air']", "34,5")
    settled(page, "s.air", "34,5")
    assert page.inner_text("#headline") == expected(service, {**AT, "air": 34.5})
    assert "is not a step of the deck; the nearest are 34 and 35." in page.inner_text("#answer")
    assert slider(page, "air").input_value() in ("34", "35")
    page.fill("[name=min_grade]", "97")
    settled(page, "min_grade", "97")
    assert page.inner_text("#headline") == expected(service, {**AT, "air": 34.5}, min_grade=0.97)


def test_a_fault_stands_beside_its_field_until_it_is_mended(show):
    from axe_playwright_python.sync_playwright import Axe

    page = show(CHOSEN, PHONE)
    fitted(page)
    field = page.locator("[name='s.air']")
    field.fill("900")
    page.wait_for_selector("#answer:has-text('Correct the marked field.')")
    said = page.locator(f"[id='{field.get_attribute('aria-describedby').split()[-1]}']")
    assert "outside the limits, 0 to 90 turn" in said.inner_text()
    assert field.get_attribute("aria-invalid") == "true"
    assert field.input_value() == "900"
    found = Axe().run(page, options=RULES).response
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    field.fill("35")
    settled(page, "s.air", "35")
    assert field.get_attribute("aria-invalid") is None
    assert page.locator(".fault").count() == 0


def test_moves_made_while_an_answer_is_under_way_wait_and_only_the_last_is_asked(show, service):
    page = show(CHOSEN)
    fitted(page)
    asked, held = [], []

    def hold(route):
        asked.append(parse_qs(urlparse(route.request.url).query)["s.air"][0])
        if len(asked) == 1:
            held.append(route)  # the first answer comes after all moves were made
        else:
            route.continue_()

    page.route(re.compile("/what-if"), hold)
    slider(page, "air").focus()
    for _ in range(6):
        page.keyboard.press("ArrowRight")
    while not held:
        page.wait_for_timeout(10)
    assert page.locator("#answer[aria-busy=true]").count() == 1
    page.fill("[name='s.side_tilt']", "2.5")
    held[0].continue_()
    settled(page, "s.air", "39")
    settled(page, "s.side_tilt", "2.5")  # the earlier answer did not undo what was typed meanwhile
    assert asked[:2] == ["34", "39"]
    assert set(asked[1:]) == {"39"}
    assert page.input_value("[name='s.side_tilt']") == "2.5"
    at = {**AT, "air": 39.0, "side_tilt": 2.5}
    assert page.inner_text("#headline") == expected(service, at)


def test_a_service_out_of_reach_is_said_and_the_next_move_asks_again(show, service):
    page = show(CHOSEN)
    fitted(page)
    page.route(re.compile("/what-if"), lambda route: route.abort())
    slider(page, "air").focus()
    page.keyboard.press("ArrowRight")
    page.wait_for_selector("#answer .failed")
    assert "cannot be reached" in page.inner_text("#headline")
    assert page.input_value("[name='s.air']") == "34"
    page.unroute(re.compile("/what-if"))
    page.keyboard.press("ArrowRight")
    settled(page, "s.air", "35")
    assert page.locator(".failed").count() == 0


def test_typing_goes_on_while_the_model_is_fitted(show, service, monkeypatch):
    monkeypatch.setattr("optimizer.service.pages.ahead.what_if.SOON", 0.0)
    page = show("/what-if?line=deck-1&m.moisture=12.5")
    page.wait_for_selector("#headline:has-text('is being fitted')")
    page.fill("[name='s.air']", "36")
    monkeypatch.setattr("optimizer.service.pages.ahead.what_if.SOON", SECONDS)
    settled(page, "s.air", "36")
    assert page.input_value("[name='s.feed_rate']") == "2"  # filled in from the latest run
    at = {**AT, "air": 36.0, "feed_rate": 2.0}
    wanted = expected(service, at, material="moisture=12.5")
    assert page.inner_text("#headline").startswith(wanted.partition(", chance")[0])


def test_another_line_starts_at_its_own_settings(show):
    page = show(CHOSEN)
    fitted(page)
    page.select_option("select[name=line]", "deck-2")
    page.wait_for_url(re.compile("line=deck-2"))
    fitted(page)
    assert page.input_value("[name='s.air']") == "60"  # its latest run
    assert page.input_value("[name=min_grade]") == "98.5"


def test_without_scripts_a_button_shows_one_choice_at_a_time(show, service):
    page = show("/what-if", TABLET, java_script_enabled=False)
    fitted(page)
    assert page.locator("input[type=range]:visible").count() == 0
    for name, value in AT.items():
        page.fill(f"[name='s.{name}']", f"{value:g}")
    page.fill("[name=min_grade]", "98.5")
    page.click("text=Show")
    page.wait_for_url(re.compile("s.air=33"))
    fitted(page)
    assert page.inner_text("#headline") == expected(service, AT)


@pytest.mark.parametrize(
    ("width", "scheme"), [(PHONE, "light"), (TABLET, "dark"), (LAPTOP, "light")]
)
def test_accessible_and_nothing_cut(show, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page = show(CHOSEN + "&m.moisture=15", width, scheme)
    fitted(page)
    found = Axe().run(page, options=RULES).response
    assert len(found["passes"]) > 15
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    # Large targets: 44 by 44 CSS pixels, WCAG 2.2 success criterion 2.5.5 (level AAA).
    for target in page.query_selector_all("button, input:not([type=hidden]), select, summary"):
        box = target.bounding_box()
        assert box is None or (box["height"] >= 44 and box["width"] >= 44), box
    # On a phone the figures stay in sight while a slider is moved.
    slider(page, "feed_rate").scroll_into_view_if_needed()
    assert page.locator("#headline").bounding_box()["y"] < 800
