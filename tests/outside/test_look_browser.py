"""The pictures in a real browser: Debian's Chromium, driven by Playwright.

Points tell their runs by keyboard, mouse and tap; tables and points agree; accessibility by
axe-core as in ``test_service_browser``. Skipped only where there is no Chromium.
"""

from __future__ import annotations

import re
from urllib.parse import urlencode

import numpy as np
import pypdfium2
import pytest

from optimizer.service.admission.access import Access
from optimizer.service.http.app import create_app
from tests.outside.test_service_browser import (
    LAPTOP,
    PHONE,
    RULES,
    TABLET,
    options_of,
)
from tests.programs import needs_chromium
from tests.service.test_service import client_of, row
from tests.serving import SECONDS, in_thread

pytestmark = [needs_chromium, pytest.mark.usefixtures("module_plans")]

LINE = "deck 1/ä"
ASKED = "/look?" + urlencode({"line": LINE, "min_grade": "97.5", "trials": "2"})
LOW_TILT = 1.2
POINT = "svg .point[tabindex='0']"


@pytest.fixture(scope="module")
def module_plans():
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.model.surrogate.MEMBERS", ())
        patch.setattr("optimizer.planning.limits.POOL", 64)
        patch.setattr("optimizer.service.pages.shared.waiting.PATIENCE", SECONDS)
        yield


@pytest.fixture(scope="module")
def address(tmp_path_factory, module_plans):
    """A service with 26 runs, of which one is doubtful and two are failed, and a batch."""
    made = options_of(tmp_path_factory.mktemp("look"))
    rng = np.random.default_rng(5)
    rows = [
        row(k, line=LINE, started_at=f"2026-03-{1 + k // 3:02d}T0{6 + k % 3}:00:00Z",
            air=30 + k % 8, side_tilt=round(LOW_TILT + 0.2 * (k % 5), 1),
            grade=0.97 + 0.0015 * (k % 8) + 0.001 * rng.random(),
            recovery=0.95 - 0.01 * (k % 5) - 0.01 * rng.random())
        for k in range(24)
    ]  # fmt: skip
    rows[11]["recovery"] = 0.5
    failed = {"line": LINE, "air": 60, "grade": None, "recovery": None, "deck_state": "boiling"}
    rows += [row(k, started_at="2026-03-04T12:00:00Z", **failed) for k in (30, 31)]
    with client_of(made) as client:
        assert client.post("/v1/runs", json=rows).json()["added"] == 26
        brief = {"line": LINE, "goal": {"min_grade": 0.97}, "trials": {"count": 3}}
        batch = client.post("/v1/batches", json=brief).json()["batch"]
        done = {"grade": 0.981, "recovery": 0.94, "started_at": "2026-03-12T06:00:00Z"}
        where = f"/v1/batches/{batch.replace('/', '%2F')}/trials"
        assert client.post(f"{where}/1/result", json={**done, "sure": True}).status_code == 200
    with in_thread(create_app(made, Access({}, b"k" * 32))) as port:
        yield f"http://127.0.0.1:{port}"


@pytest.fixture
def show(browser, address):
    """``show(width, ...)`` opens the page and waits for its pictures; the console stays empty."""
    contexts, said = [], []

    def call(width: int = LAPTOP, scheme: str = "light", ready=None, path: str = ASKED, **more):
        viewport = {"width": width, "height": 900}
        context = browser.new_context(viewport=viewport, color_scheme=scheme, **more)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(1000 * SECONDS)
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("console", lambda m: said.append(m.text) if m.type == "error" else None)
        page.route("**/favicon.ico", lambda route: route.fulfill(status=204))
        if ready is not None:
            ready(page)
        page.goto(address + path)
        if more.get("java_script_enabled", True) and ready is None:
            page.wait_for_selector("#look[data-drawn]")
        return page

    yield call
    for context in contexts:
        context.close()
    # The browser notes a refusal (422), which a test asks for.
    assert not [each for each in said if "422" not in each]


def picture(page, kind: str):
    return page.locator(f"figure[data-picture={kind}]").first


