"""Names that people type, in one spelling: what looks the same is the same name.

An accented letter can be stored as one character or as two, which look alike and are different
text. A mark of writing direction or a control character makes a name look different from what it
is. So a name is put into Unicode's composed form (NFC, Unicode Standard Annex #15), and one with
such characters is refused.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from itertools import groupby
from typing import Any

from optimizer.errors import InputError
from optimizer.text.visible_text import is_printable, printable

MOST_MARKS = 30
"""Largest number of marks on one letter of a text that is put into composed form, that of Unicode's
stream-safe text (Annex #15, section 13): putting them in order takes the square of their number, a
second for a text of 64 KiB."""
SHOWN = 40
"""Number of characters of a refused name that a message shows."""


def composed(value: Any) -> Any:
    """A value in whose texts, also those of names in it, letters with accents are one character.

    A text with more than ``MOST_MARKS`` marks on one letter, which no language has, is left as it
    is.

    >>> composed({"e\u0301": ["o\u0308", 1]}) == {"\u00e9": ["\u00f6", 1]}
    True
    """
    if isinstance(value, str):
        as_it_is = value.isascii() or _has_many_marks(value)
        return value if as_it_is else unicodedata.normalize("NFC", value)
    if isinstance(value, Mapping):
        return {composed(name): composed(each) for name, each in value.items()}
    return list(map(composed, value)) if isinstance(value, list) else value


def _has_many_marks(text: str) -> bool:
    if len(text) <= MOST_MARKS:
        return False
    marks = groupby(map(unicodedata.combining, text), bool)
    return any(is_mark and sum(1 for _ in run) > MOST_MARKS for is_mark, run in marks)


def normal_name(text: str, what: str, longest: int) -> str:
    """A name in its one spelling, without spaces at its ends.

    Args:
        text: the name as it was typed.
        what: what it names, such as "the name of a token", for messages.
        longest: largest number of characters.

    Raises:
        InputError: when the name is empty or too long, or holds a control character or a mark of
            writing direction.

    >>> normal_name(" Jose\\u0301 ", "a name", 60) == "Jos\\u00e9"
    True
    """
    found: str = composed(text).strip()
    if not is_printable(found):
        raise InputError(
            f"{what}, '{printable(found[:SHOWN])}', holds a control character or a mark of "
            "writing direction.",
            code="not-a-name",
            hint="Type it again; copied text can hold invisible characters.",
        )
    if not 0 < len(found) <= longest:
        raise InputError(f"{what} has {len(found)} characters: expected 1 to {longest}.",
                         code="not-a-name")  # fmt: skip
    return found
