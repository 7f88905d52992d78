"""Text logs: any usual delimiter, encoding and compression, cut into blocks of whole lines.

A block is parsed by pyarrow, straight to numbers where the columns that should hold numbers do,
and as text where one does not: a clean log costs one pass, and a faulty cell is shown as it was
written. Rows are numbered as the lines of the file, the headings being line 1; a row that spans
lines has the number of its first.
"""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import IO, TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from optimizer.errors import InputError
from optimizer.intake.source import Chunk, Ragged, Source
from optimizer.intake.values import Decimal

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Large enough that a block's fixed cost vanishes, small enough that a block's columns stay in
# the processor's cache while they are checked.
BLOCK_BYTES = 4 << 20
SAMPLE_BYTES = 1 << 16
SAMPLE_ROWS = 100
# Tab, semicolon and pipe rarely stand in a cell; a comma often does, so it is tried last.
DELIMITERS = ("\t", ";", "|", ",")
# Share of sampled rows that must have as many cells as the headings for a delimiter to be taken.
AGREEMENT = 0.9
# Control characters that no log in text has.
_BINARY = frozenset(range(9)) | frozenset(range(14, 27)) | frozenset(range(28, 32))


def open_delimited(stream: IO[bytes] | gzip.GzipFile, name: str) -> Source:
    """Opens a text log.

    Raises:
        InputError: when it is empty or no text.
    """
    try:
        content = io.BufferedReader(_decoded(stream), BLOCK_BYTES)
        start = content.read(SAMPLE_BYTES)
    except (OSError, EOFError, UnicodeError) as error:
        raise InputError(f"{name} cannot be read: {error}.") from None
    sample = _sample(start, name)
    delimiter = _delimiter(sample)
    reader = csv.reader(io.StringIO(sample, newline=""), delimiter=delimiter)
    headings = next(row for row in reader if any(cell.strip() for cell in row))
    used, layout = reader.line_num, _Layout(name, len(headings), delimiter)
    rest = b"".join(start.splitlines(keepends=True)[used:])
    decimal = _decimal(reader, delimiter)

    def parts(numeric: frozenset[int]) -> Iterator[Callable[[], Chunk]]:
        try:
            for block, line in _blocks(rest, content, used + 1):
                yield partial(_parse, block, line, layout, numeric)
        except (OSError, EOFError, UnicodeError) as error:
            raise InputError(f"{name} is damaged: {error}.") from None

    return Source(name, headings, parts, decimal)


def _decoded(stream: Any) -> Any:
    """The stream in UTF-8 without a byte order mark; a mark says when it is UTF-16."""
    start = stream.read(4)
    stream.seek(0)
    if start[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return _Transcoded(io.TextIOWrapper(stream, "utf-16", newline=""))
    if start[:3] == b"\xef\xbb\xbf":
        stream.read(3)
    return stream


class _Transcoded(io.RawIOBase):
    """A text stream as raw UTF-8 bytes."""

    def __init__(self, text: io.TextIOWrapper) -> None:
        self._text = text
        self._left = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray) -> int:  # type: ignore[override]
        if not self._left:
            self._left = self._text.read(SAMPLE_BYTES).encode()
        n = min(len(buffer), len(self._left))
        buffer[:n], self._left = self._left[:n], self._left[n:]
        return n


def _sample(start: bytes, name: str) -> str:
    """The first lines as text."""
    if not start.strip():
        raise InputError(f"{name} is empty.", hint="Expected headings and at least one row.")
    if _BINARY & set(start):
        raise InputError(f"{name} is neither text nor Parquet.", hint="Save the log as CSV.")
    whole = start[: start.rfind(b"\n") + 1] if len(start) == SAMPLE_BYTES else start
    return _utf8(whole or start).decode()


def _utf8(block: bytes) -> bytes:
    """The block in UTF-8; what is not UTF-8 is taken as Windows-1252, which older logs are in."""
    if block.isascii():
        return block
    try:
        block.decode()
    except UnicodeDecodeError:
        return block.decode("cp1252", errors="replace").encode()
    return block


def _rows_of(text: str, delimiter: str) -> list[list[str]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter)
    filled = (row for row in reader if any(cell.strip() for cell in row))
    return [row for row, _ in zip(filled, range(SAMPLE_ROWS), strict=False)]


def _delimiter(sample: str) -> str:
    """The first delimiter that splits headings and rows alike, else the one with most headings."""
    best, most = ",", 1
    for delimiter in DELIMITERS:
        headings, *rows = _rows_of(sample, delimiter)
        agree = [len(row) == len(headings) for row in rows]
        if len(headings) > 1 and sum(agree) >= AGREEMENT * len(agree):
            return delimiter
        if len(headings) > most:
            best, most = delimiter, len(headings)
    return best


def _decimal(rows: Iterator[list[str]], delimiter: str) -> Decimal:
    """Decimal comma when a cell can be nothing else: ``1,5``, ``0,972``, not ``1,500``."""
    if delimiter == ",":
        return "never"
    for row, _ in zip(rows, range(SAMPLE_ROWS), strict=False):
        for cell in row:
            whole, comma, decimals = cell.strip(" %+-").partition(",")
            if comma and whole.isdecimal() and decimals.isdecimal():
                grouped = len(decimals) == 3 and len(whole) <= 3 and whole[0] != "0"
                if not grouped:
                    return "comma"
    return "point"


