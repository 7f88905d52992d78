"""Reads text logs in blocks of whole lines.

pyarrow parses a block directly to numbers if all cells of the numeric columns are numbers, and as
text otherwise. A clean log thus takes one pass, and a faulty cell is shown as it was written. A row
has the number of its line in the file, counted from 1; a row of several lines has the number of the
first.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from typing import IO, TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.csv as pa_csv

from optimizer.errors import InputError, reason_of
from optimizer.history.arrow import meant_text
from optimizer.intake.formats.encoding import SAMPLE_BYTES, Pieces, decoded, utf8
from optimizer.intake.formats.layout import ALIGNED, Layout, aligned_as_tabs, sniff
from optimizer.intake.reading.columns import Headings
from optimizer.intake.reading.source import DAMAGE, ZERO, Chunk, Ragged, Source
from optimizer.text.formulas import as_meant

if TYPE_CHECKING:
    from numpy.typing import NDArray

# Size of a block in bytes: large enough that the fixed cost of a block does not matter; small
# enough that its columns stay in the processor's cache while they are checked, and that two
# processors share a log of usual size.
BLOCK_BYTES = 4 << 20
# Longest row in bytes. Without a limit, a file of another kind could fill the memory.
LONGEST_ROW = 64 << 20


def open_delimited(stream: IO[bytes] | Any, name: str, known: Headings) -> Source:
    """Open a text log.

    Raises:
        InputError: when the file is empty or is not text.
    """
    try:
        content = decoded(stream, name)
        start = content.read(SAMPLE_BYTES)
    except DAMAGE as error:
        raise InputError(f"{name} cannot be read: {reason_of(error)}.") from None
    whole = start[: start.rfind(b"\n") + 1] if len(start) == SAMPLE_BYTES else start
    layout = sniff(_without_torn(utf8(whole or start), 1)[0].decode(), known, name)
    found = layout.found
    headings = tuple(map(as_meant, found.headings))
    repeats = tuple(tuple(map(as_meant, row)) for row in found.repeats)
    layout = replace(layout, found=replace(found, headings=headings, repeats=repeats))
    rest = b"".join(start.splitlines(keepends=True)[layout.lines :])

    def parts(numeric: frozenset[int]) -> Iterator[Callable[[], Chunk]]:
        reader = _BlockReader(name, layout, numeric if layout.is_plain(numeric) else frozenset())
        try:
            for block, line in _blocks(rest, content, layout.lines + 1, name):
                yield partial(reader.read, block, line)
        except DAMAGE as error:
            raise InputError(f"{name} is damaged: {reason_of(error)}.") from None

    return Source(name, headings, parts, layout.decimal, repeats, titles=found.titles)


def _blocks(left: bytes, stream: Pieces, line: int, name: str) -> Iterator[tuple[bytes, int]]:
    """Blocks of whole rows with their line numbers, starting with ``left``, the rest of the
    sample."""
    while True:
        fresh = stream.read(BLOCK_BYTES)
        block = left + fresh
        cut = len(block) if not fresh else _end_of_rows(block)
        whole, left = block[:cut], block[cut:]
        if len(left) > LONGEST_ROW:
            raise InputError(
                f"{name}: the row in line {line} has no end.", hint="Check that the file is a log."
            )
        if whole and not whole.isspace():
            yield utf8(whole), line
        line += whole.count(b"\n")
        if not fresh:
            return


def _end_of_rows(block: bytes) -> int:
    """Position where the last whole row ends, a line end outside quotes; 0 when no row is whole."""
    end = block.rfind(b"\n") + 1
    if b'"' not in block or block[:end].count(b'"') % 2 == 0:
        return end
    quote = block.rfind(b'"', 0, end)  # this quote opens a cell that continues in the next block
    inside = block.rfind(b"\n", 0, quote) + 1
    # A single quote inside a cell has no partner, so the line end does end the row.
    return inside if inside and block[:inside].count(b'"') % 2 == 0 else end


class _UnpairedError(Exception):
    """The quotes of a block do not pair up."""


class _BlockReader:
    """Converts the blocks of one log to chunks.

    Args:
        name, layout: name and layout of the log.
        numeric: indices of the columns that should hold numbers.
    """

    def __init__(self, name: str, layout: Layout, numeric: frozenset[int]) -> None:
        self.name, self.numeric = name, numeric
        self.headings = layout.found.headings
        # Headings after this number are blank; they exist for delimiters at the end of most rows.
        self.width = len(layout.found.repeats[0])
        self.aligned = layout.delimiter == ALIGNED
        self.delimiter = "\t" if self.aligned else layout.delimiter
        self.mark = "," if layout.decimal == "comma" else "."

    def read(self, block: bytes, first: int) -> Chunk:
        """The chunk for a block whose first line has the number ``first``.

        Where quotes do not pair up, quotes are read as ordinary characters. A row that needed its
        quotes is then ragged and rejected, but no other row disappears inside a cell.
        """
        block, torn = _without_torn(block, first) if b"\0" in block else (block, [])
        if self.aligned:
            block = aligned_as_tabs(block)
        for quoted in (True, False):
            try:
                filled = bool(block.strip())
                chunk = self._chunk(block, first, quoted) if filled else self._empty_chunk()
                return self._with_torn_rows(chunk, torn, quoted) if torn else chunk
            except (pa.ArrowInvalid, csv.Error, _UnpairedError) as error:
                problem = str(error)
        raise InputError(f"{self.name} cannot be read from line {first} on: {problem}.")

    def _chunk(self, block: bytes, first: int, quoted: bool) -> Chunk:
        bad: list[tuple[int, str]] = []
        table = None
        if self.numeric and quoted:
            try:
                table = self._table(block, self.numeric, bad, quoted)
            except pa.ArrowInvalid:
                # A cell is not a number, and later blocks are likely to have such cells too.
                self.numeric = frozenset()
                bad.clear()
        if table is None:
            table = self._table(block, frozenset(), bad, quoted)
        typed = any(pa.types.is_floating(c.type) for c in table.columns)
        lines = self._line_numbers(block, first, len(table) + len(bad), quoted)
        read_text = partial(self._table, block, frozenset(), [], quoted) if typed else None
        chunk = Chunk(table, lines, read_text or (lambda: table))
        if bad:
            chunk = self._with_odd_rows(chunk, bad, quoted)
        if len(self.headings) > self.width:
            chunk = self._without_moved_rows(chunk)
        filled = _not_blank(chunk.table)
        return chunk if filled is None else chunk.keep(filled)

    def _table(
        self, block: bytes, numeric: frozenset[int], bad: list[tuple[int, str]], quoted: bool
    ) -> pa.Table:
        """The block as a table with numbers in numeric columns; rows of another width go to
        ``bad``.

        Raises:
            pyarrow.ArrowInvalid: when a cell is not a number.
        """

        def skip(row: pa_csv.InvalidRow) -> str:
            bad.append((row.number, row.text))
            return "skip"

        names = [str(k) for k in range(len(self.headings))]
        types = {n: pa.float64() if int(n) in numeric else pa.string() for n in names}
        table = pa_csv.read_csv(
            pa.BufferReader(block),
            read_options=pa_csv.ReadOptions(
                # Each block is parsed in one thread: blocks are read in parallel, and pyarrow
                # numbers rows only in one thread.
                column_names=names,
                use_threads=False,
                block_size=len(block) + 1,
            ),
            parse_options=pa_csv.ParseOptions(
                delimiter=self.delimiter,
                quote_char='"' if quoted else False,
                newlines_in_values=quoted,
                invalid_row_handler=skip,
            ),
            convert_options=pa_csv.ConvertOptions(
                column_types=types,
                check_utf8=False,  # the block was checked before
                strings_can_be_null=True,
                null_values=[""],
                decimal_point=self.mark,
            ),
        )
        return meant_text(table) if b"'" in block else table

    # -- rows of another width ---------------------------------------------------------------

    def _with_odd_rows(self, chunk: Chunk, bad: list[tuple[int, str]], quoted: bool) -> Chunk:
        """The chunk including rows whose width differs only by blank cells at the end."""
        at = np.array([number for number, _ in bad], dtype=np.int64) - 1
        odd = [
            (int(chunk.rows[k]), self._cells(text, quoted))
            for k, (_, text) in zip(at, bad, strict=True)
        ]
        lines = np.delete(chunk.rows, at)
        mended = [(line, cells) for line, cells in odd if self._only_blanks(cells)]
        ragged = [
            (line, cells)
            for line, cells in odd
            if any(cell.strip() for cell in cells) and not self._only_blanks(cells)
        ]
        width = len(self.headings)
        if ragged:
            chunk.ragged = Ragged.of([n for n, _ in ragged], [c for _, c in ragged], width)
        chunk.rows = lines
        if not mended:
            return chunk
        more = Ragged.of([n for n, _ in mended], [c for _, c in mended], width)
        text, rows = chunk.read_text(), np.concatenate([lines, more.rows])
        order = np.argsort(rows, kind="stable")
        table = pa.concat_tables([text, more.table]).take(pa.array(order)).combine_chunks()
        return Chunk(table, rows[order], lambda: table, chunk.ragged)

    def _empty_chunk(self) -> Chunk:
        table = Ragged.of([], [], len(self.headings)).table
        return Chunk(table, np.zeros(0, np.int64), lambda: table)

    def _with_torn_rows(self, chunk: Chunk, torn: list[tuple[int, str]], quoted: bool) -> Chunk:
        """The chunk whose ragged rows include the rows with zero bytes."""
        odd = [(row.row, row.cells) for row in chunk.ragged]
        odd += [(line, self._cells(text, quoted)) for line, text in torn]
        odd.sort()
        ragged = Ragged.of([n for n, _ in odd], [c for _, c in odd], len(self.headings))
        return replace(chunk, ragged=ragged)

    def _without_moved_rows(self, chunk: Chunk) -> Chunk:
        """The chunk without rows that have a cell in a column that exists only for a closing
        delimiter."""
        beyond = chunk.table.columns[self.width :]
        moved = np.logical_or.reduce([np.asarray(column.is_valid()) for column in beyond])
        if not moved.any():
            return chunk
        columns = chunk.text.filter(pa.array(moved)).columns
        cells = [
            [c or "" for c in row] for row in zip(*(c.to_pylist() for c in columns), strict=True)
        ]
        odd = [(row.row, row.cells) for row in chunk.ragged]
        odd += zip(chunk.rows[moved].tolist(), cells, strict=True)
        ragged = Ragged.of([n for n, _ in odd], [c for _, c in odd], len(self.headings))
        return replace(chunk.keep(~moved), ragged=ragged)

    def _cells(self, text: str, quoted: bool) -> list[str]:
        if quoted:
            reader = csv.reader(io.StringIO(text, newline=""), delimiter=self.delimiter)
            return [as_meant(cell) for cell in next(reader, [])]
        return [as_meant(cell) for cell in text.split(self.delimiter)]

    def _only_blanks(self, cells: list[str]) -> bool:
        """Whether the cells that a row lacks, or has beyond the headings, are blank.

        Cells beyond the headings do not count as blank in a comma-separated log, where a decimal
        comma shifts blank cells to the end.
        """
        n = len(self.headings)
        if len(cells) > n and self.delimiter == ",":
            return False
        differing = cells[n:] if len(cells) > n else self.headings[len(cells) :]
        return len(cells) > 1 and not any(cell.strip() for cell in differing)

    # -- line numbers ------------------------------------------------------------------------

    def _line_numbers(self, block: bytes, first: int, n: int, quoted: bool) -> NDArray[np.int64]:
        """Line numbers of the n rows of a block, shape (n,); blank lines are counted but are not
        rows."""
        lines = block.count(b"\n") + (not block.endswith(b"\n"))
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
        return self._numbers_of_long_rows(block, first, n, quoted)

    def _numbers_of_long_rows(
        self, block: bytes, first: int, n: int, quoted: bool
    ) -> NDArray[np.int64]:
        """Line numbers where cells contain line ends, from the csv module, which knows where rows
        begin.

        Raises:
            _UnpairedError: when a cell holds whole rows, because its quote is a stray one.
        """
        text = io.StringIO(block.decode(), newline="")
        reader = csv.reader(
            text, delimiter=self.delimiter, quoting=csv.QUOTE_MINIMAL if quoted else csv.QUOTE_NONE
        )
        starts, line, most = [], 0, len(self.headings) - 1
        for row in reader:
            if row:
                starts.append(first + line)
            if reader.line_num > line + 1 and any(
                part.count(self.delimiter) >= most > 0 for cell in row for part in cell.split("\n")
            ):
                raise _UnpairedError(f"quotes do not pair up near line {first + line}")
            line = reader.line_num
        if len(starts) != n:
            raise _UnpairedError("quotes do not pair up")
        return np.array(starts, dtype=np.int64)


def _without_torn(block: bytes, first: int) -> tuple[bytes, list[tuple[int, str]]]:
    """A block in which lines with zero bytes are made blank, and these lines with their numbers."""
    lines, torn = block.split(b"\n"), []
    for k, line in enumerate(lines):
        if b"\0" in line:
            torn.append((first + k, line.decode().strip("\r").replace("\0", ZERO)))
            lines[k] = b""
    return b"\n".join(lines), torn


def _not_blank(table: pa.Table) -> NDArray[np.bool_] | None:
    """Which rows have a filled cell, or None when all have; spreadsheets write ``;;;;`` for empty
    rows."""
    if any(column.null_count == 0 for column in table.columns):
        return None
    empty = np.ones(len(table), bool)
    for column in table.columns:
        empty &= np.asarray(column.is_null())
    return ~empty if empty.any() else None
