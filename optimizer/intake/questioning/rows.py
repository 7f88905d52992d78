"""What is hard to believe of a single row, given the fences of its line.

A field of a row gets at most one question: the first that applies, in the order of the rules.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from optimizer.history.schema import FRACTIONS
from optimizer.intake.questioning.fences import YEARS_BEFORE, Fences, Range
from optimizer.intake.questioning.question import Wording, shown_time
from optimizer.intake.questioning.samples import START, comparable, numbers, ran_even
from optimizer.plant.site import FEED_GRADE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]

FIRST_YEAR = 1980
"""A time before this year is asked about: plants kept no logs then, but clocks restart in 1970."""
CLOCK_MINUTES = 5.0
"""How far the clocks of two machines may be apart."""
_FIRST = float(np.datetime64(f"{FIRST_YEAR}-01-01", "us").astype(np.int64))
_SWAPPED = 25.0  # how much more likely swapped readings are, as a difference of squared distances
_STANDARD_ERRORS = 2.0
_TIMES = {
    -2: "100 times what is usual: is it a slip of the decimal point by two places, or of the unit",
    -1: "10 times what is usual: is it a slip of the decimal point by one place, or of the unit",
    1: "a tenth of what is usual: is it a slip of the decimal point by one place, or of the unit",
    2: "a hundredth of what is usual: is it a slip of the decimal point by two places, or of the "
    "unit",
}


@dataclass(frozen=True)
class Doubt:
    """A rule that applies to some rows.

    Attributes:
        field: name of the doubted column.
        rows: mask of the rows, shape (n,).
        why: function from the position of a row to the reason.
    """

    field: str
    rows: Mask
    why: Callable[[int], str]


class Columns:
    """The numbers of a batch of runs, of which the rules see the rows of one line at a time.

    Args:
        runs: the runs, in the schema of the run table.
        names: the numeric columns that are compared.
    """

    def __init__(self, runs: pa.RecordBatch, names: Sequence[str]) -> None:
        self._even = ran_even(runs)
        self._start = numbers(runs, START)
        self._values = {name: comparable(runs, name, self._even) for name in names}

    def rows(self, at: NDArray[np.int64], now: float, log_start: float = np.inf) -> Rows:
        """The rows at some positions; the other arguments are those of ``Rows``."""
        if len(at) == len(self._start):
            return Rows(self._values, self._even, self._start, now, log_start)
        values = {name: column[at] for name, column in self._values.items()}
        return Rows(values, self._even[at], self._start[at], now, log_start)


@dataclass(frozen=True)
class Rows:
    """Rows of one line, as the rules see them.

    Attributes:
        values: the numeric columns, shape (n,) each.
        even: whether the deck ran even, shape (n,).
        start: start in microseconds since 1970, NaN where it is not known, shape (n,).
        now: the present time, likewise.
        log_start: the time at which the log itself makes earlier times hard to believe; infinity
            where it has too few rows to tell.
    """

    values: Mapping[str, Floats]
    even: Mask
    start: Floats
    now: float
    log_start: float = np.inf


def strange(rows: Rows, fences: Fences, wording: Wording) -> Mask:
    """Which rows any rule applies to, shape (n,); the arguments are those of ``doubts``."""
    found = np.zeros(len(rows.start), bool)
    for doubt in doubts(rows, fences, wording):
        found |= doubt.rows
    return found


def doubts(rows: Rows, fences: Fences, wording: Wording) -> Iterator[Doubt]:
    """The rules that apply to at least one row, the weightiest first.

    Args:
        rows: the rows.
        fences: the fences of their line.
        wording: how values of the line are written.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        for rule in (_swapped, _slipped, _dirtier, _overfull, _apart, _misdated):
            for doubt in rule(rows, fences, wording):
                if doubt.rows.any():
                    yield doubt


def _swapped(rows: Rows, fences: Fences, wording: Wording) -> Iterator[Doubt]:
    """Grade and recovery in each other's place."""
    if len(fences.spread) < 2:
        return
    grade, recovery = rows.values["grade"], rows.values["recovery"]
    of_grade, of_recovery = fences.spread["grade"], fences.spread["recovery"]
    unusual = of_grade.ends.outside(grade) & of_recovery.ends.outside(recovery)
    unusual &= ~of_grade.ends.outside(recovery) & ~of_recovery.ends.outside(grade)
    if not unusual.any():
        return
    own = of_grade.distance(grade) ** 2 + of_recovery.distance(recovery) ** 2
    other = of_grade.distance(recovery) ** 2 + of_recovery.distance(grade) ** 2
    yield Doubt(
        "grade",
        unusual & (own - other > _SWAPPED),
        lambda k: (
            f"grade {wording.said('grade', grade[k])} and recovery "
            f"{wording.said('recovery', recovery[k])} are each unusual for line "
            f"'{wording.line}', and usual the other way round: are they swapped?"
        ),
    )


def _slipped(rows: Rows, fences: Fences, wording: Wording) -> Iterator[Doubt]:
    """Values that would lie amid the others if they were 10 or 100 times larger or smaller."""
    for name, slips in fences.slips.items():
        values = rows.values[name]
        if not slips.fence.outside(values).any():
            continue
        power = slips.power(values)
        yield Doubt(name, power != 0, _why_slipped(name, values, power, slips.amid, wording))


