"""When runs were made: their occasions, and the moment that is asked about.

Runs of the same day and lot are one occasion. Behind the occasions of the runs stand three that are
asked about: the moment with its day, lot and events; the slow component alone at the moment; and
the slow component alone some weeks before.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]
    Mask = NDArray[np.bool_]

NONE = -1
"""Number of a day or lot that is not known."""
# With fewer dated runs, or runs on fewer days, nothing is said of time.
FEWEST_RUNS, FEWEST_DAYS = 12, 3
# Share of the runs above which a plant is said to run by habit.
MOST = 0.5
# Days over which the change of the slow component is told, where the runs go back as far.
LOOK_BACK = 28.0
WEEK = 7.0
ASKED = 3
"""Number of occasions that are asked about."""
DAY, LOT, SLOW, STEP = "day", "lot", "slow", "step"


def run_by_habit(day: Indices, point: Indices) -> bool:
    """Whether most runs are repeats of a set-point that has a day of its own: it was run on that
    day alone, and the day had no other.

    What such a day adds to its readings and what the settings do are the same thing in the log, so
    that no reading tells them apart. One day alone is no habit.

    Args:
        day: number of the day of each run, shape (n,); ``NONE`` where it is not known.
        point: number of the set-point of each run, shape (n,).
    """
    dated = day >= 0
    pairs, which, runs = np.unique(
        np.column_stack([day, point])[dated], axis=0, return_inverse=True, return_counts=True
    )
    if len(np.unique(pairs[:, 0])) < 2:
        return False
    own_day = np.bincount(pairs[:, 0])[pairs[:, 0]] == 1
    own_point = np.bincount(pairs[:, 1])[pairs[:, 1]] == 1
    confounded = own_day & own_point & (runs > 1)
    return bool(np.mean(confounded[which.ravel()]) > MOST)


@dataclass(frozen=True)
class Occasions:
    """When and of which lot each run was, and the moment that is asked about.

    Attributes:
        time: start of each run in days, NaN where it is not known, shape (n,).
        day: number of the day of each run, shape (n,); ``NONE`` where it is not known.
        lot: number of the lot of each run, shape (n,); ``NONE`` where it names none.
        now: the moment in days.
        day_now, lot_now: day and lot of the moment, numbered as those of the runs.
        events: moments of known events in days, in order.
        by_day: whether days may have effects, see ``days_are_settings``.
        by_habit: whether the log cannot show effects of days, see ``run_by_habit``.
    """

    time: Floats
    day: Indices
    lot: Indices
    now: float
    day_now: int
    lot_now: int = NONE
    events: tuple[float, ...] = ()
    by_day: bool = True
    by_habit: bool = False

    @property
    def dated(self) -> bool:
        """Whether any run has a time."""
        return bool(np.any(self.day >= 0))

    @property
    def enough(self) -> bool:
        """Whether there are enough dated runs to say anything of time."""
        dated = self.day >= 0
        return int(dated.sum()) >= FEWEST_RUNS and len(np.unique(self.day[dated])) >= FEWEST_DAYS

    @cached_property
    def cells(self) -> Cells:
        """The occasions of the runs, and those that are asked about."""
        both = np.column_stack([self.day, self.lot])
        found, which = np.unique(both, axis=0, return_inverse=True)
        which = which.ravel()
        count = np.bincount(which, minlength=len(found))
        known = np.where(np.isfinite(self.time), self.time, 0.0)
        time = np.bincount(which, known, minlength=len(found)) / count
        time = np.where(found[:, 0] >= 0, time, np.nan)
        first = float(np.nanmin(time))
        back = float(np.clip(self.now - first, 1.0, LOOK_BACK))
        events = np.array(self.events, dtype=float)
        before = np.vstack(
            [
                (events >= time[:, None]) & np.isfinite(time)[:, None],
                (events >= self.now)[None, :],
                np.zeros((2, len(events)), dtype=bool),
            ]
        )
        return Cells(
            which,
            np.concatenate([time, [self.now, self.now, self.now - back]]),
            np.append(found[:, 0], [self.day_now, NONE, NONE]),
            np.append(found[:, 1], [self.lot_now, NONE, NONE]),
            before.astype(float),
            back / WEEK,
            self.by_day,
            self.by_habit,
        )


@dataclass(frozen=True)
class Cells:
    """The c occasions of n runs, and behind them those that are asked about (``ASKED``).

    Attributes:
        which: occasion of each run, shape (n,).
        time: mean time of each occasion in days, NaN where it is not known, shape (c + 3,).
        day, lot: numbers of its day and lot, shape (c + 3,).
        before: 1 where an occasion is before an event, shape (c + 3, events).
        weeks: weeks between the last two occasions.
        by_day: whether days may have effects.
        by_habit: whether the log cannot show effects of days.
    """

    which: Indices
    time: Floats
    day: Indices
    lot: Indices
    before: Floats
    weeks: float
    by_day: bool = True
    by_habit: bool = False

    @property
    def count(self) -> int:
        """Number of occasions of runs."""
        return len(self.time) - ASKED

    @cached_property
    def kinds(self) -> tuple[str, ...]:
        """The effects that these occasions can show."""
        lots = np.unique(self.lot[: self.count])
        several = int(np.sum(lots >= 0)) > 1
        split = np.ptp(self.before[: self.count], axis=0).any() if self.before.size else False
        days = (DAY,) if self.by_day else ()
        return (*days, *((LOT,) if several else ()), SLOW, *((STEP,) if split else ()))

    def correlation(self, kind: str, log_forgets: float) -> Floats:
        """Covariance of an effect of unit variance at all occasions, shape (c + 3, c + 3).

        Args:
            kind: ``DAY``, ``LOT``, ``SLOW`` or ``STEP``.
            log_forgets: logarithm of the days over which the slow component forgets.
        """
        if kind == SLOW:
            return np.asarray(np.exp(-self.apart / np.exp(log_forgets)))
        return self._fixed[kind]

    @cached_property
    def apart(self) -> Floats:
        """Days between occasions, infinite where a time is not known, shape (c + 3, c + 3)."""
        apart = np.abs(self.time[:, None] - self.time)
        # Runs without a time have no effects of time, not even on themselves.
        return np.where(np.isnan(apart), np.array(np.inf), apart)

    @cached_property
    def _fixed(self) -> dict[str, Floats]:
        """The covariances that depend on no hyperparameter, by kind."""

        def same(code: Indices) -> Floats:
            return ((code[:, None] == code) & (code[:, None] >= 0)).astype(float)

        return {DAY: same(self.day), LOT: same(self.lot), STEP: self.before @ self.before.T}
