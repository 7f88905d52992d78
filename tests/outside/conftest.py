"""What the tests in a browser share."""

from __future__ import annotations

import pytest

from tests.serving import SECONDS


@pytest.fixture(scope="module")
def browser():
    """A browser, which takes a second to start. It is closed before another file's tests, as
    Playwright leaves an event loop running in its thread."""
    from tests.programs import chromium  # where it is missing, files of tests say so, not this one

    with chromium() as found:
        yield found


@pytest.fixture
def pages(browser):
    """``pages(address, width, scheme, height)`` opens a page in a browser of its own; at the end of
    the test no script may have failed and no policy been broken."""
    contexts, said = [], []

    def call(address: str, width: int = 1280, scheme: str = "light", height: int = 900, **more):
        viewport = {"width": width, "height": height}
        context = browser.new_context(viewport=viewport, color_scheme=scheme, **more)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(1000 * SECONDS)
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("console", lambda m: said.append(m.text) if "Policy" in m.text else None)
        page.goto(address)
        return page

    yield call
    for context in contexts:
        context.close()
    assert not said
