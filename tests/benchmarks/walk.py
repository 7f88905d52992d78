"""The jobs of three people in a browser, from an empty folder on, with a picture of each step.

    python -m tests.benchmarks.walk [--report reports/walk.md]

The process engineer, without JavaScript and without a log: from an empty folder to a printed first
sheet, counting actions (a link followed, a form sent, a print), and on to results and a second
batch. The plant analyst: a log with headings of its own is understood, mended and loaded; a run is
corrected; the history is looked at. The consultant: lines are compared with letters for names, and
a report is made. Then the first page's transfer, and the time until it is usable. Pictures are
written beside the report, in ``walk/``. Fails where a step cannot be done.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from tests.programs import chromium
from tests.serving import COMMAND, SECONDS, free_port

MOST_ACTIONS = 11
"""From an empty folder to a printed sheet in under 12 actions."""
MOST_KILOBYTES = 150
WAIT = 90_000
"""Milliseconds after which a step is given up."""
LOG = """Deck;Date;Feed kg/h;End deg;Tilt deg;RPM;Gates;Good %;Yield of good %
deck-1;03.06.2026 06:30;1800;2.4;2.2;450;37;98,7;93,1
deck-1;03.06.2026 07:40;2000;2.6;2.4;455;38;98,4;94,0
deck-1;03.06.2026 08:50;1900;2.2;2.0;445;36;98.9;9l.8
"""
"""A log of the decks with headings of its own, decimal commas, and a letter for a digit."""
MEANINGS = {
    "Deck": "line", "Date": "started_at", "Feed kg/h": "feed_rate", "End deg": "end_raise",
    "Tilt deg": "side_tilt", "RPM": "eccentric_speed", "Gates": "air", "Good %": "grade",
    "Yield of good %": "recovery",
}  # fmt: skip
UNITS = {"Feed kg/h": "kg/h", "Good %": "%", "Yield of good %": "%"}


@dataclass
class Walk:
    """The steps of one person, each with its picture.

    Args:
        name: who walks.
        page: page of the browser.
        folder: where pictures are written.
    """

    name: str
    page: Any
    folder: Path
    steps: list[tuple[str, str, int]] = field(default_factory=list)
    actions: int = 0

    def act(self, what: Any) -> None:
        """Follow a link or send a form, which counts as one action."""
        what.click()
        self.actions += 1
        self.page.wait_for_load_state()

    def wait_for(self, selector: str) -> None:
        """Wait until the page shows something; a page that waits asks again by itself."""
        self.page.wait_for_selector(selector, timeout=WAIT)

    def step(self, told: str, whole: bool = False) -> None:
        """Note a step, and write its picture."""
        file = f"{self.name}-{len(self.steps) + 1:02d}.jpg"
        photograph(self.page, self.folder / file, whole)
        self.steps.append((told, file, self.actions))


def photograph(page: Any, path: Path, whole: bool = False) -> None:
    """Write a picture of a page, or of what a screen shows of it."""
    page.screenshot(path=str(path), full_page=whole, type="jpeg", quality=70)


@contextmanager
def serving(folder: Path) -> Iterator[str]:
    """A service without tokens over an empty folder; gives its address."""
    port, environment = free_port(), {k: v for k, v in os.environ.items() if "TOKEN" not in k}
    command = [*COMMAND, "--port", str(port), "--rate", "0"]
    with open(folder / "log.txt", "wb") as log:
        process = subprocess.Popen(command, cwd=folder, env=environment, stderr=log)
    address = f"http://127.0.0.1:{port}"
    try:
        while True:
            try:
                urllib.request.urlopen(f"{address}/health", timeout=SECONDS).read()
                break
            except OSError:
                if process.poll() is not None:
                    raise
                time.sleep(0.1)
        yield address
    finally:
        process.terminate()
        process.wait()


def engineer(walk: Walk, address: str) -> int:
    """From nothing to a printed sheet, then to the second batch; returns the actions to the
    sheet."""
    page = walk.page
    page.goto(address)
    walk.step("The first visit of an empty folder: describe the plant, try a file, or the demo.")
    page.get_by_label("Line 1").fill("deck-1")
    walk.act(page.get_by_role("button", name="Save the plant"))
    walk.step("The plant is saved, with the values that were left as assumed.")
    walk.act(page.get_by_role("link", name="Today").first)
    page.get_by_label("Grade to reach, %").fill("98.5")
    walk.step("Today's brief: the daily fields first, the whole brief below.")
    walk.act(page.get_by_role("button", name="Plan trials").first)
    walk.wait_for("form.issue")
    walk.step("Without a run the first trials spread over the limits.")
    walk.act(page.get_by_role("button", name="Issue this batch"))
    walk.step("The batch is issued: each trial has its number.")
    with page.context.expect_page() as other:
        walk.act(page.get_by_role("link", name="Sheet", exact=True).first)
    sheet = other.value
    sheet.wait_for_load_state()
    assert sheet.pdf(format="A4").startswith(b"%PDF")
    walk.actions += 1
    photograph(sheet, walk.folder / "engineer-06.jpg", whole=True)
    walk.steps.append(("The sheet, printed.", "engineer-06.jpg", walk.actions))
    sheet.close()
    to_sheet = walk.actions
    for k, (grade, recovery) in enumerate((("97.9", "94.2"), ("98.8", "90.3"), ("98.1", "92.7"))):
        trial = page.locator(
            "article.trial", has=page.get_by_role("heading", name=f"deck-1-1.{k + 1}")
        )
        trial.get_by_text("Enter its result").click()
        trial.locator("input[name=grade]").fill(grade)
        trial.locator("input[name=recovery]").fill(recovery)
        if k == 0:
            walk.step("A result is entered beside its trial, as it was run.")
        walk.act(trial.get_by_role("button", name="Record the result"))
    trial = page.locator("article.trial", has=page.get_by_role("heading", name="deck-1-1.4"))
    trial.get_by_text("Skip it").click()
    trial.locator("input[name=reason]").fill("the lot ran out")
    walk.act(trial.get_by_role("button", name="Skip this trial"))
    walk.step("All trials have a result or were skipped: expected against measured.", whole=True)
    page.goto(f"{address}/?line=deck-1&min_grade=98.5")
    walk.wait_for("form.issue")
    walk.step("Three runs are enough for a first model: run now, and the next trials.")
    walk.act(page.get_by_role("button", name="Issue this batch"))
    assert "deck-1-2.1" in page.content()
    walk.step("The second batch.")
    return to_sheet


def analyst(walk: Walk, address: str) -> None:
    """A log of a plant's own is understood, mended and loaded; the history is looked at."""
    page = walk.page
    page.goto(f"{address}/plant")
    walk.act(page.get_by_role("button", name="Demo"))
    page.goto(f"{address}/upload")
    log = walk.folder.parent / "june.csv"
    log.write_text(LOG, encoding="utf-8")
    page.locator("input[type=file]").set_input_files(str(log))
    walk.act(page.get_by_role("button", name="Upload"))
    log.unlink()
    walk.wait_for("text=Check again")
    for heading, meaning in MEANINGS.items():
        column = page.locator("ul.heads > li", has=page.get_by_text(heading, exact=True))
        column.locator("select").select_option(meaning)
        if heading in UNITS:
            column.locator("input[name^=unit]").fill(UNITS[heading])
    page.locator("select[name=date_order]").select_option("day-first")
    walk.step("A log with headings of its own: what each means is chosen.", whole=True)
    walk.act(page.get_by_role("button", name="Check again"))
    walk.wait_for("text=Check again")
    walk.step("What would be added, and the row that cannot be read.", whole=True)
    wrong = page.locator("input[value='9l.8']").first
    if not wrong.is_visible():
        page.locator("details", has=wrong).first.locator("summary").click()
    wrong.fill("91,8")
    walk.act(page.get_by_role("button", name="Check again"))
    walk.wait_for("text=Check again")
    walk.act(page.get_by_role("button", name="Load", exact=True))
    walk.wait_for("text=3 added")
    walk.step("The corrected row is loaded with the others.")
    page.goto(f"{address}/runs?line=deck-1&sort=grade")
    walk.step("Every run, by any column, with filter and download.")
    page.goto(f"{address}/look?line=deck-1&min_grade=98.5")
    walk.wait_for("#look svg")
    page.wait_for_timeout(500)
    walk.step("Every run by grade and recovery, beside run now and the next trials.")
    page.goto(f"{address}/what-if?line=deck-1&min_grade=98.5")
    walk.wait_for("input[type=range]")
    page.wait_for_timeout(1500)
    walk.step("What if: the settings move, and what to expect follows.")
    page.goto(f"{address}/diagnosis")
    walk.act(page.get_by_role("button", name="Diagnose"))
    walk.wait_for("#sensitivity")
    walk.step("What the history says of the line.")


