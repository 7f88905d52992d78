"""Runs and plans as pandas data frames, and frames of runs as tables.

A frame has the columns of the run table, in the units of a site; a count that some runs lack is a
nullable integer. Any frame that offers its columns in the Arrow interchange format is taken.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import InputError, nearest, reason_of
from optimizer.history.schema import FRACTIONS, schema_of
from optimizer.history.start_times import unmarked
from optimizer.numerics.sorting import sorted_by
from optimizer.plant.run_columns import DECK_STATES, EXPECTED
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from optimizer.history.snapshot import Snapshot

NULLABLE = {pa.int64(): pd.Int64Dtype(), pa.bool_(): pd.BooleanDtype()}
INDEX = "__index_level_"
"""How the columns of a frame's index are named in the interchange format; an index says nothing of
a run."""


def frame_of_runs(snapshot: Snapshot, site: Site | None, line: str | None) -> pd.DataFrame:
    """The runs of a snapshot.

    Args:
        snapshot: a history at one version.
        site: the plant, in whose units the runs are returned; the defaults when None.
        line: name of the only line; all lines when None.

    Raises:
        InputError: when the line has no runs.
    """
    lines = None if line is None else snapshot.chosen_lines([line])
    return unmarked(snapshot.runs(site or Site(), lines)).to_pandas(types_mapper=NULLABLE.get)


def frame_of_rows(rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """The rows of a plan, in their order."""
    return pa.Table.from_pylist(list(rows)).to_pandas(types_mapper=NULLABLE.get)


def runs_of_frame(frame: Any, site: Site | None = None) -> pa.Table:
    """The runs of a frame as a table of the form that a history returns.

    Types and ranges are checked, but not as a log is checked: no row is rejected, asked about or
    recognized. Columns that the frame lacks are empty; without ``run_id`` runs are named by row.

    Args:
        frame: a row for each run, with columns of the run table; settings and material in the
            units of the site, grade and recovery as fractions.
        site: the plant; the defaults when None.

    Raises:
        InputError: when a column is no column of a run, or a value cannot be one of its column.
    """
    schema, table = schema_of(site or Site()), pa.table(frame)
    table = table.drop_columns([n for n in table.column_names if n.startswith(INDEX)])
    for name in table.column_names:
        if name not in schema.names:
            raise InputError(
                f"column '{name}' of the frame is no column of a run at this site.",
                hint=nearest(name, schema.names) + " Drop it, or declare it in the site file.",
            )
    if "line" not in table.column_names:
        raise InputError(
            "the frame has no column 'line'.", hint="Add it: frame.assign(line='deck-1')."
        )
    columns = []
    for field in schema:
        if field.name in table.column_names:
            columns.append(_checked(field, table[field.name]))
        elif field.name == "run_id":
            columns.append(pa.array([f"row {k + 1}" for k in range(table.num_rows)], pa.string()))
        else:
            columns.append(pa.nulls(table.num_rows, field.type))
    return sorted_by(pa.table(columns, schema=schema), "line", "started_at", "run_id")


def _checked(field: pa.Field, column: pa.ChunkedArray) -> pa.ChunkedArray:
    """A column in the type of its field.

    Raises:
        InputError: when a value cannot be converted, or is outside the range of its column.
    """
    name = field.name
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if pa.types.is_timestamp(field.type) and not pa.types.is_null(column.type) and (
        not pa.types.is_timestamp(column.type) or column.type.tz is None
    ):  # fmt: skip
        raise InputError(
            f"column '{name}' of the frame holds no times with a time zone.",
            hint="Convert it: pandas.to_datetime(...).dt.tz_localize('Area/City').",
        )
    try:
        column = column.cast(field.type)
    except pa.ArrowException as error:
        raise InputError(
            f"column '{name}' of the frame cannot be read as {field.type}: {reason_of(error)}."
        ) from None
    if pa.types.is_floating(field.type):
        values = column.to_numpy()
        top = 1.0 if name in FRACTIONS else np.inf
        low = 0.0 if name in FRACTIONS else -np.inf
        wrong = ~np.isnan(values) & ~(np.isfinite(values) & (values >= low) & (values <= top))
        expected = "a fraction from 0 to 1" if top == 1.0 else "a finite number"
    elif name == "deck_state":
        known = pc.is_in(column, pa.array(DECK_STATES, pa.string()))
        wrong = np.asarray(pc.and_(column.is_valid(), pc.invert(known)))
        expected = EXPECTED.removeprefix("expected ")
    else:
        return column
    if wrong.any():
        row = int(np.flatnonzero(wrong)[0])
        raise InputError(
            f"column '{name}' of the frame has {column[row].as_py()} in row {row + 1}; expected "
            f"{expected}."
        )
    return column
