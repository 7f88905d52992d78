"""A PDF to write on: black on white, A4 or Letter, with boxes to tick and lines to write on.

What all sheets share. The font is DejaVu Sans, which comes with matplotlib and has the letters of
most languages.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

import matplotlib
from fpdf import FPDF
from fpdf.fonts import TTFFont

from optimizer.presentation.sheet import Box

PAPERS = {"a4": "A4", "letter": "Letter"}
MARGIN = 9.0
GAP = 1.6
LEAST_SIZE = 5.0
"""Smallest type that can still be read at a deck, before the sheet is scaled."""
# Scales of the type, tried until the sheet fits on one page; if none fits, there are more pages.
SCALES = (1.12, 1.06, 1.0, 0.96, 0.92, 0.88, 0.84)
FAMILY = "sans"
POINT = 0.3528
"""Size of a typographic point, mm."""
LEADING = 1.28
# Creation time in the file. It is fixed, so that equal sheets are equal files.
MOMENT = datetime(2000, 1, 1, tzinfo=UTC)


def pdf_of(drawing: Callable[[FPDF, FPDF, float], Drawing], title: str, paper: str) -> bytes:
    """The bytes of a PDF, drawn at the largest scale at which it fits on one page.

    Args:
        drawing: makes a drawing from a document, a rehearsal (see ``Drawing``) and a scale.
        title: title of the document.
        paper: ``a4`` or ``letter``.
    """
    rehearsal, pdf = _document(title, paper), _document(title, paper)
    on_one_page = (k for k in SCALES if _pages(drawing(rehearsal, rehearsal, k)) == 1)
    last = drawing(pdf, rehearsal, next(on_one_page, 1.0))
    last.draw()
    content = last.finish()
    # The library keeps font files open.
    for font in (*pdf.fonts.values(), *rehearsal.fonts.values()):
        cast(TTFFont, font).close()
    return content


def _pages(drawing: Drawing) -> int:
    drawing.draw()
    return drawing.pages


def _document(title: str, paper: str) -> FPDF:
    """A document without pages."""
    pdf = FPDF(format=PAPERS[paper])
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    pdf.add_font(FAMILY, "", folder / "DejaVuSans.ttf")
    pdf.add_font(FAMILY, "B", folder / "DejaVuSans-Bold.ttf")
    pdf.set_margin(MARGIN)
    pdf.set_auto_page_break(False)
    pdf.set_creation_date(MOMENT)
    pdf.set_title(title)
    pdf.set_lang("en")
    pdf.c_margin = 0
    return pdf


class Drawing:
    """A drawing at one scale of the type.

    Lengths are in mm; sizes of type are in points and are multiplied by the scale.

    Args:
        pdf: the document to draw on.
        rehearsal: a document that is thrown away, on which parts are drawn to learn their height;
            the library's own rehearsals copy the whole document with its fonts each time.
        scale: factor on all sizes of type.
        foot: what stands at the foot of every page.
        page_of: form of the number of a page where there are several, with ``{page}`` and
            ``{pages}``.
    """

    def __init__(
        self, pdf: FPDF, rehearsal: FPDF, scale: float, foot: Sequence[str], page_of: str
    ) -> None:
        self.scale, self.pages = scale, 0
        self.pdf, self._rehearsal = pdf, rehearsal
        self._foot, self._page_of = tuple(foot), page_of
        self.left, self.width = MARGIN, pdf.w - 2 * MARGIN
        self.bottom = pdf.h - MARGIN - 5
        self.y = MARGIN

    def draw(self) -> None:
        """Draws everything on as many pages as it needs."""
        raise NotImplementedError

    def finish(self) -> bytes:
        """Adds the footers, now that the number of pages is known, and returns the file."""
        pages = self.pages
        for page in range(1, pages + 1):
            self.pdf.page = page
            if page > 1:  # the font in force is known only for the page drawn last
                self._font(8.0, raw=True)
            self._font(7.5, raw=True)
            foot = [*self._foot]
            if pages > 1:
                foot.append(self._page_of.format(page=page, pages=pages))
            self.pdf.set_xy(self.left, self.pdf.h - MARGIN - 3)
            self.pdf.cell(self.width, 3, "  ".join(foot))
        return bytes(self.pdf.output())

    # -- parts that sheets share -------------------------------------------------------------

    def _checks(self, box: Box) -> None:
        self._text(self.left, box.title, 11, bold=True)
        self.y += self._line(11)
        self._ticks(box.lines, self.left, self.width, 9.5)
        self.y += GAP

    def _pair(self, one: Box, other: Box) -> None:
        """Draws two boxes side by side."""
        top, each, ends = self.y, 0.5 * self.width, []
        for k, box in enumerate((one, other)):
            self.y = top
            x = self.left + k * each
            self._text(x, box.title, 11, bold=True)
            self.y += self._line(11)
            for line in box.lines:
                self._text(x, "–", 9.5)
                self._wrapped(x + 3, each - 6, line, 9.5)
            ends.append(self.y)
        self.y = max(ends) + GAP

    # -- basic operations --------------------------------------------------------------------

    def _page(self) -> None:
        self.pdf.add_page()
        self.pages += 1
        self.y = MARGIN

    def _kept_together(self, part: Callable[[], None]) -> None:
        """Draws a part on a new page if it does not fit on this one as a whole."""
        kept, real = self.y, self.pdf
        self.pdf = self._rehearsal
        part()
        self.pdf, end, self.y = real, self.y, kept
        if end > self.bottom:
            self._page()
        part()

    def _font(self, size: float, bold: bool = False, raw: bool = False) -> None:
        self.pdf.set_font(FAMILY, "B" if bold else "", size if raw else size * self.scale)

    def _line(self, size: float) -> float:
        """Height of a line of type of this size, mm."""
        return size * self.scale * POINT * LEADING

    def _width(self, text: str, size: float, bold: bool = False) -> float:
        self._font(size, bold)
        return float(self.pdf.get_string_width(text))

    def _text(self, x: float, text: str, size: float, bold: bool = False) -> None:
        if not text:
            return
        self._font(size, bold)
        self.pdf.set_xy(x, self.y)
        self.pdf.cell(text=text, h=self._line(size))

    def _fitted(self, x: float, width: float, text: str, size: float) -> None:
        """Draws a text in smaller type where it is wider than its place, such as a long name."""
        small = next((s for s in _sizes(size) if self._width(text, s) <= width), LEAST_SIZE)
        self._text(x, text, small)

    def _centered(self, x: float, width: float, text: str, size: float, bold: bool = False) -> None:
        self._text(x + 0.5 * (width - self._width(text, size, bold)), text, size, bold)

    def _wrapped(self, x: float, width: float, text: str, size: float) -> None:
        self._font(size)
        self.pdf.set_xy(x, self.y)
        self.pdf.multi_cell(width, self._line(size), text, align="L")
        self.y = self.pdf.get_y()

    def _tick(self, x: float, text: str, size: float) -> float:
        """Draws a small box to tick and its text, and returns the x at which the text ends."""
        side = 0.62 * self._line(size)
        self.pdf.set_line_width(0.3)
        self.pdf.rect(x, self.y + 0.19 * self._line(size), side, side)
        self._text(x + side + 1.2, text, size)
        return x + side + 1.2 + self._width(text, size)

    def _ticks(
        self, lines: Sequence[str], x: float, width: float, size: float, back: float | None = None
    ) -> None:
        """Draws texts to tick, one after another; further rows start at x = ``back``."""
        start, end = x, x + width
        for line in lines:
            needs = self._width(line, size) + 0.62 * self._line(size) + 1.2
            if x > start and x + needs > end:
                x = start = self.left if back is None else back
                self.y += self._line(size)
            if x + needs > end:  # longer than a row: the text goes on below its box
                side = self._tick(x, "", size)
                self._wrapped(side, end - side, line, size)
                self.y -= self._line(size)
                x = end
                continue
            x = self._tick(x, line, size) + 4
        self.y += self._line(size)

    def _blank(self, x: float, label: str, width: float, unit: str = "") -> None:
        """Draws a label and a line to write on."""
        self._text(x, label, 9.5)
        start = x + self._width(label, 9.5) + 1
        end = x + width - (self._width(unit, 9.5) + 1 if unit else 0)
        base = self.y + self._line(9.5) - 0.3
        self.pdf.set_line_width(0.25)
        self.pdf.line(start, base, end, base)
        if unit:
            self._text(end + 1, unit, 9.5)


def _sizes(size: float) -> list[float]:
    """Sizes of type from ``size`` down to the least, in halves."""
    return [size - 0.5 * k for k in range(int(2 * (size - LEAST_SIZE)) + 1)]
