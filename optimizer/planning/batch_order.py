"""The order in which to run a batch of trials, with the fewest and smallest moves between them.

In come ranked trials and the current settings of the deck; out come the same trials, each with its
place in the order, the moves from the trial before it, and a sentence on what to watch for. Ranks,
settings and expectations do not change.

The cost of going from one trial to the next is the number of moves (a control whose change
exceeds ``max_change`` takes several) plus their sizes as shares of the ranges: every move takes
work and a wait, and the bed takes longer to settle after a larger move (common practice). For
batches of usual size, dynamic programming over subsets finds the cheapest open path through all
trials exactly (Held & Karp, J. SIAM 10, 1962, 196-210); for larger batches, insertion and reversal
find a cheap one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from optimizer.planning.explanations import changes_between, watch_for
from optimizer.planning.plan import Recommendation
from optimizer.plant.settings import SettingSpace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

MOST_EXACT = 10
"""Largest batch that is ordered exactly: the table of subsets doubles with each further trial."""
# Costs that agree to this many decimals count as equal, and the trial of better rank goes first.
DIGITS = 9


def in_order(
    trials: Sequence[Recommendation], space: SettingSpace, start: Mapping[str, float]
) -> tuple[Recommendation, ...]:
    """The trials in order of rank, each with ``order``, ``changes`` and ``watch`` filled in.

    Args:
        trials: trials in order of rank.
        space: the settings of the line.
        start: settings of the deck before the first trial, as far as they are known.
    """
    values = np.array([[t.settings[n] for n in space.names] for t in trials], dtype=float)
    here = np.array([start.get(n, np.nan) for n in space.names], dtype=float)
    before, answer = start, list(trials)
    for place, k in enumerate(cheapest_path(values, here, space), 1):
        changes = changes_between(space, before, trials[k].settings)
        watch = watch_for(space, changes)
        answer[k] = replace(trials[k], order=place, changes=changes, watch=watch)
        before = trials[k].settings
    return tuple(answer)


def cheapest_path(values: Floats, start: Floats, space: SettingSpace) -> list[int]:
    """Rows of ``values`` in the order of the cheapest path from ``start``.

    Args:
        values: settings of the trials, shape (n, d).
        start: settings of the deck before the first trial, shape (d,), NaN where a value is
            unknown.
        space: the settings, with their ranges and largest moves.
    """
    first = _costs(start[None, :], values, space)[0]
    between = _costs(values, values, space)
    if len(values) <= MOST_EXACT:
        return _exact(first, between)
    return _improved(first, between)


def _costs(A: Floats, B: Floats, space: SettingSpace) -> Floats:
    """Cost of going from each row of A to each row of B, shape (n, m); unknown settings cost 0."""
    size = np.nan_to_num(np.abs(A[:, None, :] - B[None, :, :]))
    size = np.where(size < 0.5 * space.steps, 0.0, size)  # the rule of ``Setting.differ``
    largest = np.array([s.max_change or np.inf for s in space.settings])
    moves = np.where(size > 0.0, np.maximum(1.0, np.ceil(size / largest - 1e-9)), 0.0)
    return np.round((moves + size / space.span).sum(axis=-1), DIGITS)


def _exact(first: Floats, between: Floats) -> list[int]:
    """The cheapest path by the recursion of Held & Karp.

    ``rest[done, last]`` is the cost of the cheapest path through the trials not in the set ``done``
    that starts at ``last``.
    """
    n = len(first)
    everything = (1 << n) - 1
    rest = np.zeros((1 << n, n))
    for done in range(everything - 1, 0, -1):
        left = [j for j in range(n) if not done >> j & 1]
        after = rest[[done | 1 << j for j in left], left]
        rest[done] = np.round((between[:, left] + after).min(axis=1), DIGITS)
    path: list[int] = []
    done, step = 0, first
    while done != everything:
        left = [j for j in range(n) if not done >> j & 1]
        total = [round(float(step[j] + rest[done | 1 << j, j]), DIGITS) for j in left]
        path.append(left[int(np.argmin(total))])
        done, step = done | 1 << path[-1], between[path[-1]]
    return path


def _improved(first: Floats, between: Floats) -> list[int]:
    """A cheap path: each trial is inserted where it costs least, then parts of the path are
    reversed as long as a reversal lowers the cost."""

    def cost(path: list[int]) -> float:
        steps = between[path[:-1], path[1:]].sum()
        return round(float(first[path[0]] + steps), DIGITS)

    path: list[int] = []
    for k in range(len(first)):
        path = min(([*path[:i], k, *path[i:]] for i in range(len(path) + 1)), key=cost)
    while True:
        n = len(path)
        turned = (
            path[:i] + path[i:j][::-1] + path[j:] for i in range(n) for j in range(i + 2, n + 1)
        )
        better = min(turned, key=cost)
        if cost(better) >= cost(path):
            return path
        path = better
