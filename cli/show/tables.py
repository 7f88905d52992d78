"""A plan's trials as a flat table, for spreadsheets and pipelines."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from cli.output import printable_lines
from optimizer.errors import InputError, reason_of
from optimizer.formulas import harmless

if TYPE_CHECKING:
    from optimizer.planning.plan import Plan


def write_plan_table(plans: Sequence[Plan], form: str, out: Path | None) -> None:
    """One row a trial of each plan, as CSV or Parquet, to a file or (CSV only) to stdout.

    Raises:
        InputError: when Parquet has no file to go to, or the file cannot be written.
    """
    rows = [row for plan in plans for row in plan.rows()]
    if not rows:
        raise InputError("there is no plan to write: no line has runs.")
    if form == "parquet" and out is None:
        raise InputError("--format parquet needs --out FILE.")
    try:
        if form == "parquet":
            import pyarrow as pa
            import pyarrow.parquet as pq

            pq.write_table(pa.Table.from_pylist(rows), str(out))
            return
        buffer = io.StringIO()
        writer = csv.writer(buffer, lineterminator="\n")
        writer.writerow(map(harmless, rows[0]))
        writer.writerows([harmless(row.get(name)) for name in rows[0]] for row in rows)
        if out is None:
            said = buffer.getvalue()
            sys.stdout.write(printable_lines(said) if sys.stdout.isatty() else said)
        else:
            out.write_text(buffer.getvalue(), encoding="utf-8")
    except OSError as error:
        raise InputError(f"'{out}' cannot be written: {reason_of(error)}.") from None