def _why_slipped(
    name: str, values: Floats, power: NDArray[np.int64], amid: Range, wording: Wording
) -> Callable[[int], str]:
    return lambda k: (
        f"{name} {wording.said(name, values[k])} is {_TIMES[int(power[k])]}? Nearly all runs of "
        f"line '{wording.line}' lie between {_between(name, amid, wording)}"
    )


def _between(name: str, ends: Range, wording: Wording) -> str:
    high = min(ends.high, 1.0) if name in FRACTIONS else ends.high
    return f"{wording.said(name, ends.low)} and {wording.said(name, high)}"


def _dirtier(rows: Rows, fences: Fences, wording: Wording) -> Iterator[Doubt]:
    """Products with a lower grade than their feed, by more than the errors that are stated."""
    grade, feed = rows.values["grade"], rows.values[FEED_GRADE]
    below = rows.even & (grade < feed)
    if below.any():
        errors = [_error(rows.values, "grade"), _error(rows.values, FEED_GRADE)]
        below &= feed - grade > _STANDARD_ERRORS * np.hypot(*errors)
    yield Doubt(
        "grade",
        below,
        lambda k: (
            f"grade {wording.said('grade', grade[k])} is below the feed grade "
            f"{wording.said(FEED_GRADE, feed[k])}: the product would be dirtier than its feed"
        ),
    )


def _overfull(rows: Rows, fences: Fences, wording: Wording) -> Iterator[Doubt]:
    """Product and middlings that hold more than the feed, by more than the errors that are stated:
    more mass, or more wanted material."""
    values = rows.values
    share = values["middlings_share"]
    if np.isnan(share).all():
        return
    names = ("grade", "recovery", FEED_GRADE, "middlings_share", "middlings_grade")
    grade, recovery, feed, share, middlings = (values[name] for name in names)
    errors = [_error(values, name) / values[name] for name in names]
    mass, wanted = recovery * feed / grade, share * middlings / feed
    # Relative errors of product and middlings; the errors of their readings are independent.
    product_error = mass * np.sqrt(np.sum(np.square(errors[:3]), axis=0))
    wanted_error = wanted * np.sqrt(np.sum(np.square(errors[2:]), axis=0))
    for each, other, spread, what in (
        (mass, share, np.hypot(product_error, errors[3] * share), "mass"),
        (recovery, wanted, np.hypot(errors[1] * recovery, wanted_error), "wanted material"),
    ):
        together = each + other
        said = partial(_why_overfull, together, what, wording)
        yield Doubt(
            "middlings_share", rows.even & (together - 1.0 > _STANDARD_ERRORS * spread), said
        )


def _why_overfull(together: Floats, what: str, wording: Wording, k: int) -> str:
    shown = wording.said("middlings_share", together[k])
    return (
        f"product and middlings together would hold {shown} of the {what} of the feed: is "
        "middlings_share a share of the feed, and are grade, recovery and feed grade of this run?"
    )


def _error(values: Mapping[str, Floats], name: str) -> Floats:
    """Standard error of a share as stated, or else as its count implies; 0 if neither is there."""
    share = values[name]
    count = values.get(f"{name}_count", np.full_like(share, np.nan))
    counted = np.sqrt(share * (1.0 - share) / count)
    stated = values[f"{name}_se"]
    return np.nan_to_num(np.where(np.isnan(stated), counted, stated))


def _apart(rows: Rows, fences: Fences, wording: Wording) -> Iterator[Doubt]:
    """Readings six robust standard deviations from the others."""
    for name, fence in fences.readings.items():
        values = rows.values[name]
        outside = fence.outside(values)
        if outside.any():
            yield Doubt(name, outside, _why_apart(name, values, fence, wording))


def _why_apart(name: str, values: Floats, fence: Range, wording: Wording) -> Callable[[int], str]:
    def why(k: int) -> str:
        side, end = ("below", fence.low) if values[k] < fence.low else ("above", fence.high)
        return (
            f"{name} {wording.said(name, values[k])} is far from all other runs of line "
            f"'{wording.line}': a reading {side} {wording.said(name, end)} is six standard "
            "deviations or more from their middle"
        )

    return why


def _misdated(rows: Rows, fences: Fences, wording: Wording) -> Iterator[Doubt]:
    """Times after the clock, or before the plant."""
    start = rows.start
    yield Doubt(
        START,
        start > rows.now + CLOCK_MINUTES * 60e6,
        lambda k: (
            f"started_at {shown_time(start[k])} is in the future (it is now "
            f"{shown_time(rows.now)}): is the date right, and is its offset from UTC missing?"
        ),
    )
    yield Doubt(
        START,
        start < _FIRST,
        lambda k: f"started_at {shown_time(start[k])} is before {FIRST_YEAR}: did a clock restart?",
    )
    yield Doubt(
        START,
        start < min(fences.earliest, rows.log_start),
        lambda k: (
            f"started_at {shown_time(start[k])} is more than {YEARS_BEFORE:g} years before the "
            f"other runs of line '{wording.line}': is the year right?"
        ),
    )
