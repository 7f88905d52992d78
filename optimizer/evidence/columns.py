"""Columns of a run table as arrays."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def column_reader(runs: pa.Table) -> Any:
    """A function from a column's name to its values, shape (n,), NaN where a value is missing."""

    def column(name: str) -> Floats:
        if name not in runs.column_names:
            return np.full(runs.num_rows, np.nan)
        values = runs[name].cast("float64").to_numpy()
        return np.asarray(values, dtype=float)

    return column


def start_times(runs: pa.Table) -> NDArray[np.datetime64]:
    """The start of each run in UTC, shape (n,), NaT where it is unknown."""
    moments = runs["started_at"].cast("timestamp[us]").to_numpy()
    return np.asarray(moments, dtype="datetime64[us]")
