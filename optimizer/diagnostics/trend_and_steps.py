"""Finds a slow trend or sudden steps in readings over time, by generalized least squares.

In come readings y and a function that applies P, the inverse of their covariance after the known
influences (settings, material) are projected out. A course h over time then has the size b and the
test statistic z,

    b = h'P y / h'P h,   z = h'P y / sqrt(h'P h),

where z is standard normal if nothing happened. For a trend, h is time itself. For a step at an
unknown date, the largest |z| over all dates is compared with its distribution under no change,
which is simulated from the joint covariance H'P H of the dates.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtr, ndtri

from optimizer.diagnostics.serial_correlation import blocks, shared_between_days
from optimizer.numerics.cholesky import factorize

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Steps are not sought within this share of the readings at either end, nor at more dates than this.
EDGE = 0.05
MOST_DATES = 120
# On long histories fewer dates are tried, so that dates times readings stay below MOST_CELLS.
FEWEST_DATES, MOST_CELLS = 24, 20_000_000
SIMULATIONS = 4000
MOST_STEPS = 3
# A step is reported when its p-value is at most this.
STEP_LEVEL = 0.01
# With fewer groups than this, a sandwich estimate is too inaccurate to use.
FEWEST_GROUPS = 10
# A date is no longer considered when the steps found so far leave less than this share of its
# information.
LEAST_LEFT = 1e-3
# Lower bound for the share of a reading's variance that its residual keeps: if the fit passes
# through a reading, its residual says nothing about the errors.
LEAST_KEPT = 0.1
# A step is preferred to a trend when its z^2 is larger by this, two units of log likelihood.
BETTER_BY = 4.0


@dataclass(frozen=True)
class Known:
    """The known influences on n readings.

    Attributes:
        weigh: applies P to an array of shape (n,) or (n, k).
        noise: variance of each reading given the known influences, shape (n,).
        kept: share of that variance that is left in the reading's residual, shape (n,).
    """

    weigh: Callable[[Floats], Floats]
    noise: Floats
    kept: Floats


@dataclass(frozen=True)
class Trend:
    """A slow trend.

    Attributes:
        slope, se: slope and its standard error.
        p_value: probability that a slope at least as steep arises by chance.
        wider: factor by which errors shared within a day and between days increase the variance.
    """

    slope: float
    se: float
    p_value: float
    wider: float

    @property
    def z(self) -> float:
        """Slope over its standard error."""
        return self.slope / self.se


@dataclass(frozen=True)
class Step:
    """A sudden change.

    Attributes:
        at: the first time after the change.
        size, se: size of the change and its standard error.
        z: size over its standard error.
        p_value: probability that a change at least as significant arises by chance at any date.
        wider: factor by which errors shared within a day and between days increase the variance.
    """

    at: float
    size: float
    se: float
    z: float
    p_value: float
    wider: float


def better_explained(step: Step, slope: Trend) -> bool:
    """Whether a step explains the readings better than a trend does.

    Both are judged with the smaller of the two inflation factors: if one of the courses is real,
    fitting the other leaves an error that lasts for weeks and makes its own factor too large.
    """
    wider = min(step.wider, slope.wider)
    return step.z**2 * step.wider > slope.z**2 * slope.wider + BETTER_BY * wider


def trend(y: Floats, time: Floats, known: Known, day: NDArray[np.int64]) -> Trend:
    """Estimates the slope of y over time.

    Readings of one day may share an error, so the standard error is at least that of the sandwich
    estimator over days (Liang & Zeger, Biometrika 73, 1986, 13). Days near each other may share an
    error, too (``serial_correlation``).

    Args:
        y: readings, shape (n,).
        time: time of each reading in days, shape (n,).
        known: the known influences on the readings.
        day: number of the day of each reading, shape (n,).
    """
    h = time - time.mean()
    weighed = known.weigh(h)
    information = float(h @ weighed)
    slope = float(weighed @ y) / information
    wider = inflation(y - slope * h, h, weighed, known, day)
    se = float(np.sqrt(wider / information))
    return Trend(slope, se, float(2.0 * ndtr(-abs(slope) / se)), wider)


def inflation(
    left: Floats, course: Floats, weighed: Floats, known: Known, day: NDArray[np.int64]
) -> float:
    """Factor, at least 1, by which shared errors increase the variance of the size of a course.

    Residuals are scaled up to the size of the errors, since the fit has followed part of the errors
    (HC2 of MacKinnon & White, J. Econometrics 29, 1985, 305).

    Args:
        left: readings less the fitted course, shape (n,).
        course: h over time, shape (n,).
        weighed: P h, shape (n,).
        known: the known influences on the readings.
        day: number of the day of each reading, shape (n,).
    """
    day = blocks(day)
    _, which = np.unique(day, return_inverse=True)
    groups = which.max() + 1
    if groups < FEWEST_GROUPS:
        return 1.0
    information = float(course @ weighed)
    kept = np.maximum(known.kept - known.noise * weighed**2 / information, LEAST_KEPT)
    residual = known.noise * known.weigh(left) / np.sqrt(kept)
    score = np.bincount(which, weights=weighed * residual)
    within = float(score @ score) * groups / (groups - 1.0) / information
    sd = np.sqrt(known.noise)
    lever = np.bincount(which, weights=weighed * sd)
    shared = shared_between_days(residual / sd, course, day)
    return max(1.0, within) + float(lever @ shared @ lever) / information


def steps(y: Floats, time: Floats, known: Known, seed: int = 0) -> list[Step]:
    """Finds sudden changes, the most significant first.

    After each change that is found, its effect is removed before the next one is sought.

    Args:
        y: readings in order of time, shape (n,).
        time: time of each reading in days, shape (n,).
        known: the known influences on the readings.
        seed: seed of the simulated distribution.
    """
    dates = candidate_dates(time)
    most = max(FEWEST_DATES, MOST_CELLS // len(time))
    if len(dates) > most:
        dates = dates[np.linspace(0, len(dates) - 1, most).astype(int)]
    if not len(dates):
        return []
    day = np.floor(time).astype(np.int64)
    H = (time[:, None] >= dates[None, :]).astype(float)
    weighed = known.weigh(H)
    at_first = np.maximum(np.sum(H * weighed, axis=0), 1e-300)
    found: list[Step] = []
    while len(found) < MOST_STEPS:
        information = H.T @ weighed
        size, score = np.diag(information), weighed.T @ y
        # A date that the steps found so far explain has no information left.
        open_ = size > LEAST_LEFT * at_first
        if not open_.any():
            break
        plain = np.where(open_, score / np.sqrt(np.where(open_, size, 1.0)), 0.0)
        k = int(np.argmax(np.abs(plain)))
        change = float(score[k] / size[k])
        left = y - change * H[:, k]
        wider = inflation(left, H[:, k], weighed[:, k], known, day)
        z = float(plain[k]) / float(np.sqrt(wider))
        p = _largest_by_chance(information[np.ix_(open_, open_)], abs(z), seed)
        if p > STEP_LEVEL:
            break
        found.append(Step(float(dates[k]), change, float(np.sqrt(wider / size[k])), z, p, wider))
        column = information[k] / size[k]
        y, H = left, H - np.outer(H[:, k], column)
        weighed = weighed - np.outer(weighed[:, k], column)
    return found


def candidate_dates(time: Floats) -> Floats:
    """Times at which a step may begin: times of readings that are not near either end."""
    low, high = np.quantile(time, [EDGE, 1.0 - EDGE])
    dates = np.unique(time)
    dates = dates[(dates > low) & (dates <= high) & (dates > time.min())]
    if len(dates) > MOST_DATES:
        dates = dates[np.unique(np.linspace(0, len(dates) - 1, MOST_DATES).astype(int))]
    return dates


def _largest_by_chance(information: Floats, z: float, seed: int) -> float:
    """P(max |z| over all dates >= z) under no change, by simulation."""
    sd = np.sqrt(np.diag(information))
    lower = factorize(information / np.outer(sd, sd))
    draws = lower @ np.random.default_rng(seed).standard_normal((len(sd), SIMULATIONS))
    reached = int(np.sum(np.max(np.abs(draws), axis=0) >= z))
    return (reached + 1.0) / (SIMULATIONS + 1.0)


def power(size: float, se: float, level: float = 0.05) -> float:
    """Probability that a two-sided test finds a slope of the given size and standard error.

    >>> round(power(2.8, 1.0), 2)
    0.8
    """
    bar = float(-ndtri(0.5 * level))
    return float(ndtr(size / se - bar) + ndtr(-size / se - bar))
