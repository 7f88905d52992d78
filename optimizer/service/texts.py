"""Text from outside: what is none, and how text is shown that could do harm where it is read.

A control character can move a terminal's cursor, and neither an HTML page nor an address can carry
it; a mark of writing direction can make a name look like another one. Both are shown as escapes,
such as ``\\x1b``; the text itself stays as it is in the history.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

_NO_CHARACTERS = "".join(chr(plane + k) for plane in range(0, 0x110000, 0x10000)
                         for k in (0xFFFE, 0xFFFF))  # fmt: skip
_UNCARRIED = rf"\x00-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef{_NO_CHARACTERS}"
# Unicode's bidirectional marks (Standard Annex #9), and the separators of lines and paragraphs.
_DIRECTIONS = r"\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069"
_NOT_IN_PAGES = re.compile(f"[{_UNCARRIED}]")
_NOT_AS_IT_IS = re.compile(f"[{_UNCARRIED}{_DIRECTIONS}]")
_NOT_IN_JSON = re.compile(r"[\x7f-\x9f\ud800-\udfff\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069]")


def carried(text: str) -> bool:
    """Whether a page and an address can carry a text as it is.

    >>> carried("déck 1"), carried("deck\\n1"), carried("\\ud800")
    (True, False, False)
    """
    return _NOT_IN_PAGES.search(text) is None


def shown(text: str) -> str:
    """A text with what cannot be seen written as an escape.

    >>> shown("deck\\x1b[31m")
    'deck\\\\x1b[31m'
    """
    return _NOT_AS_IT_IS.sub(lambda found: ascii(found[0])[1:-1], text)


def as_json(document: Mapping[str, Any]) -> bytes:
    """A document as it is sent: characters as they are, but those that act on a terminal escaped.

    Raises:
        ValueError: where it holds a number that JSON has not; that is a fault of the program.
    """
    text = json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)
    return _NOT_IN_JSON.sub(lambda found: f"\\u{ord(found[0]):04x}", text).encode() + b"\n"