def consultant(walk: Walk, address: str) -> None:
    """Lines are compared with letters for names, and a report is made."""
    page = walk.page
    page.goto(f"{address}/lines")
    anonymous = page.locator("input[name=anonymous]")
    anonymous.check()
    walk.act(page.get_by_role("button", name="Compare"))
    walk.wait_for("table")
    page.locator("table").first.scroll_into_view_if_needed()
    walk.step("Three lines on equal footing, with letters for names.")
    page.goto(f"{address}/?line=deck-1&min_grade=98.5")
    walk.wait_for("form.issue")
    walk.act(page.get_by_role("button", name="Report"))
    page.wait_for_url("**/v1/results/*", timeout=WAIT)
    walk.step("The report, opened at once when it is ready.")
    page.goto(f"{address}/versions")
    walk.step("What each version of the history did, and the way back.")


def first_page(browser: Any, address: str) -> tuple[float, float]:
    """Kilobytes transferred for the first page, and seconds until it is usable."""
    page = browser.new_context().new_page()
    client, total = page.context.new_cdp_session(page), [0.0]
    client.send("Network.enable")
    client.on("Network.loadingFinished", lambda e: total.append(e["encodedDataLength"]))
    page.goto(f"{address}/", wait_until="networkidle")
    seconds = page.evaluate("performance.getEntriesByType('navigation')[0].domComplete") / 1000
    return sum(total) / 1024, float(seconds)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--report", type=Path, default=Path("reports/walk.md"))
    asked = parser.parse_args()
    pictures = asked.report.parent / "walk"
    pictures.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as name, chromium() as browser:
        folder = Path(name)
        walks = []
        for who, scripts, width in (
            ("engineer", False, 820), ("analyst", True, 1280), ("consultant", True, 1280),
        ):  # fmt: skip
            context = browser.new_context(
                viewport={"width": width, "height": 1000}, java_script_enabled=scripts
            )
            walks.append(Walk(who, context.new_page(), pictures))
        first, second = folder / "a", folder / "b"
        first.mkdir()
        second.mkdir()
        with serving(first) as address:
            to_sheet = engineer(walks[0], address)
        with serving(second) as address:
            analyst(walks[1], address)
            consultant(walks[2], address)
            kilobytes, seconds = first_page(browser, address)
    asked.report.write_text(told(walks, to_sheet, kilobytes, seconds), encoding="utf-8")
    print(f"{to_sheet} actions to the printed sheet (at most {MOST_ACTIONS})")
    print(f"first page: {kilobytes:.0f} kB (at most {MOST_KILOBYTES}), usable in {seconds:.2f} s")
    return int(to_sheet > MOST_ACTIONS or kilobytes > MOST_KILOBYTES)


def told(walks: list[Walk], to_sheet: int, kilobytes: float, seconds: float) -> str:
    """The report."""
    lines = [
        "# The jobs of three people, in the browser",
        "",
        "`python -m tests.benchmarks.walk`",
        "",
        f"From an empty folder to a printed first sheet, without a log and without JavaScript: "
        f"{to_sheet} actions (a link followed, a form sent, a print). The first page is "
        f"{kilobytes:.0f} kB to transfer, and complete after {seconds:.2f} s.",
    ]
    titles = {
        "engineer": "The process engineer, without JavaScript, on a tablet",
        "analyst": "The plant analyst, at a desk",
        "consultant": "The consultant, at a desk",
    }
    for walk in walks:
        lines += ["", f"## {titles[walk.name]}", ""]
        for number, (what, file, _) in enumerate(walk.steps, 1):
            lines += [f"{number}. {what}", "", f"   ![{what}](walk/{file})", ""]
    return "\n".join(lines).rstrip() + "\n"


if __name__ == "__main__":
    sys.exit(main())
