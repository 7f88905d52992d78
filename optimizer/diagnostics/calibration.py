"""How well the surrogate predicts set-points that were left out.

The module computes three figures: coverage (how often the 90 % interval, and intervals of other
nominal coverage, hold the reading), sharpness (how wide the 90 % interval is) and reliability
(whether a stated chance of meeting the grade comes true as often as stated). A reading is compared
with the prediction of a reading, which combines the uncertainty of the true value, the process
noise and the reading's own error.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import betaincinv, expit, log_expit, ndtri

from optimizer.diagnostics.left_out import LeftOut, set_points_of, without_set_point
from optimizer.evidence.line_model import LineModel
from optimizer.interval import Interval
from optimizer.numerics.low_discrepancy import even_points

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

NOMINAL = 0.9
LEVELS = (0.5, 0.6, 0.7, 0.8, NOMINAL, 0.95)
"""Nominal coverages at which the coverage of intervals is counted."""
DRAWS = 512
# Edges of the bins of the stated chance.
BINS = np.array([0.0, 0.2, 0.4, 0.6, 0.8, 1.0])


@dataclass(frozen=True)
class Calibration:
    """Results of leaving out each set-point of one line in turn.

    Attributes:
        inside: for each quantity, number of set-points whose mean reading lay inside the interval.
        width: for each quantity, mean width of the interval of a reading, fraction.
        covered: for each quantity, the number as ``inside``, for intervals of each of ``LEVELS``.
        chance, met: stated chance that a reading meets the grade, and 1 where it did and 0 where it
            did not, shape (n,).
        points: number of set-points that were left out, n.
    """

    inside: dict[str, int]
    width: dict[str, float]
    covered: dict[str, tuple[int, ...]]
    chance: Floats
    met: Floats
    points: int


def calibrate(model: LineModel, min_grade: float) -> Calibration:
    """Leaves out every set-point in turn and compares its mean reading with the prediction.

    Args:
        model: the fitted model of the line.
        min_grade: grade, as a fraction, for which the stated chances are judged.
    """
    e, (points, group) = model.evidence, set_points_of(model)
    m, n = e.measured, len(points)
    count = np.bincount(group, minlength=n)

    def average(values: Floats) -> Floats:
        return np.bincount(group, weights=values[m], minlength=n) / count

    grade, recovery = predicted_readings(
        without_set_point(model),
        average(e.feed_odds),
        np.array([average(error) for error in e.readings.outcome_errors]) / count,
        count,
        model.seed,
    )
    inside, width, covered = {}, {}, {}
    for name, draws, read in (
        ("grade", grade, average(e.readings.grade_logit)),
        ("recovery", recovery, average(e.readings.recovery_logit)),
    ):
        covered[name] = tuple(inside_of(draws, read, level)[0] for level in LEVELS)
        inside[name], low, high = inside_of(draws, read, NOMINAL)
        width[name] = float(np.mean(expit(high) - expit(low)))
    chance = np.mean(expit(grade) >= min_grade, axis=0)
    met = (expit(average(e.readings.grade_logit)) >= min_grade).astype(float)
    return Calibration(inside, width, covered, chance, met, n)


def inside_of(draws: Floats, read: Floats, nominal: float) -> tuple[int, Floats, Floats]:
    """How many readings lie inside the central intervals of their predictions, and the ends of
    these intervals.

    Args:
        draws: draws of n predictions, shape (draws, n).
        read: the readings, shape (n,).
        nominal: nominal coverage of the intervals.

    >>> inside_of(np.linspace(0, 1, 101)[:, None], np.array([0.1]), 0.9)[0]
    1
    >>> inside_of(np.linspace(0, 1, 101)[:, None], np.array([0.1]), 0.5)[0]
    0
    """
    low, high = np.quantile(draws, [0.5 * (1 - nominal), 0.5 * (1 + nominal)], axis=0)
    return int(np.sum((low <= read) & (read <= high))), low, high


def predicted_readings(
    left: LeftOut,
    feed_odds: Floats,
    errors: Floats,
    counts: Floats | NDArray[np.int64],
    seed: int,
) -> tuple[Floats, Floats]:
    """Draws mean readings of grade and recovery from their predictive distribution.

    Args:
        left: predictions of the true sharpness and balance at n set-points.
        feed_odds: log odds of the feed grade, shape (n,).
        errors: variances of the errors of the mean readings of logit grade and of logit recovery,
            and their covariance, shape (3, n).
        counts: number of readings behind each mean, shape (n,).
        seed: seed of the draws.

    Returns:
        Grade and recovery on the logit scale, each of shape (draws, n).
    """
    z = ndtri(even_points(DRAWS, 6, np.random.default_rng(seed)))[:, :, None]
    noise = np.linalg.cholesky(left.noise)
    root = 1.0 / np.sqrt(counts)
    off = np.sqrt(left.variance[0]) * z[:, 0]
    S = left.mean[0] + off + noise[0, 0] * root * z[:, 4]
    C = left.mean[1] + left.cut * off + np.sqrt(left.variance[1]) * z[:, 1]
    C = C + root * (noise[1, 0] * z[:, 4] + noise[1, 1] * z[:, 5])
    log_w, log_u = log_expit(0.5 * (C + S)), log_expit(0.5 * (C - S))
    of_grade, of_recovery, both = errors
    sd = np.sqrt(of_grade)
    slope = np.divide(both, sd, out=np.zeros_like(sd), where=sd > 0)
    own = np.sqrt(np.clip(of_recovery - slope**2, 0.0, None))
    grade = feed_odds + log_w - log_u + sd * z[:, 2]
    return grade, 0.5 * (C + S) + slope * z[:, 2] + own * z[:, 3]


def share_interval(hits: float, n: int, level: float = 0.9) -> Interval:
    """Share of hits among n trials, with its Jeffreys interval.

    The ends of the interval are quantiles of Beta(hits + 1/2, n - hits + 1/2). Source: Brown, Cai &
    DasGupta, Statist. Sci. 16 (2001) 101.

    >>> found = share_interval(18, 20)
    >>> found.mean, round(found.low, 3), round(found.high, 3)
    (0.9, 0.75, 0.971)
    """
    tail = 0.5 * (1.0 - level)
    a, b = hits + 0.5, n - hits + 0.5
    low = 0.0 if hits == 0 else float(betaincinv(a, b, tail))
    high = 1.0 if hits == n else float(betaincinv(a, b, 1.0 - tail))
    return Interval(hits / n, low, high)


@dataclass(frozen=True)
class Coverage:
    """How often the 90 % interval of one quantity held the reading.

    Attributes:
        share: share of set-points whose reading lay inside, with the interval of the share.
        mean_width: mean width of the interval of a reading, fraction.
    """

    share: Interval
    mean_width: float

    def as_dict(self) -> dict[str, object]:
        """JSON form."""
        return {
            "coverage": self.share.mean,
            "coverage_interval": [self.share.low, self.share.high],
            "mean_width": self.mean_width,
        }


@dataclass(frozen=True)
class ReliabilityBin:
    """The stated chances that lie in one bin.

    Attributes:
        stated: mean of the stated chances.
        observed: share of the predictions that came true, with its interval.
        n: number of predictions in the bin.
    """

    stated: float
    observed: Interval
    n: int

    def as_dict(self) -> dict[str, object]:
        """JSON form."""
        observed = self.observed
        return {
            "stated": self.stated,
            "observed": observed.mean,
            "low": observed.low,
            "high": observed.high,
            "n": self.n,
        }


@dataclass(frozen=True)
class Reliability:
    """Comparison of stated chances of meeting the grade with how often the grade was met.

    Attributes:
        bins: the bins of the stated chance that are not empty.
        gap: absolute difference between stated and observed chance, averaged over the bins with
            their numbers as weights; None without data.
    """

    bins: tuple[ReliabilityBin, ...]
    gap: float | None

    def as_dict(self) -> dict[str, object]:
        """JSON form."""
        return {"bins": [b.as_dict() for b in self.bins], "gap": self.gap}


@dataclass(frozen=True)
class PooledCalibration:
    """Calibration of several lines taken together.

    Attributes:
        set_points: number of set-points that were left out and predicted.
        grade, recovery: coverage of each quantity; None where there are no set-points.
        chance_of_grade: reliability of the stated chances of meeting the grade.
    """

    set_points: int
    grade: Coverage | None
    recovery: Coverage | None
    chance_of_grade: Reliability

    def as_dict(self) -> dict[str, object]:
        """JSON form; figures are None where nothing could be judged."""
        unknown = {"coverage": None, "coverage_interval": None, "mean_width": None}
        return {
            "set_points": self.set_points,
            "grade": unknown if self.grade is None else self.grade.as_dict(),
            "recovery": unknown if self.recovery is None else self.recovery.as_dict(),
            "chance_of_grade": self.chance_of_grade.as_dict(),
        }


def pooled(lines: Sequence[Calibration]) -> PooledCalibration:
    """Pools the calibrations of several lines."""
    n = sum(c.points for c in lines)

    def coverage(name: str) -> Coverage | None:
        hits = sum(c.inside[name] for c in lines)
        width = sum(c.points * c.width[name] for c in lines)
        return Coverage(share_interval(hits, n), width / n) if n else None

    return PooledCalibration(
        set_points=n,
        grade=coverage("grade"),
        recovery=coverage("recovery"),
        chance_of_grade=reliability(
            np.concatenate([c.chance for c in lines]) if lines else np.zeros(0),
            np.concatenate([c.met for c in lines]) if lines else np.zeros(0),
        ),
    )


@dataclass(frozen=True)
class NominalCoverage:
    """How often intervals of one nominal coverage held the reading.

    Attributes:
        nominal: coverage that the intervals claim.
        grade, recovery: share of set-points whose reading lay inside, with the interval of the
            share.
    """

    nominal: float
    grade: Interval
    recovery: Interval

    def as_dict(self) -> dict[str, object]:
        """JSON form."""
        shares = {"grade": self.grade.as_dict(), "recovery": self.recovery.as_dict()}
        return {"nominal": self.nominal, **shares}


def coverage_by_level(found: Calibration) -> tuple[NominalCoverage, ...]:
    """The coverage at each of ``LEVELS``; empty without set-points."""
    if not found.points:
        return ()
    shares = {
        name: [share_interval(hits, found.points) for hits in found.covered[name]]
        for name in ("grade", "recovery")
    }
    each = zip(LEVELS, shares["grade"], shares["recovery"], strict=True)
    return tuple(NominalCoverage(*level) for level in each)


def reliability(chance: Floats, met: Floats) -> Reliability:
    """Compares stated chances with how often they came true, in bins of the stated chance.

    Args:
        chance: stated chances, shape (n,).
        met: 1 where the prediction came true and 0 where it did not, shape (n,).
    """
    which = np.digitize(chance, BINS[1:-1])
    bins, gap = [], 0.0
    for k in range(len(BINS) - 1):
        here = which == k
        number = int(here.sum())
        if not number:
            continue
        stated, observed = float(chance[here].mean()), float(met[here].mean())
        gap += number * abs(stated - observed)
        bins.append(ReliabilityBin(stated, share_interval(float(met[here].sum()), number), number))
    return Reliability(tuple(bins), gap / len(chance) if len(chance) else None)
