"""Limits on the unpacked size of packed files and workbooks.

A few bytes of gzip or zip can unpack to gigabytes. An archive states the sizes of its files, and a
packed file states its own size. The stated sizes are checked first, and a wrong statement is found
during unpacking. A log in plain text has no such limit, because its size is known.
"""

from __future__ import annotations

import gzip
import re
import zipfile
from collections.abc import Iterable, Iterator
from typing import IO, cast

from optimizer.errors import InputError
from optimizer.intake.reading.source import DAMAGE

MOST_TEXT = 1 << 30
"""Largest number of bytes of an unpacked text log."""
MOST_TOGETHER = 4 << 30
"""Largest number of bytes of all unpacked logs of an archive."""
MOST_HELD = 1 << 29
"""Largest number of bytes of a Parquet file or workbook inside an archive, which is held in
memory."""
MOST_BOOK = 1 << 28
"""Largest number of bytes of an unpacked workbook."""
MOST_STRETCH, MOST_TAGS = 8 << 20, 200_000
"""Largest numbers of bytes and of markup tags in a part that the workbook reader holds at a time: a
row, a text or the formats.

A row has up to 16,384 cells with about six tags each."""
MOST_CELLS = 50_000_000
"""Largest number of cells of a sheet, including empty cells before a filled one."""

_AT_ONCE = 1 << 20
_END = re.compile(rb"</(?:[\w.-]{1,40}:)?(?:row|si)\s*>")
_LONGEST_END = 64
# Parts of a workbook that are read; other parts are, for example, pictures and pivot tables.
_PARTS = re.compile(r"(xl/worksheets/.*|(xl/|docProps/)?[^/]*|(.*/)?_rels/[^/]*)\.(xml|rels)", re.I)


class Capped:
    """A stream of unpacked bytes that raises an error when there are too many.

    Args:
        stream: the stream of unpacked bytes.
        name: name of the log.
        most: largest number of bytes.
    """

    def __init__(self, stream: IO[bytes], name: str, most: int | None = None) -> None:
        self._stream, self._name = stream, name
        self._most = self._left = MOST_TEXT if most is None else most

    def read(self, size: int) -> bytes:
        """Read up to a number of bytes.

        Raises:
            InputError: when the stream holds more than ``most`` bytes.
        """
        found = self._stream.read(size)
        self._left -= len(found)
        if self._left < 0:
            raise too_large(self._name, self._most)
        return found

    def seek(self, place: int) -> int:
        """Return to the beginning, the only position that is ever needed."""
        self._left = self._most
        return self._stream.seek(place)


def too_large(name: str, most: int) -> InputError:
    """The error for a file whose unpacked size is too large."""
    return InputError(
        f"{name} unpacks to more than {most >> 20:,} MiB.",
        code="too-large",
        hint="Unpack it, and load what is in it.",
    )


def check_gzip(stream: IO[bytes], name: str) -> None:
    """Refuse a packed file whose stated size exceeds the limit and is true.

    The last four bytes state the size modulo 4 GiB (RFC 1952, section 2.3.1). In a truncated file
    they are arbitrary, so a stated size above the limit is verified by unpacking.

    Raises:
        InputError: when it is too large.
    """
    try:
        stream.seek(-4, 2)
        stated = int.from_bytes(stream.read(4), "little")
        stream.seek(0)
        text = Capped(cast(IO[bytes], gzip.GzipFile(fileobj=stream)), name)
        while stated > MOST_TEXT and text.read(_AT_ONCE):
            pass
    except DAMAGE:
        pass  # what is wrong with it is reported when it is read
    stream.seek(0)


def check_workbook(archive: zipfile.ZipFile, name: str) -> None:
    """Refuse a workbook that its reader could not hold in memory.

    Raises:
        InputError: when it is too large.
    """
    parts = [info for info in archive.infolist() if _PARTS.fullmatch(info.filename)]
    if sum(info.file_size for info in parts) > MOST_BOOK:
        raise _too_large_a_book(f"{name} unpacks to more than {MOST_BOOK >> 20:,} MiB")
    for info in parts:
        try:
            for size, tags in _stretches(archive, info):
                if size > MOST_STRETCH or tags > MOST_TAGS:
                    raise _too_large_a_book(f"{name} has a row, or formats, without end")
        except DAMAGE:
            continue  # what is wrong with it is reported when it is read


def _stretches(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> Iterator[tuple[int, int]]:
    """Growing counts of bytes and tags of a part, up to each end of a row or of a text."""
    size = tags = 0
    left = b""
    with archive.open(info) as stream:
        while fresh := stream.read(_AT_ONCE):
            *whole, last = _END.split(left + fresh)
            for part in whole:
                yield size + len(part), tags + part.count(b"<")
                size = tags = 0
            left = last[-_LONGEST_END:]
            begun = last[: len(last) - len(left)]
            size, tags = size + len(begun), tags + begun.count(b"<")
            yield size, tags


def _too_large_a_book(said: str) -> InputError:
    return InputError(f"{said}.", code="too-large", hint="Save the log as CSV.")


def counted(rows: Iterable[list[str]], name: str) -> Iterator[list[str]]:
    """The rows of a sheet, with a limit on the number of cells.

    Raises:
        InputError: when the rows have too many cells in total.
    """
    left = MOST_CELLS
    for row in rows:
        left -= len(row) + 1
        if left < 0:
            raise _too_large_a_book(f"{name} has more than {MOST_CELLS:,} cells")
        yield row