def rows_of(page, name: str) -> list[list[str]]:
    """The cells of a table of numbers, row by row, also while it is closed."""
    return page.evaluate(
        "name => [...document.querySelectorAll(`[data-rows='${name}'] tbody tr`)].map("
        "line => [...line.cells].map(cell => cell.textContent.trim().replace(/\\s+/g, ' ')))",
        name,
    )


def places(page, kind: str, by: str) -> dict[str, list[tuple[float, float]]]:
    """Where the points of a picture stand, by one of their attributes."""
    found: dict[str, list[tuple[float, float]]] = {}
    for name, transform in (
        picture(page, kind)
        .locator(f".point[{by}]")
        .evaluate_all(f"all => all.map(p => [p.getAttribute('{by}'), p.getAttribute('transform')])")
    ):
        x, y = re.fullmatch(r"translate\(([^,]+),([^)]+)\)", transform).groups()
        found.setdefault(name, []).append((float(x), float(y)))
    return found


def check_linear(place: list[float], number: list[float], step: float) -> None:
    """Places follow numbers on a linear scale, as well as numbers rounded to ``step`` can tell."""
    a, b = np.polyfit(number, place, 1)
    assert abs(a) * (max(number) - min(number)) > 50.0  # the picture spreads them
    off = np.abs(np.array(place) - a * np.array(number) - b)
    assert off.max() < 0.75 * step * abs(a) + 0.1, off.max()


# -- points and tables -----------------------------------------------------------------------


def test_points_stand_where_the_table_says(show):
    page = show()
    rows = {line[0]: line for line in rows_of(page, "runs")}
    found = places(page, "runs", "data-run")
    assert set(found) == set(rows)
    assert all(len(each) == 1 for each in found.values())
    read = {run: line for run, line in rows.items() if line[3] != "–"}
    assert len(rows) - len(read) == 2
    for cell, axis in ((3, 0), (4, 1)):
        numbers = [float(line[cell]) for line in read.values()]
        check_linear([found[run][0][axis] for run in read], numbers, 0.1)
    lowest = max(y for run in read for _, y in found[run])
    assert all(found[run][0][1] > lowest for run in set(rows) - set(read))
    on_map = places(page, "map", "data-run")
    assert set(on_map) == set(rows)
    names = page.evaluate(
        "() => [...document.querySelectorAll('[data-rows=runs] thead th')].map(h => h.textContent)"
    )
    x = page.input_value("select[name=x]").replace("_", " ")
    column = next(k for k, name in enumerate(names) if name.startswith(x))
    check_linear([on_map[r][0][0] for r in rows], [float(rows[r][column]) for r in rows], 0.0)


def test_residuals_and_trials_stand_where_the_tables_say(show):
    page = show()
    rows = {line[0]: line for line in rows_of(page, "drift")}
    found = places(page, "drift", "data-run")
    assert set(found) == set(rows)
    for k, cell in enumerate((2, 3)):  # the picture of the grade, and below it of the recovery
        numbers = [float(line[cell]) for line in rows.values()]
        check_linear([found[run][k][1] for run in rows], numbers, 0.01)
    trials = places(page, "campaign", "data-trial")
    assert set(trials) == {line[0] for line in rows_of(page, "campaign")}
    for kind, table in (("effect", "effect-feed_rate"), ("intervals", "intervals")):
        count = picture(page, kind).locator(".point").count()
        assert count == len(rows_of(page, table)) * (2 if kind == "intervals" else 1)
    assert picture(page, "map").locator(".cells rect").count() == sum(
        len(line) - 1 for line in rows_of(page, "map")
    )


def test_failed_and_doubtful_runs_are_told_apart_by_shape_and_text(show):
    page = show()
    shapes = {
        run: picture(page, "runs").locator(f"[data-run={run}] path").get_attribute("d")
        for run in ("r1", "r11", "r30")
    }
    assert len(set(shapes.values())) == 3
    for run, text in (("r11", "Doubtful: recovery read 50.0 %"), ("r30", "Failed: the deck was")):
        picture(page, "runs").locator(f"[data-run={run}]").focus()
        assert text in picture(page, "runs").locator(".telling").inner_text()


