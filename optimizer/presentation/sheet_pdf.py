"""The trial sheet as a PDF: black on white, A4 or Letter, large figures, boxes to write in.

In comes the content of a sheet; out come the bytes of a PDF. Up to four trials fit on one page, if
needed with slightly smaller type. More trials continue on further pages; a trial is never split
between pages. The font is DejaVu Sans, which comes with matplotlib and has the letters of most
languages.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import cast

import matplotlib
from fpdf import FPDF
from fpdf.fonts import TTFFont

from optimizer.presentation.sheet import Box, SettingCell, Sheet, TrialBlock

PAPERS = {"a4": "A4", "letter": "Letter"}
MARGIN = 9.0
GAP = 1.6
# Scales of the type, tried until the batch fits on one page; if none fits, there are more pages.
SCALES = (1.12, 1.06, 1.0, 0.96, 0.92, 0.88, 0.84)
FAMILY = "sans"
POINT = 0.3528
"""Size of a typographic point, mm."""
LEADING = 1.28
# Creation time in the file. It is fixed, so that equal sheets are equal files.
MOMENT = datetime(2000, 1, 1, tzinfo=UTC)


def sheet_pdf(sheet: Sheet, paper: str = "a4") -> bytes:
    """The bytes of the PDF of a sheet; ``paper`` is ``a4`` or ``letter``."""
    rehearsal, pdf = _document(sheet, paper), _document(sheet, paper)
    on_one_page = (k for k in SCALES if _Drawing(sheet, rehearsal, rehearsal, k).draw().pages == 1)
    content = _Drawing(sheet, pdf, rehearsal, next(on_one_page, 1.0)).draw().finish()
    # The library keeps font files open.
    for font in (*pdf.fonts.values(), *rehearsal.fonts.values()):
        cast(TTFFont, font).close()
    return content


def _document(sheet: Sheet, paper: str) -> FPDF:
    """A document without pages."""
    pdf = FPDF(format=PAPERS[paper])
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    pdf.add_font(FAMILY, "", folder / "DejaVuSans.ttf")
    pdf.add_font(FAMILY, "B", folder / "DejaVuSans-Bold.ttf")
    pdf.set_margin(MARGIN)
    pdf.set_auto_page_break(False)
    pdf.set_creation_date(MOMENT)
    pdf.set_title(f"{sheet.words['title']} {sheet.heading}".strip())
    pdf.set_lang("en")
    pdf.c_margin = 0
    return pdf


class _Drawing:
    """A drawing of the sheet at one scale of the type.

    Lengths are in mm; sizes of type are in points and are multiplied by the scale.

    Args:
        sheet: the sheet to draw.
        pdf: the document to draw on.
        rehearsal: a document that is thrown away, on which parts are drawn to learn their height;
            the library's own rehearsals copy the whole document with its fonts each time.
        scale: factor on all sizes of type.
    """

    def __init__(self, sheet: Sheet, pdf: FPDF, rehearsal: FPDF, scale: float) -> None:
        self.sheet, self.scale, self.pages = sheet, scale, 0
        self.pdf, self._rehearsal = pdf, rehearsal
        self.left, self.width = MARGIN, pdf.w - 2 * MARGIN
        self.bottom = pdf.h - MARGIN - 5
        self.y = MARGIN

    def draw(self) -> _Drawing:
        """Draws the whole sheet on as many pages as it needs."""
        sheet = self.sheet
        self._page()
        self._top()
        self._checks(sheet.checks)
        for block in sheet.trials:
            self._kept_together(lambda b=block: self._trial(b))  # type: ignore[misc]
        self._kept_together(lambda: self._pair(sheet.moving, sheet.sampling))
        self._kept_together(lambda: self._pair(sheet.watch, sheet.cautions))
        return self

    def finish(self) -> bytes:
        """Adds the footers, now that the number of pages is known, and returns the file."""
        pages = self.pages
        for page in range(1, pages + 1):
            self.pdf.page = page
            self._font(7.5, raw=True)
            foot = [self.sheet.words["practice"], self.sheet.made]
            if pages > 1:
                foot.append(self.sheet.words["page"].format(page=page, pages=pages))
            self.pdf.set_xy(self.left, self.pdf.h - MARGIN - 3)
            self.pdf.cell(self.width, 3, "  ".join(foot))
        return bytes(self.pdf.output())

    # -- parts -------------------------------------------------------------------------------

    def _top(self) -> None:
        words, sheet = self.sheet.words, self.sheet
        self._text(self.left, f"{words['title']}  {sheet.heading}", 20, bold=True)
        x = self.left + 0.58 * self.width
        for label, share in ((words["date"], 0.16), (words["operator"], 0.26)):
            self._blank(x, label, share * self.width - 2)
            x += share * self.width
        self.y += self._line(20) + GAP
        self._text(self.left, sheet.goal, 12.5, bold=True)
        self.y += self._line(12.5)
        for label, phrases in ((words["lot"], sheet.lot), (words["limits"], sheet.limits)):
            if phrases:
                self._wrapped(self.left, self.width, f"{label}: {'; '.join(phrases)}.", 9)
        self.y += GAP

    def _checks(self, box: Box) -> None:
        self._text(self.left, box.title, 11, bold=True)
        self.y += self._line(11)
        self._ticks(box.lines, self.left, self.width, 9.5)
        self.y += GAP

    def _trial(self, block: TrialBlock) -> None:
        top, bar = self.y, 15.0
        x, width = self.left + bar, self.width - bar
        self.y += GAP / 2
        self._settings(block.settings, x + 1, width - 1)
        self._text(x + 1.5, self.sheet.words["moves"], 9.5, bold=True)
        start = x + 3.5 + self._width(self.sheet.words["moves"], 9.5, bold=True)
        self._ticks(block.moves, start, self.left + self.width - start, 9.5, back=x + 1.5)
        self._wrapped(x + 1.5, width - 3, f"{block.watch} {block.needs}", 9.5)
        self.y += GAP
        self._readings(x + 1.5, width - 1.5)
        self._deck(x + 1.5, width - 1.5)
        height = self.y - top
        pdf = self.pdf
        pdf.set_line_width(0.5)
        pdf.rect(self.left, top, self.width, height)
        pdf.set_fill_color(0)
        pdf.rect(self.left, top, bar - 1, height, style="F")
        pdf.set_text_color(255)
        kept, self.y = self.y, top + 3
        rank = self.sheet.words["rank"].format(rank=block.rank)
        if block.number:
            self._upright(block.number, bar - 1, top, height - self._line(8.5) - 2)
            self.y = top + height - self._line(8.5) - 1
        else:
            self._centered(self.left, bar - 1, str(block.order), 30, bold=True)
            self.y += self._line(30)
        self._centered(self.left, bar - 1, rank, 8.5)
        pdf.set_text_color(0)
        self.y = kept + GAP

    def _upright(self, text: str, width: float, top: float, length: float) -> None:
        """Draws a text that reads upwards in the middle of a bar, as large as the bar allows."""
        size = next(
            (s for s in range(24, 5, -1) if self._width(text, s, bold=True) <= length - 3), 5
        )
        across = self._line(size)
        x, y = self.left + 0.5 * (width - across), top + length
        with self.pdf.rotation(90, x, y):
            self.pdf.set_xy(x + 0.5 * (length - self._width(text, size, bold=True)), y)
            self.pdf.cell(text=text, h=across)

    def _settings(self, cells: Sequence[SettingCell], x: float, width: float) -> None:
        top, each = self.y, width / len(cells)
        words = self.sheet.words
        height = self._line(9) + self._line(20) + self._line(9) + 0.6
        for k, cell in enumerate(cells):
            left = x + k * each
            self.pdf.set_line_width(0.9 if cell.moved else 0.15)
            self.pdf.rect(left + 0.5, top, each - 1, height)
            self.y = top + 0.4
            self._text(left + 2, cell.label, 9)
            self.y += self._line(9)
            self._text(left + 2, cell.value, 20, bold=True)
            after = left + 3.2 + self._width(cell.value, 20, bold=True)
            self.y += 0.32 * self._line(20)
            self._text(after, cell.unit, 10)
            self.y += 0.68 * self._line(20)
            before = "" if not cell.before else words["from"].format(value=cell.before)
            self._text(left + 2, before if cell.moved else words["same"], 9)
        self.y = top + height + GAP / 2

    def _readings(self, x: float, width: float) -> None:
        words = self.sheet.words
        rows: list[tuple[tuple[str, str, float], ...]] = [
            (
                ("settled_at", "", 0.2),
                ("sampled_at", "", 0.21),
                ("grade", "%", 0.2),
                ("recovery", "%", 0.22),
                ("counted", "", 0.17),
            )
        ]
        if self.sheet.middlings:
            rows.append((("middlings_share", "%", 0.5), ("middlings_grade", "%", 0.3)))
        for row in rows:
            left = x
            for word, unit, share in row:
                self._blank(left, words[word], share * width - 2, unit)
                left += share * width
            self.y += self._line(16)

    def _deck(self, x: float, width: float) -> None:
        end = x + width - 1.5
        self._text(x, self.sheet.words["deck"], 9.5, bold=True)
        x += self._width(self.sheet.words["deck"], 9.5, bold=True) + 2
        for state in self.sheet.states.values():
            x = self._tick(x, state, 9.5) + 3
        self._blank(x, self.sheet.words["note"], end - x)
        self.y += self._line(9.5) + 1.2

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
