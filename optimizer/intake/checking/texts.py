"""Texts of a column as the history stores them."""

import pyarrow as pa
import pyarrow.compute as pc

from optimizer.text.names import composed


def in_one_spelling(text: pa.Array) -> pa.Array:
    """Texts in which letters with accents are one character, as ``names.composed`` writes them."""
    if pc.all(pc.string_is_ascii(text)).as_py() is not False:
        return text
    # Arrow's own normalization took letters apart in versions 18 to 24.
    distinct = text.dictionary_encode()
    words = pa.array(composed(distinct.dictionary.to_pylist()), text.type)
    return words.take(distinct.indices)


def blank_as_null(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Trimmed texts, null where a cell is blank."""
    trimmed = pc.utf8_trim_whitespace(column)
    return pc.if_else(pc.equal(trimmed, ""), pa.scalar(None, pa.string()), trimmed)
