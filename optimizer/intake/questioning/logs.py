"""What is hard to believe of a log as a whole, given the earlier runs of its line.

A column whose unit or heading is wrong is wrong in every row, and no row stands out from the
others of its log; so the log is compared with what the line had before it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from optimizer.intake.questioning.fences import FEWEST, Fences, largest_difference
from optimizer.intake.questioning.question import Wording

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Columns = Mapping[str, NDArray[np.float64]]

FEWEST_ROWS = 5
"""Fewest rows of a log with a value, for a question about the whole column."""
_MOSTLY = 0.8
# Distances of distributions, 0 to 1: how far swapped columns are from their own past at least, from
# each other's at most, and the sum of what the exchange gains.
_UNLIKE, _ALIKE, _GAIN = 0.6, 0.5, 0.8

Remark = tuple[tuple[str, ...], float, str]
"""Doubted columns, the median of the first one in the log, and the reason."""


def remarks(
    log: Columns, before: Columns, fences: Fences, settings: Sequence[str], wording: Wording
) -> Iterator[Remark]:
    """What is hard to believe of the new rows of a log.

    Args:
        log: values of the new rows of one line, in ascending order, by column.
        before: values of the line without this log, likewise.
        fences: the fences of the line without this log.
        settings: names of the settings.
        wording: how values of the line are written.
    """
    swapped: set[str] = set()
    for a, b in [*combinations(settings, 2), ("grade", "recovery")]:
        if _are_swapped(log, before, a, b):
            swapped |= {a, b}
            said = (
                f"the columns {a} and {b} look swapped: in line '{wording.line}', {a} has so far "
                f"been about {_middle(a, before, wording)} and {b} about "
                f"{_middle(b, before, wording)}; here they are {_middle(a, log, wording)} and "
                f"{_middle(b, log, wording)}. Are their headings, or the mapping of their "
                "columns, the wrong way round?"
            )
            yield (a, b), float(np.median(log[a])), said
    for name, slips in fences.slips.items():
        values = log[name]
        if name in swapped or len(values) < FEWEST_ROWS:
            continue
        power = int(slips.power(np.array([np.median(values)]))[0])
        if power and slips.fence.outside(values).mean() >= _MOSTLY:
            said = (
                f"the column {name} is about {_middle(name, log, wording)}, and in line "
                f"'{wording.line}' it has so far been about {_middle(name, before, wording)}: is "
                f"its unit right? {10.0**power:g} times its values would be usual"
            )
            yield (name,), float(np.median(values)), said


def _are_swapped(log: Columns, before: Columns, a: str, b: str) -> bool:
    """Whether two columns of a log each fit the past of the other one far better."""
    if min(len(log[a]), len(log[b])) < FEWEST_ROWS or min(len(before[a]), len(before[b])) < FEWEST:
        return False
    own = [largest_difference(log[name], before[name]) for name in (a, b)]
    other = [largest_difference(log[a], before[b]), largest_difference(log[b], before[a])]
    gain = sum(own) - sum(other)
    return min(own) >= _UNLIKE and max(other) <= _ALIKE and gain >= _GAIN


def _middle(name: str, columns: Columns, wording: Wording) -> str:
    return wording.said(name, float(np.median(columns[name])))
