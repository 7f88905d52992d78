"""Sorts the rows of a table without a query engine."""

from __future__ import annotations

import pyarrow as pa
import pyarrow.compute as pc


def sorted_by(table: pa.Table, *columns: str) -> pa.Table:
    """Sorts rows by columns, each ascending and with nulls last; equal rows keep their order.

    ``pa.Table.sort_by`` does the same, but first imports a query engine for longer than a small
    table takes.
    """
    order = [(name, "ascending") for name in columns]
    return table.take(pc.sort_indices(table.select(columns), sort_keys=order))
