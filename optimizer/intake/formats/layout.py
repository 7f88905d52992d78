"""The layout of a text log: its delimiter, the position of its headings, its decimal mark."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from optimizer.errors import InputError
from optimizer.intake.reading.columns import Headings
from optimizer.intake.reading.heading_rows import FEWEST, FoundHeadings, find_headings
from optimizer.intake.reading.source import Decimal

SAMPLE_ROWS = 100
# Delimiters in the order of trial. Tab, semicolon and pipe rarely occur in a cell; a comma often
# does, so it is tried last.
DELIMITERS = ("\t", ";", "|", ",", "~", "^", "!", "#", "&", "*", ":", " ")
# Columns that are aligned with blanks are separated by two or more blanks, since a cell may contain
# one.
ALIGNED = "  "
# Blanks are matched from their first one only, here and below: else all beginnings of a long run of
# blanks would be tried.
_OUTER = re.compile(rb"^ +|(?<! ) +(?=\r?$)", re.M)
_GAP = re.compile(rb" {2,}")
# A delimiter is accepted if at least this share of the sampled rows has as many cells as the
# headings.
AGREEMENT = 0.9

_PLAIN_CELL = [
    re.compile(rf"^ *(?:([+-]?(\d+{m}?\d*|{m}\d+)([eE][+-]?\d+)?) *)?$") for m in (r"\.", ",")
]
_COMMA_GROUPS = re.compile(r"^\s*[+-]?[1-9]\d{0,2}(,\d{3})+\.\d")
_DECIMAL_COMMA = re.compile(r"^\s*[+-]?(\d+),(\d+)\s*([A-Za-z°%].*)?$")


@dataclass(frozen=True)
class Layout:
    """The layout of a text log.

    Args:
        delimiter: one character, or ``ALIGNED``.
        found: the headings of the log.
        lines: number of lines before the first row of data.
        decimal: notation of numbers.
        agrees: whether the sampled rows have as many cells as the headings.
        body: the sampled rows.
    """

    delimiter: str
    found: FoundHeadings
    lines: int
    decimal: Decimal
    agrees: bool
    body: Sequence[Sequence[str]]

    def is_plain(self, columns: Iterable[int]) -> bool:
        """Whether all cells of these columns in the sampled rows are empty or plain numbers."""
        cells = [row[k] for row in self.body for k in columns if k < len(row)]
        return all(map(_PLAIN_CELL[self.decimal == "comma"].match, cells))


def sniff(sample: str, known: Headings, name: str) -> Layout:
    """Detect the layout of a log from its first lines.

    The delimiter chosen is the one with which the headings name the most fields. Among equals it is
    the first that splits headings and rows into equal numbers of cells. Where no heading names a
    field, it is the delimiter that gives the most cells.

    Raises:
        InputError: when no delimiter divides the lines into cells.
    """
    best: tuple[tuple[int, bool, int], Layout] | None = None
    for delimiter in (*DELIMITERS, ALIGNED):
        if delimiter not in sample and delimiter != ",":
            continue
        layout = _layout(sample, delimiter, known)
        if layout is None:
            continue
        named = layout.found.count if layout.found.count >= FEWEST else 0
        worth = (named, layout.agrees, 0 if named else len(layout.found.headings))
        if best is None or worth > best[0]:
            best = worth, layout
        if layout.agrees and named >= len(known.site.wholes):
            break
    if best is None:
        raise InputError(f"{name} has no rows of cells.", hint="Save the log as CSV.")
    return best[1]


def reader_of(text: str, delimiter: str) -> Any:
    """A reader of the csv module over the rows of a text."""
    if delimiter == ALIGNED:
        text, delimiter = aligned_as_tabs(text.encode()).decode(), "\t"
    return csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)


def aligned_as_tabs(block: bytes) -> bytes:
    """A block of aligned columns, with tabs in place of the blanks between columns."""
    return _GAP.sub(b"\t", _OUTER.sub(b"", block))


def _layout(sample: str, delimiter: str, known: Headings) -> Layout | None:
    reader = reader_of(sample, delimiter)
    rows: list[list[str]] = []
    lines: list[int] = []
    try:
        for row, _ in zip(reader, range(2 * SAMPLE_ROWS), strict=False):
            rows.append(row)
            lines.append(reader.line_num)
    except csv.Error:
        pass
    if not any(cell.strip() for row in rows[:SAMPLE_ROWS] for cell in row):
        return None
    found = find_headings(rows[:SAMPLE_ROWS], known)
    body = [row for row in rows[found.used :] if any(cell.strip() for cell in row)]
    found, agrees = _widened(found, body)
    decimal = _decimal(body) if delimiter != "," else "never"
    return Layout(delimiter, found, lines[found.used - 1], decimal, agrees, body)


def _widened(found: FoundHeadings, body: Sequence[Sequence[str]]) -> tuple[FoundHeadings, bool]:
    """The headings, extended by blank headings for delimiters at the end of most rows."""
    width = len(found.headings)
    if not body:
        return found, width > 1
    (usual, times), *_ = Counter(len(row) for row in body).most_common()
    longer = [row for row in body if len(row) == usual]
    blank = sum(not any(cell.strip() for cell in row[width:]) for row in longer)
    if usual > width > 1 and blank >= AGREEMENT * len(longer):
        widened = (*found.headings, *("",) * (usual - width))
        return replace(found, headings=widened), times >= AGREEMENT * len(body)
    agree = sum(len(row) == width for row in body)
    return found, width > 1 and agree >= AGREEMENT * len(body)


def _decimal(rows: Sequence[Sequence[str]]) -> Decimal:
    """The decimal mark: a comma where a cell can mean nothing else (``1,5``, ``0,972``, not
    ``1,500``).

    Where another cell groups thousands with commas, the decision is left to each column.
    """
    found: Decimal = "point"
    for cell in (cell for row in rows for cell in row):
        if _COMMA_GROUPS.match(cell):
            return "point"
        match = _DECIMAL_COMMA.match(cell)
        if match:
            whole, decimals = match[1], match[2]
            if not (len(decimals) == 3 and len(whole) <= 3 and whole[0] != "0"):
                found = "comma"
    return found
