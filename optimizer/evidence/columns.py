"""Columns of runs as arrays."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


def column_reader(runs: pa.Table) -> Any:
    """A function from a column's name to its values, NaN where there are none, shape (n,)."""

    def column(name: str) -> Floats:
        if name not in runs.column_names:
            return np.full(runs.num_rows, np.nan)
        values = runs[name].cast("float64").to_numpy()
        return np.asarray(values, dtype=float)

    return column


def start_times(runs: pa.Table) -> NDArray[np.datetime64]:
    """When each run started, in UTC, NaT where undated, shape (n,)."""
    moments = runs["started_at"].cast("timestamp[us]").to_numpy()
    return np.asarray(moments, dtype="datetime64[us]")
