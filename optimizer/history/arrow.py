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
    """An Arrow condition as a numpy mask, null meaning no."""
    filled = pc.fill_null(condition, False) if condition.null_count else condition
    return np.asarray(filled.to_numpy(zero_copy_only=False), dtype=bool)


def matches(text: pa.Array, pattern: str) -> Mask:
    """Which cells match a pattern, shape (n,)."""
    return as_mask(pc.match_substring_regex(text, pattern))


def harmless_text(cells: pa.Array) -> pa.Array:
    """Cells that no spreadsheet runs, as ``formulas.harmless`` makes them."""
    dangerous = matches(cells, DANGEROUS)
    if not dangerous.any():
        return cells
    marked = pc.binary_join_element_wise("'", cells, "")
    return pc.if_else(pa.array(dangerous & ~matches(cells, NUMBER)), marked, cells)


def meant_text(table: pa.Table) -> pa.Table:
    """A table with the texts as they were before ``harmless_text`` marked them."""
    for k, column in enumerate(table.columns):
        if pa.types.is_string(column.type) and matches(one_array(column), ESCAPED).any():
            meant = pc.replace_substring_regex(column, ESCAPED, r"\1")
            table = table.set_column(k, table.field(k), meant)
    return table


def placed(values: pa.Array, mask: Mask) -> pa.Array:
    """Values, in order, at the places that a mask shows, null elsewhere; shape of the mask."""
    return values.take(pa.array(np.cumsum(mask) - 1, mask=~mask))


def joined(parts: Sequence[pa.Array], between: str) -> pa.Array:
    """The texts of each row joined, without missing ones; no row may lack all of them.

    Arrow leaves such a row out of the result altogether.
    """
    return pc.binary_join_element_wise(*parts, between, null_handling="skip")


def plain(column: pa.ChunkedArray) -> pa.ChunkedArray:
    """The column with dictionary encoding undone."""
    return column.cast(column.type.value_type) if pa.types.is_dictionary(column.type) else column


def one_array(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    """A column in one piece."""
    return column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
