"""Writes runs and readings to files that other programs can open: CSV or Parquet."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path

import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from optimizer.errors import InputError
from optimizer.files import whole_file
from optimizer.history.arrow import harmless_text
from optimizer.plant.run_columns import OF_MIDDLINGS
from optimizer.plant.site import Site
from optimizer.text.formulas import harmless

SUFFIXES = (".csv", ".parquet")
"""Ends of the names of files that can be written."""


def without_empty_settings(runs: pa.Table, site: Site) -> pa.Table:
    """Runs without the columns of gated settings that none of them fills: that of all gates alike
    where each run has its own, and gates that no line of these runs has."""
    own = {n for whole, gates in site.setting_columns.gates.items() for n in (whole, *gates)}
    empty = [n for n in runs.column_names if n in own and runs[n].null_count == len(runs)]
    return runs.drop_columns(empty) if len(runs) else runs


def write_table(path: Path, made: Callable[[], pa.Table]) -> int:
    """Writes a table to CSV or Parquet, as the suffix says; an incomplete file never remains.

    Args:
        path: path of the file, which ends in ``.csv`` or ``.parquet``.
        made: makes the table; called only after the suffix was checked.

    Returns:
        The number of rows.

    Raises:
        InputError: when the suffix is another one, or the file cannot be written.
    """
    if path.suffix not in SUFFIXES:
        raise InputError(f"cannot export to '{path}'.", hint="End it in .csv or .parquet.")
    table = made()
    with whole_file(path) as place:
        _write(table, path.suffix, place)
    return int(table.num_rows)


def table_bytes(table: pa.Table, suffix: str) -> bytes:
    """The bytes that ``write_table`` writes to a file.

    Args:
        table: the table.
        suffix: one of ``SUFFIXES``, which says the format.
    """
    content = io.BytesIO()
    _write(table, suffix, content)
    return content.getvalue()


def _write(table: pa.Table, suffix: str, place: str | Path | io.BytesIO) -> None:
    table = table.drop_columns(_unused(table))
    if suffix == ".csv":
        pa_csv.write_csv(_harmless(table), place)
    else:
        pq.write_table(table, place)


def _unused(table: pa.Table) -> list[str]:
    """Columns of middlings that no run fills: most plants keep none as a product."""
    known = (name for name in OF_MIDDLINGS if name in table.column_names)
    return [name for name in known if table[name].null_count == len(table)]


def _harmless(table: pa.Table) -> pa.Table:
    """Marks headings and texts that a spreadsheet would run as formulas."""
    columns = [
        harmless_text(c.combine_chunks()) if pa.types.is_string(c.type) else c
        for c in table.columns
    ]
    return pa.table(columns, names=list(map(harmless, table.column_names)))