# -- keyboard, mouse, touch ------------------------------------------------------------------


def test_a_picture_is_one_tab_stop_and_arrows_move_inside(show, address):
    page = show()
    every = page.locator("figure[data-picture]")
    assert every.count() == 11
    assert [f.locator(POINT).count() for f in every.all()] == [1] * 11
    runs = picture(page, "runs")
    runs.locator(POINT).focus()
    told = runs.locator(".telling")
    seen = [told.inner_text()]
    for key in ("ArrowRight", "ArrowDown", "PageDown", "ArrowLeft", "End", "Home"):
        page.keyboard.press(key)
        assert runs.locator(POINT).count() == 1
        assert page.evaluate("document.activeElement.getAttribute('data-point')") == (
            runs.locator(POINT).get_attribute("data-point")
        )
        seen.append(told.inner_text())
    assert seen[-1] == seen[0]
    assert len(set(seen)) == 6
    assert told.get_attribute("aria-live") == "polite"
    run = page.evaluate("document.activeElement.dataset.run")
    assert f"Run {run}, 2026-03-" in seen[0]
    tilt = next(line for line in rows_of(page, "runs") if line[0] == run)[7]
    assert f"side tilt {tilt} deg" in seen[0]
    assert runs.locator(".box").is_visible()
    page.keyboard.press("Escape")
    assert not runs.locator(".box").is_visible()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.tagName") == "SUMMARY"
    page.keyboard.press("Shift+Tab")
    assert page.evaluate("document.activeElement.dataset.run") == run
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("/runs/r"))
    assert page.url == f"{address}/runs/{run}?line=deck%201%2F%C3%A4"
    assert run in page.inner_text("h1")


def test_a_tap_tells_a_run_and_offers_its_page(show, address):
    page = show(PHONE, has_touch=True, is_mobile=True)
    runs = picture(page, "runs")
    point = runs.locator("[data-run=r11]")
    point.scroll_into_view_if_needed()
    spot = point.bounding_box()
    page.touchscreen.tap(spot["x"] + spot["width"] / 2 + 9, spot["y"] + spot["height"] / 2)
    link = runs.locator(".box a")
    link.wait_for()
    assert "Run r11" in runs.locator(".telling").inner_text()
    size = link.bounding_box()
    assert size["height"] >= 44
    assert size["width"] >= 44
    assert page.url == address + ASKED
    link.tap()
    page.wait_for_url(re.compile("/runs/r11"))


def test_pointing_tells_a_run_without_reading_it_aloud(show):
    page = show()
    runs = picture(page, "runs")
    before = runs.locator(".telling").inner_text()
    runs.locator("[data-run=r11]").scroll_into_view_if_needed()
    spot = runs.locator("[data-run=r11]").bounding_box()
    page.mouse.move(spot["x"] + spot["width"] / 2, spot["y"] + spot["height"] / 2)
    assert "Run r11" in runs.locator(".box").inner_text()
    assert runs.locator(".telling").inner_text() == before
    assert runs.locator(".box a").count() == 0
    page.mouse.move(5, 5)
    assert not runs.locator(".box").is_visible()
    # A click holds the box, so that the mouse reaches its link.
    page.mouse.click(spot["x"] + spot["width"] / 2, spot["y"] + spot["height"] / 2)
    link = runs.locator(".box a")
    link.hover()
    assert "Run r11" in runs.locator(".box").inner_text()
    link.click()
    page.wait_for_url(re.compile("/runs/r11"))


def test_a_point_keeps_the_focus_when_the_window_changes(show):
    page = show(TABLET)
    runs = picture(page, "runs")
    runs.locator("[data-run=r11]").focus()
    page.set_viewport_size({"width": PHONE, "height": 900})
    page.wait_for_function("document.activeElement.dataset.run === 'r11'")
    assert page.evaluate("document.documentElement.scrollWidth") <= PHONE


