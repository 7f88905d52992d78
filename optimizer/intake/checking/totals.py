"""Recognizes rows that are totals or averages of other rows and so are not runs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask, one_array, plain
from optimizer.intake.reading.values import is_number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]

# Words that people and spreadsheets put in the first cell of a totals row (common practice).
WORDS = (
    "total", "totals", "grand total", "subtotal", "sub-total", "sum", "sums", "mean", "means",
    "average", "averages", "avg", "median", "min", "minimum", "max", "maximum", "count",
    "std", "stdev", "std dev", "standard deviation", "range",
    "summe", "gesamt", "gesamtsumme", "mittelwert", "mittel", "durchschnitt", "schnitt",
    "somme", "moyenne", "totale", "somma", "media", "promedio", "suma", "gemiddelde", "totaal",
)  # fmt: skip
# In these fields such a word may be a name, unless the row lacks settings and so cannot be a run.
_NAMES = ("line", "material")


def totals_rows(
    table: pa.Table,
    columns: Iterable[int],
    named: Mapping[int, str],
    settings: Sequence[pa.Array],
    bad: Mask,
) -> tuple[NDArray[np.int64], pa.Array]:
    """Positions of totals rows, and the word in the first filled cell of each of them.

    Args:
        table: rows of a log.
        columns: names of the log's own columns, in order.
        named: field of each column that fills a field.
        settings: the settings of the rows, null where the cell is empty.
        bad: mask of rows that already have a fault.
    """
    left = np.ones(table.num_rows, bool)
    found = np.zeros(table.num_rows, bool)
    words = pa.nulls(table.num_rows, pa.string())
    for index in columns:
        column = plain(table.column(index))
        if not is_number(column.type) and pa.types.is_string(column.type):
            field, cell = named.get(index), one_array(column)
            asked = left & bad & _lacks_any(settings) if field in _NAMES else left
            hit = _among(cell, asked & bad if field == "started_at" else asked)
            if hit.any():
                found |= hit
                words = pc.if_else(pa.array(hit), cell, words)
        if column.null_count == 0:
            break
        left &= np.asarray(column.is_null())
    return np.flatnonzero(found), words


def _among(cells: pa.Array, asked: Mask) -> Mask:
    """Which of the selected cells are a word for totals, shape (n,)."""
    hit = np.zeros(len(cells), bool)
    rows = np.flatnonzero(asked)
    if len(rows):
        some = cells if len(rows) == len(cells) else cells.take(pa.array(rows))
        bare = pc.ascii_trim(pc.ascii_lower(some), " \t:.=")
        hit[rows] = as_mask(pc.is_in(bare, pa.array(WORDS)))
    return hit


def _lacks_any(settings: Sequence[pa.Array]) -> Mask:
    return np.logical_or.reduce([np.asarray(column.is_null()) for column in settings])