def _blocks(left: bytes, stream: IO[bytes], line: int) -> Iterator[tuple[bytes, int]]:
    """Blocks of whole rows, from what is ``left`` of the sample on, and their line numbers."""
    while True:
        fresh = stream.read(BLOCK_BYTES)
        block = left + fresh
        cut = len(block) if not fresh else _end_of_rows(block)
        whole, left = block[:cut], block[cut:]
        if whole.strip():
            yield _utf8(whole), line
        line += _count(whole, b"\n")
        if not fresh:
            return


def _count(block: bytes, byte: bytes) -> int:
    return int(np.count_nonzero(np.frombuffer(block, np.uint8) == ord(byte)))


def _end_of_rows(block: bytes) -> int:
    """Where the last whole row ends: at a line end outside quotes; 0 when there is none."""
    end = block.rfind(b"\n") + 1
    if b'"' not in block or _count(block[:end], b'"') % 2 == 0:
        return end
    quote = block.rfind(b'"', 0, end)  # opens a cell that goes on in the next block
    inside = block.rfind(b"\n", 0, quote) + 1
    # A lone quote inside a cell pairs with nothing: then the line end is one after all.
    return inside if inside and _count(block[:inside], b'"') % 2 == 0 else end


@dataclass(frozen=True)
class _Layout:
    name: str
    width: int
    delimiter: str


def _parse(block: bytes, first_line: int, layout: _Layout, numeric: frozenset[int]) -> Chunk:
    bad: list[tuple[int, str]] = []
    try:
        table = _read_block(block, layout, numeric, bad)
    except pa.ArrowInvalid:
        bad.clear()
        table = _read_block(block, layout, frozenset(), bad)
    lines = _line_numbers(block, first_line, len(table) + len(bad), layout)
    at = np.array([number for number, _ in bad], dtype=np.int64) - 1
    ragged = [
        Ragged(int(lines[k]), next(csv.reader([row], delimiter=layout.delimiter)))
        for k, (_, row) in zip(at, bad, strict=True)
        if row.strip()
    ]
    lines = np.delete(lines, at)
    filled = _not_blank(table)
    if filled is not None:
        table, lines = table.filter(pa.array(filled)), lines[filled]

    def read_text() -> pa.Table:
        text = _read_block(block, layout, frozenset(), [])
        return text if filled is None else text.filter(pa.array(filled))

    return Chunk(table, lines, read_text, ragged)


def _read_block(
    block: bytes, layout: _Layout, numeric: frozenset[int], bad: list[tuple[int, str]]
) -> pa.Table:
    """The block as a table, numbers where asked; rows of another width go to ``bad``.

    Raises:
        pyarrow.ArrowInvalid: when a cell is no number.
    """

    def skip(row: pa_csv.InvalidRow) -> str:
        bad.append((row.number, row.text))
        return "skip"

    names = [str(k) for k in range(layout.width)]
    types = {n: pa.float64() if int(n) in numeric else pa.string() for n in names}
    return pa_csv.read_csv(
        pa.BufferReader(block),
        read_options=pa_csv.ReadOptions(
            # One thread a block: blocks are read side by side, and rows are numbered only then.
            column_names=names,
            use_threads=False,
            block_size=len(block) + 1,
        ),
        parse_options=pa_csv.ParseOptions(
            delimiter=layout.delimiter, newlines_in_values=True, invalid_row_handler=skip
        ),
        convert_options=pa_csv.ConvertOptions(
            column_types=types, strings_can_be_null=True, null_values=[""]
        ),
    )


def _line_numbers(block: bytes, first: int, n: int, layout: _Layout) -> NDArray[np.int64]:
    """Line numbers of the n rows of a block, blank lines counted and left out; shape (n,)."""
    lines = _count(block, b"\n") + (not block.endswith(b"\n"))
    if lines == n:
        return np.arange(first, first + n)
    ends = np.flatnonzero(np.frombuffer(block, np.uint8) == ord("\n"))
    starts = np.concatenate([[0], ends + 1])[:lines]
    widths = np.concatenate([ends, [len(block)]])[:lines] - starts
    content = np.frombuffer(block, np.uint8)[np.minimum(starts, len(block) - 1)]
    blank = (widths == 0) | ((widths == 1) & (content == ord("\r")))
    filled = first + np.flatnonzero(~blank)
    if len(filled) == n:
        return filled
    return _numbers_of_long_rows(block, first, n, layout)


def _numbers_of_long_rows(block: bytes, first: int, n: int, layout: _Layout) -> NDArray[np.int64]:
    """Line numbers when cells hold line ends: the row-by-row reader knows where each began."""
    reader = csv.reader(io.StringIO(block.decode(), newline=""), delimiter=layout.delimiter)
    starts, line = [], 0
    for row in reader:
        if row:
            starts.append(first + line)
        line = reader.line_num
    if len(starts) != n:
        raise InputError(
            f"{layout.name}: quotes do not pair up between lines {first} and {first + line}.",
            hint="Close every quoted cell, or remove stray quotes.",
        )
    return np.array(starts, dtype=np.int64)


def _not_blank(table: pa.Table) -> NDArray[np.bool_] | None:
    """Which rows have any cell filled, or None when all have; spreadsheets leave ``;;;;``."""
    if any(column.null_count == 0 for column in table.columns):
        return None
    empty = np.ones(len(table), bool)
    for column in table.columns:
        empty &= np.asarray(column.is_null())
    return ~empty if empty.any() else None
