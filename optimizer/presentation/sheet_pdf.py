"""The trial sheet as a PDF: large figures, boxes to tick, lines to write on.

In comes the content of a sheet; out come the bytes of a PDF. Up to four trials fit on one page, if
needed with slightly smaller type. More trials continue on further pages; a trial is never split
between pages.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

from fpdf import FPDF

from optimizer.presentation.pdf_drawing import GAP, Drawing, pdf_of
from optimizer.presentation.sheet import SettingCell, Sheet, TrialBlock

IN_A_ROW = 5
"""Most settings beside each other: narrower, their names would not fit."""


def sheet_pdf(sheet: Sheet, paper: str = "a4") -> bytes:
    """The bytes of the PDF of a sheet; ``paper`` is ``a4`` or ``letter``."""
    title = f"{sheet.words['title']} {sheet.heading}".strip()
    return pdf_of(partial(_Drawing, sheet), title, paper)


def _rows(cells: Sequence[SettingCell]) -> list[Sequence[SettingCell]]:
    """The settings of a trial in rows: those of their own, then the gates, at most ``IN_A_ROW``."""
    found: list[Sequence[SettingCell]] = []
    for is_gate in (False, True):
        own = [cell for cell in cells if cell.is_gate == is_gate]
        rows = max(1, -(-len(own) // IN_A_ROW))
        each = max(1, -(-len(own) // rows))
        found += [own[k : k + each] for k in range(0, len(own), each)]
    return found


class _Drawing(Drawing):
    """A drawing of the trial sheet at one scale of the type."""

    def __init__(self, sheet: Sheet, pdf: FPDF, rehearsal: FPDF, scale: float) -> None:
        foot = sheet.words["practice"], sheet.made
        super().__init__(pdf, rehearsal, scale, foot, sheet.words["page"])
        self.sheet = sheet

    def draw(self) -> None:
        """Draws the whole sheet on as many pages as it needs."""
        sheet = self.sheet
        self._page()
        self._top()
        self._checks(sheet.checks)
        for block in sheet.trials:
            self._kept_together(lambda b=block: self._trial(b))  # type: ignore[misc]
        self._kept_together(lambda: self._pair(sheet.moving, sheet.sampling))
        self._kept_together(lambda: self._pair(sheet.watch, sheet.cautions))

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

    def _trial(self, block: TrialBlock) -> None:
        top, bar = self.y, 15.0
        x, width = self.left + bar, self.width - bar
        self.y += GAP / 2
        for row in _rows(block.settings):
            self._settings(row, x + 1, width - 1)
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
            self._fitted(left + 2, each - 3, cell.label, 9)
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
