"""Limits on what packed files and workbooks unpack to.

A few bytes of gzip or zip can hold gigabytes. An archive states the sizes of its files and a packed
file its own; those are looked at first, and what is not as stated is found as it is unpacked. A log
in plain text has no such limit: it is as large as it looks.
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
"""Bytes of a text log once it is unpacked."""
MOST_TOGETHER = 4 << 30
"""Bytes of all logs of an archive once they are unpacked."""
MOST_HELD = 1 << 29
"""Bytes of a Parquet file or a workbook inside an archive, which are held in memory whole."""
MOST_BOOK = 1 << 28
"""Bytes of a workbook once it is unpacked."""
MOST_STRETCH, MOST_TAGS = 8 << 20, 200_000
"""Bytes and marks of what the reader of workbooks holds at a time: a row, a text, the formats.

A row has up to 16,384 cells with some six marks each."""
MOST_CELLS = 50_000_000
"""Cells of a sheet, including empty ones that come before a filled one."""

_AT_ONCE = 1 << 20
_END = re.compile(rb"</(?:[\w.-]{1,40}:)?(?:row|si)\s*>")
_LONGEST_END = 64
# Parts of a workbook that are read; the others are pictures, pivot tables and the like.
_PARTS = re.compile(r"(xl/worksheets/.*|(xl/|docProps/)?[^/]*|(.*/)?_rels/[^/]*)\.(xml|rels)", re.I)


class Capped:
    """A stream of unpacked bytes that ends with an error where there are too many.

    Args:
        stream: gives them.
        name: of the log.
        most: how many there may be.
    """

    def __init__(self, stream: IO[bytes], name: str, most: int | None = None) -> None:
        self._stream, self._name = stream, name
        self._most = self._left = MOST_TEXT if most is None else most

    def read(self, size: int) -> bytes:
        """Up to so many bytes.

        Raises:
            InputError: when there are too many.
        """
        found = self._stream.read(size)
        self._left -= len(found)
        if self._left < 0:
            raise too_large(self._name, self._most)
        return found

    def seek(self, place: int) -> int:
        """Goes back to the beginning, the only place that is ever needed."""
        self._left = self._most
        return self._stream.seek(place)


def too_large(name: str, most: int) -> InputError:
    """The error for a file that unpacks to too much."""
    return InputError(
        f"{name} unpacks to more than {most >> 20:,} MiB.",
        code="too-large",
        hint="Unpack it, and load what is in it.",
    )


def check_gzip(stream: IO[bytes], name: str) -> None:
    """Refuses a packed file that states a size above the limit and has it.

    The size, to 4 GiB, is at its end (RFC 1952, section 2.3.1); where a file was cut short there is
    anything, so what it states is counted before it is believed.

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
    """Refuses a workbook that its reader could not hold in memory.

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
    """Bytes and marks of a part, up to each end of a row or of a text, as they grow."""
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
    """Rows of a sheet.

    Raises:
        InputError: when they have too many cells together.
    """
    left = MOST_CELLS
    for row in rows:
        left -= len(row) + 1
        if left < 0:
            raise _too_large_a_book(f"{name} has more than {MOST_CELLS:,} cells")
        yield row
