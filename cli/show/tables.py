"""Writes the trials of plans as a flat table, for spreadsheets and pipelines."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import InputError
from optimizer.files import whole_file, write_whole
from optimizer.text.formulas import harmless
from optimizer.text.visible_text import printable_lines

if TYPE_CHECKING:
    from optimizer.campaign import Batch
    from optimizer.planning.plan import Plan


def write_plan_table(plans: Sequence[Plan | Batch], form: str, out: Path | None) -> None:
    """Writes a table with one row for each trial of each plan.

    Args:
        plans: the plans, or issued batches.
        form: ``csv`` or ``parquet``.
        out: path of the file to write; for CSV, None writes to stdout.

    Raises:
        InputError: when there is no plan, Parquet has no file, or the file cannot be written.
    """
    rows = [row for plan in plans for row in plan.rows()]
    if not rows:
        raise InputError("there is no plan to write: no line has runs.")
    if form == "parquet" and out is None:
        raise InputError("--format parquet needs --out FILE.")
    if form == "parquet" and out is not None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        with whole_file(out) as place:
            pq.write_table(pa.Table.from_pylist(rows), str(place))
        return
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(map(harmless, rows[0]))
    writer.writerows([harmless(row.get(name)) for name in rows[0]] for row in rows)
    text = buffer.getvalue()
    if out is not None:
        write_whole(out, text.encode())
    else:
        sys.stdout.write(printable_lines(text) if sys.stdout.isatty() else text)
