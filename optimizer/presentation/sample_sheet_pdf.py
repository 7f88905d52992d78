"""The sheet for weights and assays as a PDF: a frame for each test, with a row for each stream."""

from __future__ import annotations

from functools import partial

from fpdf import FPDF

from optimizer.presentation.pdf_drawing import GAP, Drawing, pdf_of
from optimizer.presentation.sample_sheet import SampleSheet

COLUMNS = 3
"""Number of columns of what is noted once for each test."""


def sample_sheet_pdf(sheet: SampleSheet, paper: str = "a4") -> bytes:
    """The bytes of the PDF of a sheet; ``paper`` is ``a4`` or ``letter``."""
    title = f"{sheet.words['title']} {sheet.heading}".strip()
    return pdf_of(partial(_Drawing, sheet), title, paper)


class _Drawing(Drawing):
    """A drawing of the sheet at one scale of the type."""

    def __init__(self, sheet: SampleSheet, pdf: FPDF, rehearsal: FPDF, scale: float) -> None:
        super().__init__(pdf, rehearsal, scale, [sheet.words["foot"]], sheet.words["page"])
        self.sheet = sheet

    def draw(self) -> None:
        """Draws the whole sheet on as many pages as it needs."""
        self._page()
        words = self.sheet.words
        self._text(self.left, f"{words['title']}  {self.sheet.heading}", 16, bold=True)
        self.y += self._line(16) + GAP
        for label, at in ((words["date"], 0.0), (words["operator"], 0.35)):
            self._blank(self.left + at * self.width, label, 0.3 * self.width)
        self.y += self._line(14)
        for test in self.sheet.tests:
            self._kept_together(partial(self._test, test))
        self._kept_together(lambda: self._pair(self.sheet.sampling, self.sheet.cautions))

    def _test(self, test: str) -> None:
        top, x, width, words = self.y, self.left + 2, self.width - 4, self.sheet.words
        self.y += GAP
        self._text(x, f"{words['test']} {test}", 12, bold=True)
        self.y += self._line(14)
        for k, (label, unit) in enumerate(self.sheet.noted):
            column = k % COLUMNS
            if k and not column:
                self.y += self._line(13)
            each = width / COLUMNS
            self._blank(x + column * each, label, each - 3, unit)
        self.y += self._line(15)
        for stream in self.sheet.streams:
            self._text(x, stream, 10.5, bold=True)
            left = x + 0.36 * width
            for label, unit in (
                (words["mass"], self.sheet.mass_unit),
                (words["assay"], "%"),
                (words["counted"], ""),
            ):
                self._blank(left, label, 0.2 * width, unit)
                left += 0.215 * width
            self.y += self._line(14)
        self._blank(x, words["missing"], width - 2, self.sheet.mass_unit)
        self.y += self._line(12) + GAP
        self.pdf.set_line_width(0.5)
        self.pdf.rect(self.left, top, self.width, self.y - top)
        self.y += GAP
