"""Limits on the length of texts, and the cutting of longer texts.

A longer text is cut while its log is read, before it is copied, and a note of its length is
appended. The text with the note still exceeds the limit, so the row is rejected until a person
shortens the text.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask
from optimizer.intake.reading.source import Chunk

if TYPE_CHECKING:
    from numpy.typing import NDArray

Texts = TypeVar("Texts", pa.Array, pa.ChunkedArray)

LONGEST_TEXT = 2000
"""Largest number of characters of a run id, a material or a note."""
LONGEST_QUOTED = 100
"""Largest number of characters of a cell that is shown with and in a reason."""
LONGEST_HEADING = 500
"""Largest number of characters of a heading; each rejected row is stored with all headings."""
MARK = 30
"""Largest number of characters of the note in place of the rest of a text; a cut text is not cut
again."""
MOST_BYTES = 4 * LONGEST_TEXT + MARK
"""Largest number of bytes of a cut text."""

TOO_LONG = f"is longer than {LONGEST_TEXT:,} characters: shorten it"


def too_long(text: pa.Array) -> NDArray[np.bool_]:
    """Which texts exceed the largest length, shape (n,)."""
    if _longest(text) <= LONGEST_TEXT:
        return np.zeros(len(text), bool)
    return as_mask(pc.greater(pc.utf8_length(text), LONGEST_TEXT))


def cut(column: Texts) -> Texts:
    """A column with its long texts cut; a column of another type is returned unchanged.

    >>> cut(pa.array(["x" * 5000]))[0].as_py()[-22:]
    'xxx… (5000 characters)'
    """
    if not _is_text(column.type) or _longest(column) <= LONGEST_TEXT + MARK:
        return column
    trimmed = pc.utf8_trim_whitespace(column)
    length = pc.utf8_length(trimmed)
    start = pc.utf8_slice_codeunits(trimmed, 0, LONGEST_TEXT)
    note = pc.binary_join_element_wise("… (", length.cast(column.type), " characters)", "")
    whole = pc.binary_join_element_wise(start, note, "")
    return pc.if_else(pc.greater(length, LONGEST_TEXT + MARK), whole, trimmed)


def quoted(text: pa.Array) -> pa.Array:
    """Texts in the form that is shown with a reason, shape (n,)."""
    if _longest(text) <= LONGEST_QUOTED:
        return text
    start = pc.binary_join_element_wise(pc.utf8_slice_codeunits(text, 0, LONGEST_QUOTED), "…", "")
    return pc.if_else(pc.greater(pc.utf8_length(text), LONGEST_QUOTED), start, text)


def with_texts_cut(chunk: Chunk) -> Chunk:
    """A chunk of a log with its long texts cut, including those of its ragged rows."""
    ragged, read_text = chunk.ragged, chunk.read_text
    if len(ragged):
        ragged = replace(ragged, table=_cut_table(ragged.table), beyond=cut(ragged.beyond))
    table = _cut_table(chunk.table)
    return replace(
        chunk,
        table=table,
        ragged=ragged,
        read_text=lambda: table if (text := read_text()) is chunk.table else _cut_table(text),
    )


def _cut_table(table: pa.Table) -> pa.Table:
    before = table.columns
    columns = [cut(column) for column in before]
    same = all(a is b for a, b in zip(columns, before, strict=True))
    return table if same else pa.table(columns, names=table.column_names)


def _is_text(kind: pa.DataType) -> bool:
    return bool(pa.types.is_string(kind) or pa.types.is_large_string(kind))


def _longest(text: pa.Array | pa.ChunkedArray) -> int:
    """Number of bytes of the longest text, an upper bound of its number of characters."""
    return pc.max(pc.binary_length(text)).as_py() or 0
