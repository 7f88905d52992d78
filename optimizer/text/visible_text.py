"""Text from other people's files and forms, written so that it does no harm where it is read.

Control characters are commands to a terminal, and neither a page nor an address can contain them;
marks of writing direction make a text look different from what it contains. Such characters are
written out (``\\x1b``) wherever text is printed, shown on a page or sent as JSON. Stored text keeps
them.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping
from functools import partial
from typing import Any

_CONTROLS = r"\x00-\x1f\x7f-\x9f"
_HALF_PAIRS = r"\ud800-\udfff"
# The last two code points of every plane, and a range set aside, are no characters (Unicode
# Standard, section 23.7, from memory).
_NO_CHARACTERS = r"\ufdd0-\ufdef" + "".join(
    chr(plane + k) for plane in range(0, 0x110000, 0x10000) for k in (0xFFFE, 0xFFFF)
)
# Unicode's bidirectional marks (Standard Annex #9), and the separators of lines and paragraphs.
_DIRECTIONS = r"\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069"
_INVISIBLE = r"\ufeff\ufff9-\ufffb\U000e0000-\U000e007f"
_NOT_IN_PAGES = f"{_CONTROLS}{_HALF_PAIRS}{_NO_CHARACTERS}"
_UNPRINTABLE = f"{_NOT_IN_PAGES}{_DIRECTIONS}{_INVISIBLE}"

_ANY = re.compile(f"[{_UNPRINTABLE}]")
_ANY_BUT_LINE_ENDS = re.compile(f"(?!\n)[{_UNPRINTABLE}]")
_HALF_PAIR = re.compile(f"[{_HALF_PAIRS}]")
_UNFIT = re.compile(f"[{_NOT_IN_PAGES}]")


def printable(text: str) -> str:
    """Text with its unprintable characters written out.

    >>> printable("deck\\x1b[2J 1")
    'deck\\\\x1b[2J 1'
    """
    return _ANY.sub(_written_out, text)


def printable_lines(text: str) -> str:
    """Text of several lines with its unprintable characters written out, line ends kept."""
    return _ANY_BUT_LINE_ENDS.sub(_written_out, text)


def is_printable(text: str) -> bool:
    """Whether a text holds no character that ``printable`` writes out.

    >>> is_printable("déck 1"), is_printable("deck\\u202e1"), is_printable("deck\\t1")
    (True, False, False)
    """
    return _ANY.search(text) is None


def fits_in_a_page(text: str) -> bool:
    """Whether a page and an address can contain a text unchanged.

    >>> fits_in_a_page("déck 1"), fits_in_a_page("deck\\n1"), fits_in_a_page("\\ud800")
    (True, False, False)
    """
    return _UNFIT.search(text) is None


def json_text(document: Mapping[str, Any]) -> str:
    """A document as JSON that every reader takes: unprintable characters are escaped as JSON does
    it.

    JSON has no number that is not finite (RFC 8259, section 6): it becomes null. Half a surrogate
    pair is no character, and some readers refuse it (section 8.2): it is written out as text.

    Args:
        document: document of plain values (dict, list, text, number, None).

    >>> json_text({"a": float("nan"), "b": "\\udc80"}).split()
    ['{', '"a":', 'null,', '"b":', '"\\\\\\\\udc80"', '}']
    """
    try:
        return _checked(document)
    except ValueError:  # a number that is not finite
        return _checked(plain_values(document))


def json_line(document: Mapping[str, Any]) -> str:
    """A document as one line of JSON, for a log; a value of another kind is written as its text."""
    return json.dumps(plain_values(document), default=str)


def json_bytes(document: Mapping[str, Any]) -> bytes:
    """A document as the bytes of JSON that the service sends and stores.

    Raises:
        ValueError: when the document holds a number that is not finite, which is a fault of the
            program.
    """
    return _checked(document).encode() + b"\n"


def json_pieces(
    before: Mapping[str, Any], name: str, rows: Iterable[Mapping[str, Any]]
) -> Iterator[bytes]:
    """The beginning of a document as JSON whose last value is a long list, in pieces; ``json_end``
    ends it. Each element of the list is a line.

    Args:
        before: the document without the list.
        name: key of the list.
        rows: its elements, each taken when the pieces before are.

    >>> b"".join([*json_pieces({"a": 1}, "b", [{"c": 2}, {}]), json_end({"d": []})]).split()
    [b'{', b'"a":', b'1,', b'"b":', b'[', b'{"c":2},', b'{}', b'],', b'"d":', b'[]', b'}']
    """
    yield _checked({**before, name: []}).removesuffix("]\n}").encode()
    between = "\n"
    for row in rows:
        yield f"{between}{_checked(row, indent=None)}".encode()
        between = ",\n"
    yield b"\n ]"


def json_end(after: Mapping[str, Any]) -> bytes:
    """The end of a document that ``json_pieces`` began.

    Args:
        after: the values after the list, at least one.
    """
    return b"," + _checked(after).removeprefix("{").encode() + b"\n"


def plain_values(value: Any) -> Any:
    """A value as JSON can hold it: null for a number that is not finite, and whole characters."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, Mapping):
        return {_texts(name): plain_values(each) for name, each in value.items()}
    if isinstance(value, list | tuple):
        return [plain_values(each) for each in value]
    return _texts(value)


def _texts(value: Any) -> Any:
    """A value in whose texts half surrogate pairs are written out."""
    if isinstance(value, str):
        return _HALF_PAIR.sub(_written_out, value)
    if isinstance(value, Mapping):
        return {_texts(name): _texts(each) for name, each in value.items()}
    return [_texts(each) for each in value] if isinstance(value, list | tuple) else value


def _checked(document: Mapping[str, Any], indent: int | None = 1) -> str:
    """A document as JSON; a ValueError when a number is not finite. Without indentation it is made
    ten times as fast, in one line."""
    between = (",", ": ") if indent else (",", ":")
    dump = partial(json.dumps, indent=indent, separators=between, ensure_ascii=False)
    text = dump(document, allow_nan=False)
    if _HALF_PAIR.search(text):
        text = dump(_texts(document))
    return _ANY_BUT_LINE_ENDS.sub(lambda found: json.dumps(found[0])[1:-1], text)


def _written_out(found: re.Match[str]) -> str:
    return found[0].encode("unicode_escape").decode()
