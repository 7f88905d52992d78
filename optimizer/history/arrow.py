"""Small operations on Arrow columns that reading, checking and the history share."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.text.formulas import DANGEROUS, ESCAPED, NUMBER

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]


def as_mask(condition: pa.ChunkedArray | pa.Array) -> Mask:
    """Turns an Arrow condition into a numpy mask, shape (n,); a null becomes False."""
    filled = pc.fill_null(condition, False) if condition.null_count else condition
    return np.asarray(filled.to_numpy(zero_copy_only=False), dtype=bool)


def matches(text: pa.Array, pattern: str) -> Mask:
    """Whether each cell contains a match of a regular expression, shape (n,); null gives False."""
    return as_mask(pc.match_substring_regex(text, pattern))


def harmless_text(cells: pa.Array) -> pa.Array:
    """Marks cells that a spreadsheet would run as a formula, as ``formulas.harmless`` does."""
    dangerous = matches(cells, DANGEROUS)
    if not dangerous.any():
        return cells
    marked = pc.binary_join_element_wise("'", cells, "")
    return pc.if_else(pa.array(dangerous & ~matches(cells, NUMBER)), marked, cells)


def meant_text(table: pa.Table) -> pa.Table:
    """Restores the texts of a table to what they were before ``harmless_text`` marked them."""
    for k, column in enumerate(table.columns):
        if pa.types.is_string(column.type) and matches(one_array(column), ESCAPED).any():
            meant = pc.replace_substring_regex(column, ESCAPED, r"\1")
            table = table.set_column(k, table.field(k), meant)
    return table


def placed(values: pa.Array, mask: Mask) -> pa.Array:
    """Puts values, in order, where a mask is True; the other cells are null.

    Args:
        values: shape (number of True in the mask,).
        mask: shape (n,).

    Returns:
        An array of shape (n,).
    """
    return values.take(pa.array(np.cumsum(mask) - 1, mask=~mask))


def joined(parts: Sequence[pa.Array], between: str) -> pa.Array:
    """Joins the texts of each row with a separator and skips missing texts.

    Every row must have at least one text: Arrow drops a row without any from the result.
    """
    return pc.binary_join_element_wise(*parts, between, null_handling="skip")


def plain(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """Decodes a column that is dictionary encoded; other columns are returned unchanged."""
    return column.cast(column.type.value_type) if pa.types.is_dictionary(column.type) else column


def one_array(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    """Combines the chunks of a column into one array."""
    return column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
