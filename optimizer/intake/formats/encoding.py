"""Converts text of any usual encoding and line end to UTF-8 with line feeds, block by block."""

from __future__ import annotations

import codecs
import re
from collections.abc import Callable
from typing import Any

from optimizer.errors import InputError

SAMPLE_BYTES = 1 << 16
# Control characters that no text log has. Zero bytes are not among them, because a logger that lost
# power leaves them.
_BINARY = frozenset(range(1, 9)) | frozenset(range(14, 27)) | frozenset(range(28, 32))
# Longer byte order marks come first, since the mark of UTF-32 begins with that of UTF-16.
_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32"),
    (codecs.BOM_UTF32_BE, "utf-32"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)
_ZEROS = re.compile(rb"\0+")
_UTF8_PAIR = re.compile(rb"[\xc3-\xf4][\x80-\xbf]")


def decoded(stream: Any, name: str) -> Pieces:
    """The stream as UTF-8, or Windows-1252 for older logs, without a byte order mark.

    A sequence of zero bytes is shortened to one zero byte.

    Raises:
        InputError: when the stream is empty or is not text.
    """
    start = stream.read(SAMPLE_BYTES)
    stream.seek(0)
    if not start.strip(b"\0 \t\r\n"):
        raise InputError(f"{name} is empty.", hint="Expected headings and at least one row.")
    encoding = next(
        (e for mark, e in _MARKS if start.startswith(mark)), _without_mark(start.rstrip(b"\0"))
    )
    pieces = Pieces(stream.read)
    if encoding:
        pieces = Pieces(_Transcoded(stream.read, encoding))
        start = start.replace(b"\0", b"")
    elif start.startswith(codecs.BOM_UTF8):
        stream.read(len(codecs.BOM_UTF8))
    elif _BINARY & set(start) or not _begins_with_a_line(start):
        raise InputError(
            f"{name} is neither text nor Parquet, nor a workbook or an archive.",
            hint="Save the log as CSV.",
        )
    if b"\r" in start and b"\n" not in start:
        lines = pieces
        pieces = Pieces(lambda n: lines.read(n).replace(b"\r", b"\n"))
    whole = pieces
    return Pieces(lambda n: _one_zero(whole.read(n)))


def _begins_with_a_line(start: bytes) -> bool:
    """Whether all zero bytes, if there are any, come after the headings."""
    before, zero, _ = start.partition(b"\0")
    return not zero or b"\n" in before or b"\r" in before


def _one_zero(piece: bytes) -> bytes:
    return _ZEROS.sub(b"\0", piece) if b"\0" in piece else piece


def _without_mark(start: bytes) -> str:
    """The UTF-16 encoding by its zero bytes: in Latin text every other byte is zero."""
    half = len(start) // 2
    low, high = start[0::2].count(0), start[1::2].count(0)
    if high > 0.3 * half and low < 0.05 * half:
        return "utf-16-le"
    return "utf-16-be" if low > 0.3 * half and high < 0.05 * half else ""


class Pieces:
    """A stream of full-length reads over a function that may return fewer bytes; no bytes mean the
    end.

    The wrappers of the standard library are not used, because they close the underlying stream when
    they are deleted.
    """

    def __init__(self, read: Callable[[int], bytes]) -> None:
        self._read = read
        self._left = b""

    def read(self, n: int) -> bytes:
        """The next ``n`` bytes, or fewer at the end of the stream."""
        pieces, length = [self._left] if self._left else [], len(self._left)
        while length < n and (piece := self._read(n - length)):
            pieces.append(piece)
            length += len(piece)
        whole = pieces[0] if len(pieces) == 1 else b"".join(pieces)
        self._left = whole[n:]
        return whole[:n]  # no copy when this is the whole buffer


class _Transcoded:
    """Converts the bytes of a stream in another encoding to UTF-8."""

    def __init__(self, read: Callable[[int], bytes], encoding: str) -> None:
        self._read = read
        self._decoder = codecs.getincrementaldecoder(encoding)()

    def __call__(self, n: int) -> bytes:
        while True:
            raw = self._read(n)
            text: str = self._decoder.decode(raw, final=not raw)
            if text or not raw:
                return text.encode()


def utf8(block: bytes) -> bytes:
    """The block in UTF-8; lines that are not UTF-8 are read as Windows-1252, used by older logs.

    The decision is made line by line, so that one bad byte in a UTF-8 log does not change the names
    of its production lines.
    """
    if block.isascii():
        return block
    try:
        block.decode()
    except UnicodeDecodeError:
        lines = block.splitlines(keepends=True) if _UTF8_PAIR.search(block) else [block]
        return b"".join(_line_as_utf8(line) for line in lines)
    return block


def _line_as_utf8(line: bytes) -> bytes:
    try:
        line.decode()
    except UnicodeDecodeError:
        return line.decode("cp1252", errors="replace").encode()
    return line
