"""What some tests need beyond Python and the test packages, and what is said where it is not."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from tests.serving import SECONDS

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser"))), None)
JAVA = shutil.which("java")
PEERS = "needs other optimizers: pip install -e '.[peers]', as DEVELOPERS.md says of the peers"


def _needs(program: str, path: str | None, package: str) -> pytest.MarkDecorator:
    """Skips a test where the program is missing; in CI, which installs it, nothing is skipped."""
    reason = f"needs {program}: sudo apt-get install {package}"
    assert path or not os.environ.get("CI"), f"CI {reason}"
    return pytest.mark.skipif(path is None, reason=reason)


needs_chromium = _needs("the browser Chromium", CHROMIUM, "chromium")
needs_java = _needs("a Java runtime", JAVA, "default-jre-headless")


@contextmanager
def chromium() -> Iterator[Any]:
    """Debian's Chromium, driven by Playwright."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        found = play.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox"], timeout=1000 * SECONDS
        )
        yield found
        found.close()
