"""Reads workbooks (.xlsx), in which each sheet with the headings of a log is a log.

Cells are read as they are shown, so that no visible information is lost: 0.985 in a cell that is
formatted as per cent is read as 98.5 %, a unit in the format is appended to the number, and a date
remains a date. A formula is read as the value that the workbook stores for it.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from decimal import Decimal
from functools import cache, partial
from itertools import islice
from typing import IO, Any

import numpy as np
from openpyxl import load_workbook  # type: ignore[import-untyped]

from optimizer.errors import InputError, reason_of
from optimizer.intake.formats.unpacked import counted
from optimizer.intake.reading.columns import Headings
from optimizer.intake.reading.heading_rows import FoundHeadings, find_headings
from optimizer.intake.reading.source import Chunk, Ragged, Source
from optimizer.text.formulas import as_meant

HEADING_ROWS = 100
"""Number of first rows of a sheet that are searched for its headings."""
FEWEST_FIELDS = 3
"""Smallest number of fields for a sheet to be a log; a sheet of notes may name one or two."""
BATCH_ROWS, BATCH_CELLS = 1 << 13, 1 << 21

_LITERAL = re.compile(r'"([^"]*)"|\\(.)|_.|\*.')
_SUFFIX = re.compile(r'[0#?]((?:\s|"[^"]*"|\\.)+)$')

Cells = list[str]


def sheets(stream: IO[bytes], name: str, known: Headings) -> Iterator[tuple[str, Source | None]]:
    """The sheets of a workbook by name, each as a log; None for a sheet without headings of a log.

    Raises:
        InputError: when the workbook is damaged.
    """
    book = _sound(
        name, lambda: load_workbook(stream, read_only=True, data_only=True, keep_links=False)
    )
    for sheet in book.worksheets:
        start = _sound(name, partial(_first_rows, sheet))
        title = f"{name}/{sheet.title}"
        if not any(any(row) for row in start):
            yield title, None
            continue
        found = find_headings(start, known)
        is_log = found.count >= FEWEST_FIELDS or len(book.worksheets) == 1 or known.every_sheet
        yield title, _source(title, sheet, found) if is_log else None


def _source(name: str, sheet: Any, found: FoundHeadings) -> Source:
    width = max(k + 1 for k, cell in enumerate(found.headings) if cell.strip())
    return Source(
        name,
        found.headings[:width],
        lambda _: _chunks(name, sheet, found.used, width),
        repeats=tuple(row[:width] for row in found.repeats),
        titles=found.titles,
    )


def _sound(name: str, read: Callable[[], Any]) -> Any:
    """The result of a function that reads a workbook; any exception is converted to an
    InputError."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # warnings about features without data
            return read()
    except InputError:
        raise
    except Exception as error:
        # The reader raises many kinds of errors for damaged files.
        raise InputError(
            f"{name} is a damaged workbook: {reason_of(error)}.", hint="Save the log as CSV."
        ) from None


def _rows(sheet: Any, first: int) -> Iterator[Cells]:
    sheet.reset_dimensions()  # the dimensions that a sheet states may be wrong
    for row in sheet.iter_rows(min_row=first):
        yield [
            cell_text(cell.value, cell.number_format) if cell.value is not None else ""
            for cell in row
        ]


def _first_rows(sheet: Any) -> list[Cells]:
    return list(islice(_rows(sheet, 1), HEADING_ROWS))


def _chunks(name: str, sheet: Any, used: int, width: int) -> Iterator[Callable[[], Chunk]]:
    rows = counted(_rows(sheet, used + 1), name)
    first = used + 1
    while True:
        batch = _sound(name, lambda: _batch(rows))
        if not batch:
            return
        yield partial(_chunk, batch, first, width)
        first += len(batch)


def _batch(rows: Iterator[Cells]) -> list[Cells]:
    """The next rows of a sheet."""
    batch: list[Cells] = []
    cells = 0
    for row in rows:
        batch.append(row)
        cells += len(row)
        if len(batch) >= BATCH_ROWS or cells >= BATCH_CELLS:
            break
    return batch


def _chunk(batch: Sequence[Cells], first: int, width: int) -> Chunk:
    even: list[Cells] = []
    odd: list[Cells] = []
    numbers: list[int] = []
    odd_numbers: list[int] = []
    for number, row in enumerate(batch, first):
        if any(cell.strip() for cell in row[width:]):
            odd.append(row)
            odd_numbers.append(number)
        elif any(cell.strip() for cell in row):
            even.append(row[:width])
            numbers.append(number)
    table = Ragged.of(numbers, even, width).table
    ragged = Ragged.of(odd_numbers, odd, width)
    return Chunk(table, np.array(numbers, np.int64), lambda: table, ragged)


def cell_text(value: Any, number_format: str) -> str:
    """A cell as text, in the way that its number format shows it.

    >>> cell_text(0.985, "0%"), cell_text(2.0, "General"), cell_text(4500, '0 "lb/h"')
    ('98.5%', '2', '4500 lb/h')
    """
    if isinstance(value, bool) or not isinstance(value, int | float | datetime):
        return as_meant(str(value))
    if isinstance(value, datetime):
        return value.isoformat(" ")
    per_cent, suffix = _shown_as(number_format or "General")
    number = Decimal(repr(value))
    if per_cent:
        number = number.scaleb(2)
    if not number.is_finite():
        return str(value)
    text = format(number.normalize(), "f")
    return f"{text}%" if per_cent else f"{text}{suffix}"


@cache
def _shown_as(number_format: str) -> tuple[bool, str]:
    """Whether a number format shows per cent, and the text that it appends to a number."""
    section = number_format.split(";")[0]
    if "%" in _LITERAL.sub("", section):
        return True, ""
    match = _SUFFIX.search(section)
    text = re.sub(r'["\\]', "", match[1]).rstrip() if match else ""
    return False, text
