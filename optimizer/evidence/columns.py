"""Columns of runs as arrays, and the errors of readings that state none."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pyarrow as pa
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Above this share of readings with a stated error, the others are taken to have the same error.
MOSTLY_STATED = 0.5


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


def fill_unknown(reading: Floats, variance: Floats, se: Floats) -> Floats:
    """Variances with the unknown ones filled in, shape (n,).

    Where most readings state their error, the others take the median of the stated variances. Where
    few or none do, the others take 0, and the estimated process noise includes all of their
    scatter: a handful of readings does not say how precise the rest are. A reading of exactly 0 or
    1 has a variance of its own (``measured_errors``), which says nothing about the others.

    Args:
        reading: fractions, NaN where there is none.
        variance: on the logit scale, NaN where not known.
        se: standard errors that are stated or follow from a count, else NaN.
    """
    stated = np.isfinite(se)
    most = stated.sum() > MOSTLY_STATED * np.isfinite(reading).sum()
    usual = float(np.median(variance[stated])) if most else 0.0
    return np.where(np.isfinite(variance), variance, usual)
