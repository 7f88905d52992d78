"""Which start times are possible: not before 1950, and not more than a day ahead of the clock.

A load refuses other times. A history that was filled before that check existed may contain them.
Only the time of such a run is in doubt, so the run is read without a time, and a warning names it.
A new run is compared with the clock. A stored run is compared with the time at which its version
was written (``table.written_at``), so that a version always reads the same.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Literal

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.arrow import as_mask
from optimizer.history.schema import TIMESTAMP

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Mask = NDArray[np.bool_]

EARLIEST = datetime(1950, 1, 1, tzinfo=UTC)
AHEAD = timedelta(days=1)
"""How far ahead of the clock a time may be: local times are up to 14 hours ahead of UTC."""

TOO_EARLY = (
    f"'{{value}}' is before {EARLIEST.year}, which cannot be right: correct the date, or leave it "
    "empty if it is not known"
)
TOO_LATE = (
    "'{value}' is more than a day ahead of the clock of this machine: correct the date or the "
    "clock, or leave the date empty if it is not known"
)

Clock = Callable[[], datetime]

MISDATED = "started_at_stored"
"""Column of runs that were read: the stored time, as text, of a run whose time is impossible."""
RUNS_NAMED = 5

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_TO_MICROSECONDS = {"s": 1_000_000, "ms": 1000, "us": 1}
_DAY = 86_400_000_000


def utc_now() -> datetime:
    """The current time in UTC, by the clock of this machine."""
    return datetime.now(UTC)


def latest_start(now: datetime) -> int:
    """The latest possible start of a run that is recorded at ``now``, in microseconds since
    1970."""
    return instant(now + AHEAD)


def instant(moment: datetime) -> int:
    """A moment in microseconds since 1970."""
    return (moment - _EPOCH) // timedelta(microseconds=1)


def instants(column: pa.Array) -> pa.Array:
    """Converts dates or times of any unit to timestamps in microseconds (UTC), shape (n,).

    Units coarser than a microsecond reach further than microseconds do. A value beyond the range of
    microseconds is moved to the end of that range, which is an impossible start, too.
    """
    kind = column.type
    if pa.types.is_date32(kind):
        numbers, factor = column.cast(pa.int32()).cast(pa.int64()), _DAY
    elif pa.types.is_date64(kind):
        numbers, factor = column.cast(pa.int64()), _TO_MICROSECONDS["ms"]
    else:
        numbers, factor = column.cast(pa.int64()), _TO_MICROSECONDS.get(kind.unit, 0)
    values = pc.fill_null(numbers, 0).to_numpy(zero_copy_only=False)
    if factor == 0:
        values = values // 1000
    elif factor > 1:
        most = np.iinfo(np.int64).max // factor
        values = np.clip(values, -most, most) * factor
    return pa.array(values, mask=np.asarray(numbers.is_null())).cast(TIMESTAMP)


def early_and_late(started: pa.Array | pa.ChunkedArray, latest: int) -> tuple[Mask, Mask]:
    """Which times are too early and which are too late to be possible; each of shape (n,).

    Args:
        started: start times, shape (n,).
        latest: the latest possible start, in microseconds since 1970.
    """
    moments = started.cast(pa.int64())
    first = (EARLIEST - _EPOCH) // timedelta(microseconds=1)
    return as_mask(pc.less(moments, first)), as_mask(pc.greater(moments, latest))


def without_impossible_times(runs: pa.Table, latest: int) -> pa.Table:
    """Removes impossible start times from the runs of a history.

    The additional column ``MISDATED`` contains them as text. A table without impossible times is
    returned unchanged.

    Args:
        runs: the runs, with the column ``started_at``.
        latest: the latest possible start, in microseconds since 1970.
    """
    early, late = early_and_late(runs["started_at"], latest)
    impossible = early | late
    if not impossible.any():
        return runs
    mask = pa.array(impossible)
    place = runs.column_names.index("started_at")
    stored = runs["started_at"]
    texts = np.full(len(runs), None, dtype=object)
    texts[impossible] = shown(stored.filter(mask))
    known = pc.if_else(mask, pa.scalar(None, TIMESTAMP), stored)
    return runs.set_column(place, runs.schema.field(place), known).append_column(
        MISDATED, pa.array(texts, pa.string())
    )


def unmarked(runs: pa.Table) -> pa.Table:
    """Drops the column ``MISDATED`` from runs, if they have it."""
    return runs.drop_columns([MISDATED] if MISDATED in runs.column_names else [])


def shown(started: pa.Array | pa.ChunkedArray) -> NDArray[np.str_]:
    """Times of any year as ISO 8601 texts, shape (n,).

    Python's own dates end at the year 9999.
    """
    numbers = np.asarray(started.cast(pa.int64()).to_numpy(zero_copy_only=False))
    unit: Literal["us", "s"] = "us" if np.any(numbers % _TO_MICROSECONDS["s"]) else "s"
    return np.char.add(np.datetime_as_string(numbers.astype("datetime64[us]"), unit=unit), "Z")


def misdated(runs: pa.Table, named: bool = True) -> list[str]:
    """One warning for each line with stored times that are impossible.

    Args:
        runs: runs as ``Snapshot.runs`` returns them.
        named: whether the warnings may name lines and runs.
    """
    if MISDATED not in runs.column_names:
        return []
    doubtful = runs.filter(runs[MISDATED].is_valid()).select(["line", "run_id", MISDATED])
    warnings = []
    for line in pc.unique(doubtful["line"]).to_pylist():
        own = doubtful.filter(pc.equal(doubtful["line"], line))
        count = len(own)
        first = own.slice(0, RUNS_NAMED).to_pylist() if named else ()
        listed = [f"'{run['run_id']}' ({run[MISDATED]})" for run in first]
        listed += ["..."] if named and count > RUNS_NAMED else []
        runs_of_line = ("1 run" if count == 1 else f"{count} runs") + (
            f" of line '{line}'" if named else ""
        )
        has, they = ("has", "it was stored; it is read") if count == 1 else (
            "have", "they were stored; they are read"
        )  # fmt: skip
        warnings.append(
            f"{runs_of_line} {has} a time before {EARLIEST.year} or after {they} as without a "
            f"time{': ' if listed else ''}{', '.join(listed)}."
        )
    return warnings
