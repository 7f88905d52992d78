"""Programs outside Python that some tests need, and the skip messages where they are missing."""

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
SOFFICE = shutil.which("soffice")
PEERS = "needs other optimizers: pip install -e '.[peers]', as DEVELOPERS.md says of the peers"


def _needs(program: str, path: str | None, package: str) -> pytest.MarkDecorator:
    """Skip a test when the program is missing; in CI, which installs it, raise an error instead."""
    reason = f"needs {program}: sudo apt-get install {package}"
    assert path or not os.environ.get("CI"), f"CI {reason}"
    return pytest.mark.skipif(path is None, reason=reason)


needs_chromium = _needs("the browser Chromium", CHROMIUM, "chromium")
needs_libreoffice = _needs("the program LibreOffice", SOFFICE, "libreoffice-calc-nogui")
needs_java = _needs("a Java runtime", JAVA, "default-jre-headless")


@contextmanager
def chromium() -> Iterator[Any]:
    """A running Chromium of Debian, driven by Playwright; closed at the end of the block."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        found = play.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox"], timeout=1000 * SECONDS
        )
        yield found
        found.close()
