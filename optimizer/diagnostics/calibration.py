"""How well the surrogate predicts set-points that were left out.

Three figures: coverage (how often the 90 % interval holds the reading), sharpness (how wide it
is), reliability (whether a stated chance of grade comes true as often as stated). A reading is
compared with a prediction of a reading: the true value's uncertainty, the process noise and the
reading's own error together.
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
DRAWS = 512
# Edges of the chance-of-grade bins.
BINS = np.array([0.0, 0.2, 0.4, 0.6, 0.8, 1.0])


@dataclass(frozen=True)
class Calibration:
    """Leave-one-set-point-out figures of one line.

    Attributes:
        inside: by quantity, how many set-points had their mean reading inside the interval.
        width: by quantity, mean width of the interval of a reading, fraction.
        chance, met: stated chance that a reading meets the grade, and whether it did, (n,).
        points: set-points judged.
    """

    inside: dict[str, int]
    width: dict[str, float]
    chance: Floats
    met: Floats
    points: int


def calibrate(model: LineModel, min_grade: float) -> Calibration:
    """Leaves every set-point out in turn and compares its reading with the prediction.

    Args:
        model: the line.
        min_grade: fraction; the chance of it is what reliability judges.
    """
    e, (points, group) = model.evidence, set_points_of(model)
    m, n = e.measured, len(points)
    count = np.bincount(group, minlength=n)

    def average(values: Floats) -> Floats:
        return np.bincount(group, weights=values[m], minlength=n) / count

    grade, recovery = predicted_readings(
        without_set_point(model),
        average(e.feed_odds),
        average(e.readings.grade_variance) / count,
        average(e.readings.recovery_variance) / count,
        count,
        model.seed,
    )
    inside, width = {}, {}
    for name, draws, read in (
        ("grade", grade, average(e.readings.grade_logit)),
        ("recovery", recovery, average(e.readings.recovery_logit)),
    ):
        low, high = np.quantile(draws, [0.5 * (1 - NOMINAL), 0.5 * (1 + NOMINAL)], axis=0)
        inside[name] = int(np.sum((low <= read) & (read <= high)))
        width[name] = float(np.mean(expit(high) - expit(low)))
    chance = np.mean(expit(grade) >= min_grade, axis=0)
    met = (expit(average(e.readings.grade_logit)) >= min_grade).astype(float)
    return Calibration(inside, width, chance, met, n)


def predicted_readings(
    left: LeftOut,
    feed_odds: Floats,
    grade_variance: Floats,
    recovery_variance: Floats,
    counts: Floats | NDArray[np.int64],
    seed: int,
) -> tuple[Floats, Floats]:
    """Draws of mean readings on the logit scale, each (draws, n).

    Args:
        left: prediction of the true sharpness and balance, (2, n).
        feed_odds: log odds of the feed grade, (n,).
        grade_variance, recovery_variance: known variances of the mean readings, (n,).
        counts: readings behind each mean, (n,).
        seed: of the draws.
    """
    z = ndtri(even_points(DRAWS, 5, np.random.default_rng(seed)))[:, :, None]
    noise = left.noise[:, None] / counts
    off = np.sqrt(left.variance[0]) * z[:, 0]
    S = left.mean[0] + off + np.sqrt(noise[0]) * z[:, 4]
    C = left.mean[1] + left.cut * off + np.sqrt(left.variance[1] + noise[1]) * z[:, 1]
    log_w, log_u = log_expit(0.5 * (C + S)), log_expit(0.5 * (C - S))
    grade = feed_odds + log_w - log_u + np.sqrt(grade_variance) * z[:, 2]
    return grade, 0.5 * (C + S) + np.sqrt(recovery_variance) * z[:, 3]


def share_interval(hits: float, n: int, level: float = 0.9) -> Interval:
    """Share of hits among n with its interval by Jeffreys' rule: quantiles of
    Beta(hits + 1/2, n - hits + 1/2).

    Source: Brown, Cai & DasGupta, Statist. Sci. 16 (2001) 101.

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
    """How often the interval of one quantity held the reading.

    Attributes:
        share: of the set-points, with its interval.
        mean_width: of the interval of a reading, fraction.
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
    """Stated chances that lie in one bin.

    Attributes:
        stated: their mean.
        observed: share of them that came true, with its interval.
        n: how many they are.
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
    """Stated chances of the grade against how often they came true.

    Attributes:
        bins: by the stated chance, those that are not empty.
        gap: mean absolute difference, weighted by number; None without data.
    """

    bins: tuple[ReliabilityBin, ...]
    gap: float | None

    def as_dict(self) -> dict[str, object]:
        """JSON form."""
        return {"bins": [b.as_dict() for b in self.bins], "gap": self.gap}


@dataclass(frozen=True)
class PooledCalibration:
    """The figures of several lines as one.

    Attributes:
        set_points: how many were left out and predicted.
        grade, recovery: None where there are no set-points.
        chance_of_grade: whether stated chances came true.
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
    """The calibration of several lines as one."""
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


def reliability(chance: Floats, met: Floats) -> Reliability:
    """Stated chances against how often they came true, by bins of the stated chance.

    Args:
        chance: stated, shape (n,).
        met: 1 where it came true, 0 where not, shape (n,).
    """
    which = np.clip(np.digitize(chance, BINS[1:-1]), 0, len(BINS) - 2)
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
