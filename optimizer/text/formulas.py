"""Makes text that a spreadsheet would run as a formula harmless in CSV, and restores it on reading.

A text that begins with ``=``, ``+``, ``-``, ``@``, their full-width forms, a tab, a carriage return
or a line feed gets an apostrophe in front. A text that begins with an apostrophe gets one too, so
that removing one apostrophe always restores the text. A number needs no apostrophe. All CSV that is
written uses ``harmless``, and the reader of text and workbook logs uses ``as_meant``; typed tables
(Parquet, JSON) hold no formulas.
"""

from __future__ import annotations

import re
from typing import Any

_SIGNS = r"[=+\-@＝＋－＠\t\r\n']"
# Arrow uses these patterns too; its regular expressions and those of Python agree on them.
DANGEROUS = rf"^{_SIGNS}"
ESCAPED = rf"^'({_SIGNS})"
NUMBER = r"^[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][+-]?[0-9]+)? *%?$"


def harmless(cell: Any) -> Any:
    """A cell that no spreadsheet runs; a value that is not text is returned unchanged.

    >>> harmless("=1+1"), harmless("-1.5"), harmless("'=x"), harmless("'tis"), harmless(-2.0)
    ("'=1+1", '-1.5', "''=x", "''tis", -2.0)
    """
    if not isinstance(cell, str) or not re.match(DANGEROUS, cell):
        return cell
    return cell if re.match(NUMBER, cell) and not cell.endswith("\n") else f"'{cell}"


def as_meant(cell: str) -> str:
    """A cell as it was before it was made harmless.

    >>> as_meant("'=1+1"), as_meant("''=x"), as_meant("''tis"), as_meant("'tis")
    ('=1+1', "'=x", "'tis", "'tis")
    """
    return cell[1:] if re.match(ESCAPED, cell) else cell
