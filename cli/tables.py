"""A plan's trials as a flat table, for spreadsheets and pipelines."""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from optimizer.errors import InputError


def write_plan_table(plans: Sequence[Mapping[str, Any]], form: str, out: Path | None) -> None:
    """One row a trial of each plan, as CSV or Parquet, to a file or (CSV only) to stdout.

    Raises:
        InputError: when Parquet has no file to go to, or the file cannot be written.
    """
    rows = [_flat(plan, trial) for plan in plans for trial in plan["recommendations"]]
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
        writer = csv.DictWriter(buffer, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        if out is None:
            sys.stdout.write(buffer.getvalue())
        else:
            out.write_text(buffer.getvalue(), encoding="utf-8")
    except OSError as error:
        raise InputError(f"'{out}' cannot be written: {error.strerror}.") from None


def _flat(plan: Mapping[str, Any], trial: Mapping[str, Any]) -> dict[str, Any]:
    row: dict[str, Any] = {
        "rank": trial["rank"],
        "order": trial["order"],
        "line": plan["line"],
        **trial["settings"],
    }
    for quantity in ("grade", "recovery"):
        row.update({f"{quantity}_{k}": v for k, v in trial[quantity].items()})
    for name in ("chance_of_grade", "expected_gain", "material_t", "minutes", "why", "watch"):
        row[name] = trial[name]
    return row
