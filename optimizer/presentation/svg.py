"""Turns a figure into an SVG element of a page, with the colors and the font of the page.

Colors are drawn as placeholders, which become CSS variables. So one drawing is right in the light
and the dark color scheme and on paper. The ids of an element are unique in the page.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from html import escape
from typing import Any

import matplotlib
from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure

from optimizer.text.words import ENGLISH, Words

NAMES = ("ink", "muted", "rule", "paper", "grade", "recovery", "b0", "b1", "b2", "b3", "b4")
COLOR = {name: f"#01{k:02x}fe" for k, name in enumerate(NAMES)}
"""Placeholder color of each CSS variable."""
FIGURE = r"(?<=>)[\u2212-]?[\d.]+( %)?(?=</text>)"
"""A text of a drawing that is a figure alone, such as one beside a tick."""

STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "highside",
    "font.size": 9.5,
    "axes.edgecolor": COLOR["muted"],
    "axes.labelcolor": COLOR["ink"],
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "xtick.color": COLOR["muted"],
    "ytick.color": COLOR["muted"],
    "xtick.labelcolor": COLOR["ink"],
    "ytick.labelcolor": COLOR["ink"],
    "text.color": COLOR["ink"],
    "grid.color": COLOR["rule"],
    "grid.linewidth": 0.6,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
}


@contextmanager
def drawing(width: float, height: float) -> Iterator[Figure]:
    """A figure of the given size in inches; inside the block, the page's style holds."""
    with matplotlib.rc_context(STYLE):
        figure = Figure(figsize=(width, height), layout="constrained")
        FigureCanvasSVG(figure)
        yield figure


def quiet(axes: Axes) -> None:
    """Draws a light grid behind the data, and short ticks."""
    axes.grid(visible=True)
    axes.set_axisbelow(True)
    axes.tick_params(length=2.5)


def inline(figure: Figure, name: str, label: str, words: Words = ENGLISH) -> Markup:
    """Turns a figure into an SVG element of a page.

    Args:
        figure: a figure that was drawn inside ``drawing``.
        name: prefix of the element's ids, one word.
        label: description of the figure for readers who do not see it.
        words: how the reader is told things; figures on axes are written in that manner.
    """
    buffer = io.StringIO()
    figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"<!--.*?-->", "", text, flags=re.DOTALL)
    text = re.sub(FIGURE, lambda m: words.local(m[0]), text)
    used = set(re.findall(r"(?:url\(#|href=\"#)([^)\"]+)", text))
    text = re.sub(r' id="([^"]+)"', lambda m: f' id="{name}-{m[1]}"' if m[1] in used else "", text)
    text = re.sub(r"(url\(#|href=\"#)", rf"\g<1>{name}-", text)
    # Remove the fonts of the drawing machine, so that the page's font is used.
    text = re.sub(r"font: ([\d.]+px) [^;\"]*", r"font-size: \1", text)
    text = re.sub(r"font-family: [^;\"]*;? ?", "", text)
    text = text.replace("xlink:href", "href")
    text = re.sub(r"\n\s*", "\n", text)
    for key, placeholder in COLOR.items():
        text = text.replace(placeholder, f"var(--{key})")
    view = re.search(r'viewBox="[^"]+"', text)
    assert view is not None
    body = text[text.index(">") + 1 :]
    return Markup(
        f'<svg class="plot" {view[0]} role="img" aria-label="{escape(label)}" '
        f'preserveAspectRatio="xMidYMid meet">{body.strip()}'
    )
