"""Change points of settings that sensors read: when a setting was changed, and when it only
scattered.

A setting that people type is either equal in two rows or was changed between them. A sensor reads
another number each time. The scatter of such a setting is found from the differences between
neighbors, of which few are changes. Its changes are then the best division of its readings by the
sum of squared deviations, with a penalty for each change, which PELT finds exactly [Killick2012]_.
The penalty is twice that of the Bayesian information criterion, as the scatter is an estimate.

Two neighboring parts whose averages differ by less than half a step of every setting are one: the
deck cannot be set so finely, so the sensor wandered. Parts of fewer than ``FEWEST`` readings are a
setting on its way to another, or a sensor that dropped out; they belong to no level.

.. [Killick2012] R. Killick, P. Fearnhead, I. A. Eckley, "Optimal detection of changepoints with a
   linear computational cost", Journal of the American Statistical Association 107(500), 2012.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Labels = NDArray[np.int64]

FEWEST = 3
"""Smallest number of readings of a level."""
OUTSIDE = -1
"""Label of a reading that belongs to no level."""
# From this share of differing neighbors on, a setting is read by a sensor, if the differences are
# of the kind that scatter makes.
_SCATTERED = 0.2
# Deviation from the nearest step, in steps, from which a number was not set but measured.
_OFF_STEP = 0.02
# Correlation of successive differences below which values return to where they were: it is -0.5
# for scatter around a level, and about 0 for levels that last.
_RETURNING = -0.2
# Share of the smallest squared differences that scatter is estimated from, and the mean of that
# share of a chi-squared variable with one degree of freedom.
_KEPT, _MEAN_OF_KEPT = 0.8, 0.4377


def scatter(values: Floats, step: float, low: float) -> float:
    """Standard deviation of what a sensor adds to a setting; 0 for a setting that people typed.

    Args:
        values: the setting in the order of time, shape (n,).
        step: smallest change that can be set, in the same unit.
        low: one value that can be set.
    """
    differences = np.diff(values)
    moved = differences != 0.0
    if len(values) < 2 * FEWEST or moved.mean() < _SCATTERED:
        return 0.0
    steps = (values - low) / step
    off_step = np.mean(np.abs(steps - np.rint(steps)) > _OFF_STEP) >= _SCATTERED
    small = np.median(np.abs(differences[moved])) <= step * (1.0 + _OFF_STEP)
    if not off_step and not (small and _returning(differences)):
        return 0.0
    squares = np.sort(differences**2)[: max(1, int(np.ceil(_KEPT * len(differences))))]
    return float(np.sqrt(squares.mean() / (2.0 * _MEAN_OF_KEPT)))


def _returning(differences: Floats) -> bool:
    power = float(differences @ differences)
    return power > 0.0 and float(differences[1:] @ differences[:-1]) < _RETURNING * power


def levels(values: Floats, scatters: Floats, steps: Floats) -> Labels:
    """The level that each of n readings of p settings belongs to, shape (n,).

    Levels are numbered from 0 in the order of time; readings between two levels are ``OUTSIDE``. A
    level that was interrupted for fewer than ``FEWEST`` readings keeps its number.

    Args:
        values: the settings in the order of time, shape (n, p).
        scatters: standard deviation of the scatter of each, above 0, shape (p,).
        steps: smallest change of each that can be set, shape (p,).
    """
    n = len(values)
    ends = _divided(values / scatters, 2.0 * (values.shape[1] + 1) * np.log(max(n, 2)))
    bounds = list(zip([0, *ends[:-1]], ends, strict=True))
    kept = [(a, b) for a, b in bounds if b - a >= FEWEST] or [(0, n)]
    labels = np.full(n, OUTSIDE)
    number, before = -1, np.full(values.shape[1], np.inf)
    for a, b in kept:
        middle = np.median(values[a:b], axis=0)
        if not np.all(np.abs(middle - before) < 0.5 * steps):
            number += 1
        labels[a:b] = number
        before = np.median(values[labels == number], axis=0)
    return labels


def _divided(scaled: Floats, penalty: float) -> list[int]:
    """Ends of the parts that minimize squared deviations plus a penalty a part.

    Args:
        scaled: readings in standard deviations of their scatter, shape (n, p).
        penalty: cost of one part more.
    """
    n = len(scaled)
    centered = scaled - np.median(scaled, axis=0)
    sums = np.vstack([np.zeros(scaled.shape[1]), np.cumsum(centered, axis=0)])
    squares = np.concatenate([[0.0], np.cumsum(np.sum(centered**2, axis=1))])
    best = np.concatenate([[-penalty], np.zeros(n)])
    last = np.zeros(n + 1, np.int64)
    starts = np.array([0])
    for end in range(1, n + 1):
        length = end - starts
        within = squares[end] - squares[starts]
        within = within - np.sum((sums[end] - sums[starts]) ** 2, axis=1) / length
        costs = best[starts] + within
        chosen = int(np.argmin(costs))
        best[end], last[end] = costs[chosen] + penalty, starts[chosen]
        starts = np.append(starts[costs <= best[end]], end)
    ends = [n]
    while last[ends[-1]] > 0:
        ends.append(int(last[ends[-1]]))
    return ends[::-1]
