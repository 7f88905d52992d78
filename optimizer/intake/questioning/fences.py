"""How far a value may lie from the others of its line before it is asked about.

A fence is six robust standard deviations from the median, on each side. The standard deviation is
the larger one of two estimates that a few wrong values cannot move: 1.4826 times the median
absolute deviation [Hampel1974]_, and the distance of a quantile near the end of the side, divided
by that distance in a normal distribution. Where that distance grows faster towards the end than it
does in a normal distribution, the tail is heavy. The fence is then moved out, with the growth taken
as a power of the tail's probability [Hill1975]_, to where about one value in 100,000 would lie.
So a column with a heavy tail or with few values does not raise questions all the time.

.. [Hampel1974] F. R. Hampel, "The influence curve and its role in robust estimation", Journal of
   the American Statistical Association 69(346), 1974.
.. [Hill1975] B. M. Hill, "A simple general approach to inference about the tail of a
   distribution", Annals of Statistics 3(5), 1975.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from scipy.special import expit, logit, ndtri

from optimizer.intake.questioning.samples import START
from optimizer.plant.site import FEED_GRADE, Site

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats: TypeAlias = NDArray[np.float64]

DEVIATIONS = 6.0
FEWEST = 30
"""Fewest runs of a line with a reading, for a fence around that reading."""
FEWEST_FOR_SLIPS = 10
FEWEST_TIMES = 5
FEWEST_LEVELS = 5
"""Fewest different values of a material variable, for a fence around it."""
YEARS_BEFORE = 2.0
"""Years before the other runs of a line from which on a time is asked about."""
YEAR = 365.25 * 86_400e6
"""Microseconds."""
NORMAL = 1.482602218505602
"""Standard deviation of a normal distribution whose median absolute deviation is 1."""

_RARE = 1e-5
_TAIL = 0.01  # a quantile that a hundredth of wrong values does not move
_QUARTILE = 0.25
# Smallest standard deviations: of a logit, and of a decimal logarithm.
_LEAST_LOGIT, _LEAST_LOG = 0.1, 0.02
_LEAST_POINTS = 0.02  # a reading that is nearer than this to the median is never asked about
_LEAST_SHARE = 0.02  # of the declared range of a material variable
_CLIP = 5e-4
# A slip by ten is told from an unusual value by a gap of a factor of 2.5 to nearly all others.
_GAP = 0.4
_SLIP_DEVIATIONS = 4.5
_SLACK = 0.05


@dataclass(frozen=True)
class Range:
    """Two ends, in stored units."""

    low: float = -np.inf
    high: float = np.inf

    def outside(self, values: Floats) -> NDArray[np.bool_]:
        """Which values lie below the lower or above the upper end, shape (n,)."""
        found: NDArray[np.bool_] = (values < self.low) | (values > self.high)
        return found


@dataclass(frozen=True)
class Slips:
    """Where slips by a power of ten are expected.

    Attributes:
        fence: values outside may be slips.
        amid: the range of nearly all other values.
    """

    fence: Range
    amid: Range

    def power(self, values: Floats) -> NDArray[np.int64]:
        """The power of ten, -2 to 2, by which a value must be multiplied to lie amid the others;
        0 where it need not or cannot, shape (n,)."""
        power = np.zeros(len(values), np.int64)
        suspect = self.fence.outside(values) & (values > 0)
        for k in (-2, 2, -1, 1):
            moved = values * 10.0**k
            power[suspect & (moved >= self.amid.low) & (moved <= self.amid.high)] = k
        return power


@dataclass(frozen=True)
class Spread:
    """Median and standard deviation on the logit scale of grade or recovery, and the range of
    nearly all values."""

    centre: float
    deviation: float
    ends: Range

    def distance(self, values: Floats) -> Floats:
        """Distance from the median in standard deviations, shape (n,)."""
        found: Floats = np.abs(_logit(values) - self.centre) / self.deviation
        return found


@dataclass(frozen=True)
class Fences:
    """What the runs of one line make of a value.

    Attributes:
        readings: range outside which a measured value is asked about, by column.
        slips: by column.
        spread: of grade and recovery, if the line has enough runs.
        earliest: start, in microseconds since 1970, before which a run is years before the others.
    """

    readings: Mapping[str, Range]
    slips: Mapping[str, Slips]
    spread: Mapping[str, Spread]
    earliest: float


def fences_of(columns: Mapping[str, Floats], site: Site) -> Fences:
    """The fences of a line.

    Args:
        columns: values of runs of the line in ascending order, by column, in stored units.
        site: the plant.
    """
    readings: dict[str, Range] = {}
    spread: dict[str, Spread] = {}
    for name in ("grade", "recovery"):
        if len(columns[name]) >= FEWEST:
            readings[name], spread[name] = _of_fraction(columns[name])
    for name, variable in site.material.items():
        values, width = columns[name], variable.high - variable.low
        width *= site.feed_grade_scale if name == FEED_GRADE else 1.0
        if len(values) >= FEWEST and _levels(values) >= FEWEST_LEVELS:
            readings[name] = _of_material(values, _LEAST_SHARE * width)
    slips = {
        name: _slips_of(values[values > 0])
        for name, values in columns.items()
        if name != START and (values > 0).sum() >= FEWEST_FOR_SLIPS
    }
    times, earliest = columns[START], -np.inf
    if len(times) >= FEWEST_TIMES:
        earliest = float(np.quantile(times, _tail(len(times), 1.5))) - YEARS_BEFORE * YEAR
    return Fences(readings, slips, spread, earliest)


def robust_deviation(values: Floats) -> float:
    """Standard deviation of a normal distribution with the median absolute deviation of values."""
    return NORMAL * float(np.median(np.abs(values - np.median(values))))


def largest_difference(a: Floats, b: Floats) -> float:
    """Largest difference of two distribution functions (the statistic of Kolmogorov and Smirnov).

    Args:
        a, b: values in ascending order, shapes (n,) and (m,).
    """
    both = np.concatenate([a, b])
    of_a = np.searchsorted(a, both, side="right") / len(a)
    of_b = np.searchsorted(b, both, side="right") / len(b)
    return float(np.max(np.abs(of_a - of_b)))


def _tail(n: int, apart: float) -> float:
    """Probability of a quantile of n values that ``apart`` of them cannot move."""
    return min(max(_TAIL, apart / n), 0.5)


def _reach(values: Floats, least: float, deviations: float) -> tuple[float, float]:
    """Distances of the two fences from the median.

    Args:
        values: in ascending order, shape (n,).
        least: smallest standard deviation.
        deviations: number of standard deviations.
    """
    n, centre = len(values), float(np.median(values))
    tail = _tail(n, 2.5)
    body = max(robust_deviation(values), least)
    # With few values the estimates are uncertain, so the fence is moved out.
    wide = deviations * (1.0 + 20.0 / n)
    reach = []
    for side in (centre - values, values - centre):
        far, near = np.maximum(np.quantile(side, [1 - tail, 1 - _QUARTILE]), 0.0)
        deviation, growth = body, 0.0
        if tail < _QUARTILE:
            deviation = max(body, far / ndtri(1 - tail))
            normal = ndtri(1 - tail) / ndtri(1 - _QUARTILE)
            ratio = max(far, least) / max(near, least) / normal
            growth = max(0.0, np.log(ratio) / np.log(_QUARTILE / tail)) * n / (n + 50.0)
        reach.append(float(wide * deviation * (tail / _RARE) ** min(growth, 1.0)))
    return reach[0], reach[1]


def _of_fraction(values: Floats) -> tuple[Range, Spread]:
    """The fence and the spread of grade or recovery."""
    scaled = _logit(values)
    centre, median = float(np.median(scaled)), float(np.median(values))
    step = _resolution(values) / max(median * (1 - median), _CLIP)
    least = max(_LEAST_LOGIT, step)
    below, above = _reach(scaled, least, DEVIATIONS)
    low, high = float(expit(centre - below)), float(expit(centre + above))
    fence = Range(
        min(low, median - _LEAST_POINTS) if low > _CLIP else -np.inf,
        max(high, median + _LEAST_POINTS) if high < 1 - _CLIP else np.inf,
    )
    ends = np.quantile(values, [t := _tail(len(values), 2.5), 1 - t])
    deviation = max(robust_deviation(scaled), least)
    return fence, Spread(centre, deviation, Range(*ends))


def _of_material(values: Floats, least: float) -> Range:
    """The fence of a material variable."""
    centre = float(np.median(values))
    below, above = _reach(values, max(least, _resolution(values)), DEVIATIONS)
    return Range(centre - below, centre + above)


def _slips_of(values: Floats) -> Slips:
    """Where slips of positive values in ascending order are expected."""
    scaled = np.log10(values)
    centre = float(np.median(scaled))
    tail = _tail(len(values), 2.5)
    low, high = np.quantile(scaled, [tail, 1 - tail])
    below, above = _reach(scaled, _LEAST_LOG, _SLIP_DEVIATIONS)
    fence = Range(
        10.0 ** min(low - _GAP, centre - below), 10.0 ** min(300, max(high + _GAP, centre + above))
    )
    return Slips(fence, Range(10.0 ** (low - _SLACK), 10.0 ** (high + _SLACK)))


def _logit(values: Floats) -> Floats:
    found: Floats = logit(np.clip(values, _CLIP, 1 - _CLIP))
    return found


def _levels(values: Floats) -> int:
    return 1 + int((np.diff(values) > 0).sum())


def _resolution(values: Floats) -> float:
    """Smallest difference of two different values in ascending order; 0 for equal values."""
    steps = np.diff(values)
    steps = steps[steps > 1e-12]
    return float(steps.min()) if len(steps) else 0.0
