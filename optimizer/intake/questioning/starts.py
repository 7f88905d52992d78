"""Rows that may be a known run once more: the same line and start, or the same place in a log."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Times: TypeAlias = NDArray[np.int64]
    Mask: TypeAlias = NDArray[np.bool_]

_DAY = 86_400_000_000


class Starts:
    """The start times of the known runs of one line, in microseconds since 1970.

    A few sorted arrays hold them, so that adding a log costs little however many logs there are.
    """

    def __init__(self) -> None:
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
        return (count == 1) & (starts % _DAY != 0)
