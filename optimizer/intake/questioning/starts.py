"""Starts that may be another moment, or another run: times that clocks showed twice, and rows that
start when a known run of their line does."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.intake.questioning.question import Question
from optimizer.intake.questioning.samples import START
from optimizer.plant.time_zone import TimeZone

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Times: TypeAlias = NDArray[np.int64]
    Mask: TypeAlias = NDArray[np.bool_]

_DAY = 86_400_000_000


class Starts:
    """The start times of the known runs of one line, in microseconds since 1970.

    A few sorted arrays hold them, so that adding a log costs little however many logs there are.

    Args:
        zone: time zone of the plant.
    """

    def __init__(self, zone: TimeZone) -> None:
        self._zone = zone
        self._sorted: list[Times] = []

    def add(self, starts: Times) -> None:
        """Add the times of further runs, shape (n,)."""
        if not len(starts):
            return
        fresh = np.sort(starts)
        while self._sorted and len(self._sorted[-1]) <= 2 * len(fresh):
            fresh = np.sort(np.concatenate([self._sorted.pop(), fresh]))
        self._sorted.append(fresh)

    def once(self, starts: Times) -> Mask:
        """Which times are those of exactly one known run, shape (n,).

        A time at midnight is a date without a time of day, and says of no run that it is the same.
        """
        count = np.zeros(len(starts), np.int64)
        if not len(starts):
            return count > 0
        low, high = starts.min(), starts.max()
        for known in self._sorted:
            if known[-1] >= low and known[0] <= high:
                first = np.searchsorted(known, starts, side="left")
                here = known[np.minimum(first, len(known) - 1)] == starts
                count[here] += np.searchsorted(known, starts[here], side="right") - first[here]
        once = count == 1
        once[once] = self._zone.to_clock(starts[once]) % _DAY != 0
        return once


def twice_shown(
    runs: pa.RecordBatch, rows: Mapping[int, TimeZone], file: str
) -> Iterator[Question]:
    """Questions about the runs whose clock time came twice, and which are read as the first.

    Args:
        runs: the runs, in the schema of the run table.
        rows: numbers of the rows of their log whose clock time came twice, with the zone of their
            clocks.
        file: name of the log.
    """
    if not rows:
        return
    asked = pc.is_in(runs.column("source_row"), pa.array(list(rows), pa.int64()))
    found = runs.select(["source_row", "run_id", "line", START]).filter(asked)
    for row, run_id, line, at in zip(*(c.to_pylist() for c in found.columns), strict=True):
        zone = rows[row]
        first, second = (t.isoformat(timespec="minutes") for t in zone.both_of_twice(at))
        why = (
            f"the clocks of {zone.name} showed this time twice that night; it is read as the "
            f"first, {first}: if it was the second, write {second}"
        )
        yield Question(file, row, run_id, START, first[:16].replace("T", " "), why, line)
