"""Columns of a run table as arrays."""

from __future__ import annotations

from datetime import UTC, datetime
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


def codes_of(runs: pa.Table, name: str) -> NDArray[np.int64]:
    """A number for each distinct text of a column, shape (n,); -1 where a text is missing."""
    if name not in runs.column_names or not runs.num_rows:
        return np.full(runs.num_rows, -1)
    texts = np.array([text or "" for text in runs[name].to_pylist()])
    found, which = np.unique(texts, return_inverse=True)
    return np.where(texts == "", -1, which - int(found[0] == ""))


def start_times(runs: pa.Table) -> NDArray[np.datetime64]:
    """The start of each run in UTC, shape (n,), NaT where it is unknown."""
    moments = runs["started_at"].cast("timestamp[us]").to_numpy()
    return np.asarray(moments, dtype="datetime64[us]")


def moment64(moment: datetime) -> np.datetime64:
    """A point in time as a number of microseconds since 1970 in UTC."""
    return np.datetime64(moment.astimezone(UTC).replace(tzinfo=None), "us")