def test_1500_runs_are_drawn_and_found_by_keyboard(show):
    def many(page):
        def answer(route):
            look = route.fetch().json()
            first = [run for run in look["runs"] if run["grade"]]
            look["runs"] = [
                {**first[k % len(first)], "run_id": f"m{k}", "grade": 0.9 + k / 20_000}
                for k in range(1500)
            ]
            route.fulfill(json=look)

        page.route("**/v1/results/*", answer)

    page = show(ready=many)
    page.wait_for_selector("#look[data-drawn]")
    runs = picture(page, "runs")
    assert runs.locator("[data-run]").count() == 1500
    runs.locator(POINT).focus()
    page.keyboard.press("PageDown")
    assert "Run m10," in runs.locator(".telling").inner_text()
    runs.locator("[data-run=m1400]").scroll_into_view_if_needed()
    spot = runs.locator("[data-run=m1400]").bounding_box()
    page.mouse.move(spot["x"] + spot["width"] / 2, spot["y"] + spot["height"] / 2)
    assert re.search(r"Run m1(39|40|41)\d,", runs.locator(".box").inner_text())


# -- the map, no script, no answer, print ------------------------------------------------------


def test_another_map_is_chosen(show):
    page = show()
    page.select_option("select[name=x]", "end_raise")
    page.select_option("select[name=y]", "feed_rate")
    page.click("text=Show this map")
    page.wait_for_selector("#look[data-drawn]")
    assert page.url.endswith("x=end_raise&y=feed_rate#map")
    titles = picture(page, "map").locator("text.title").all_text_contents()
    assert titles == ["end raise, deg", "feed rate, t/h"]
    assert "trial" in picture(page, "map").locator(".key").inner_text()


def test_without_scripts_the_tables_hold_the_numbers(show):
    page = show(PHONE, java_script_enabled=False)
    assert page.locator("noscript p").is_visible()
    page.click("summary:has-text('runs and trials')")
    assert page.is_visible("text=r11")
    assert page.locator("figure svg").count() == 0


def test_pictures_that_cannot_be_drawn_say_so(browser, address):
    context = browser.new_context()
    page = context.new_page()
    page.set_default_timeout(1000 * SECONDS)
    page.route("**/v1/results/*", lambda route: route.fulfill(status=404, body="gone"))
    page.goto(address + ASKED)
    page.wait_for_selector("figure .fault")
    said = page.locator("figure .fault").all_inner_texts()
    context.close()
    assert len(said) == 11
    assert set(said) == {
        "This picture could not be drawn: the service answered 404. Load the page again; the "
        "numbers are in the table."
    }


def test_the_pictures_print_on_white_paper_with_the_tables_that_are_open(show):
    page = show(scheme="dark")
    page.click("summary:has-text('Numbers: air')")
    page.emulate_media(media="print")
    with pypdfium2.PdfDocument(page.pdf()) as document:
        text = "\n".join(p.get_textpage().get_text_range() for p in document)
        paper = document[0].render(scale=0.5).to_numpy()
    assert paper[0, 0].min() > 240
    assert paper.min() < 100  # something is drawn
    assert "Recovery, %" in text
    assert "run now" in text
    assert "Numbers: air" in text
    for absent in ("Numbers: drift", "Point at, tap", "Show this map"):
        assert absent not in text


# -- accessibility ---------------------------------------------------------------------------


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [PHONE, TABLET, LAPTOP])
def test_accessible_with_the_tables_open_and_closed(show, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    page = show(width, scheme)
    picture(page, "runs").locator("[data-run=r11]").focus()
    for is_open in (False, True):
        if is_open:
            page.locator("details").evaluate_all("all => all.forEach(d => d.open = true)")
        found = Axe().run(page, options=RULES).response
        assert len(found["passes"]) > 15
        assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    for target in page.query_selector_all("button, input:not([type=hidden]), select, summary"):
        box = target.bounding_box()
        assert box is None or (box["height"] >= 44 and box["width"] >= 44), box


def test_a_refused_field_is_accessible(show):
    from axe_playwright_python.sync_playwright import Axe

    page = show(PHONE, path=ASKED + "&x=air&y=air")
    said = page.locator("#fault-y")
    assert page.get_attribute("select[name=y]", "aria-describedby") == "fault-y"
    assert "two different settings" in said.inner_text()
    found = Axe().run(page, options=RULES).response
    assert not [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]]
