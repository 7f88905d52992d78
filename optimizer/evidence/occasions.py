"""When and of which lot the runs of a line were, for the effects of time.

A day is a calendar day of the plant. Runs that were borrowed from other lines have no effects of
time, since each deck wears, and is cleaned, by itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from optimizer.evidence.record import Evidence
from optimizer.numerics.distinct_rows import distinct_rows
from optimizer.time_effects.occasions import NONE, Occasions, run_by_habit

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]


def occasions_of(evidence: Evidence) -> Occasions | None:
    """The occasions of the measured runs of a line, then of those that it borrows.

    The day and the lot of the moment are those of the last run before it on the same day; without
    such a run they are not known.

    Args:
        evidence: evidence of the line.

    Returns:
        The occasions; None where no measured run has a time.
    """
    own = evidence.take(evidence.measured)
    time = days_since_1970(own.started_by_clock)
    if evidence.now is None or not np.isfinite(time).any():
        return None
    moments = np.array([evidence.now, *evidence.events], dtype="datetime64[us]")
    now, *events = days_since_1970(evidence.by_clock(moments)).tolist()
    day, day_now = _numbered(time, now)
    today = (day == day_now) & (time <= now)
    lot_now = int(own.lot[today][np.argmax(time[today])]) if today.any() else NONE
    others = 0 if evidence.borrowed is None else len(evidence.borrowed.grade)
    unknown = np.full(others, NONE)
    return Occasions(
        np.append(time, np.full(others, np.nan)),
        np.append(day, unknown),
        np.append(own.lot, unknown),
        now,
        day_now,
        lot_now,
        tuple(sorted(events)),
        by_habit=run_by_habit(day, distinct_rows(own.settings)[1]),
    )


def _numbered(time: Floats, now: float) -> tuple[Indices, int]:
    """Number of the day of each run, shape (n,), ``NONE`` without a time, and that of the moment.

    Args:
        time: start of each run in days, shape (n,).
        now: the moment in days.
    """
    days = np.floor(np.append(time, now))
    _, which = np.unique(days, return_inverse=True)
    which = np.where(np.isfinite(days), which.ravel(), NONE)
    return which[:-1], int(which[-1])


def days_since_1970(moments: NDArray[np.datetime64]) -> Floats:
    """Converts times to days since 1970, shape (n,); undated ones become NaN."""
    days = (moments - np.datetime64(0, "us")) / np.timedelta64(1, "D")
    return np.asarray(days, dtype=float)
