"""Readings of runs with the covariance of their errors, as fractions and on the logit scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import expit

from optimizer.errors import InputError
from optimizer.measurement.counting import (
    HALF,
    counted_se,
    logit_moments,
    logit_reading,
    logit_reading_of,
)
from optimizer.measurement.joint_errors import INDEPENDENT, JointErrors, covariances
from optimizer.measurement.propagation import FloatArray, packed

# Particles assumed to be counted for a reading whose error is unknown, so that its logit is finite.
# Fewer than the 2,500 seeds of a purity test (common practice), so that 100 % is not overrated;
# enough to change the logit of 98 % by less than 0.01.
ASSUMED_COUNT = 1000.0
# The start is within a factor of about 1.5 of the root of a convex cubic, so the steps converge.
NEWTON_STEPS = 12
# Above this share of readings with a stated error, the others are taken to have the same error.
MOSTLY_STATED = 0.5
# Logits of readings are clipped to this size.
LARGEST_LOGIT = 9.0


@dataclass(frozen=True)
class RunReadings:
    """Readings of grade and recovery of n runs, with everything known about their errors.

    Each array has shape (n,), or another shape common to all, and NaN where nothing is known; the
    covariances and the variance of the feed are 0 there. Only this class computes the logits, the
    variances and the covariances to which a surrogate is fitted: from the reading itself
    (``from_shares``) or given an expected logit (``given``).

    The covariance matrix of the logits of grade, recovery and feed grade of a run has no negative
    eigenvalue beyond rounding. It may be singular: where a balance has no measurement to spare,
    one of the three follows from the other two.

    Attributes:
        grade, recovery: readings as fractions.
        grade_se, recovery_se: standard errors as fractions, as stated, or computed from the count.
        grade_count: particles counted for a grade that states no standard error.
        grade_logit, recovery_logit: the readings on the logit scale, finite also at 0 and 1.
        grade_variance, recovery_variance: known variances of the logits.
        grade_recovery_covariance: covariance of the errors of the two logits.
        feed_variance: variance of the error of the log odds of the run's feed grade.
        grade_feed_covariance, recovery_feed_covariance: covariances of the error of the logit of
            the grade, and of the recovery, with that of the log odds of the feed grade.
    """

    grade: FloatArray
    recovery: FloatArray
    grade_se: FloatArray
    recovery_se: FloatArray
    grade_count: FloatArray
    grade_logit: FloatArray
    recovery_logit: FloatArray
    grade_variance: FloatArray
    recovery_variance: FloatArray
    grade_recovery_covariance: FloatArray
    feed_variance: FloatArray
    grade_feed_covariance: FloatArray
    recovery_feed_covariance: FloatArray

    @classmethod
    def from_shares(
        cls,
        grade: ArrayLike,
        recovery: ArrayLike,
        grade_se: ArrayLike = np.nan,
        recovery_se: ArrayLike = np.nan,
        grade_count: ArrayLike = np.nan,
        joint: JointErrors = INDEPENDENT,
    ) -> RunReadings:
        """Readings that are stated as fractions, with their stated errors.

        Every reading is treated as if it were a count: k = p n wanted of n particles, with half a
        particle added to either kind (`logit_moments`). The number n is

        1. if a standard error is stated, the count that has this error (`equivalent_count`);
        2. otherwise, if a count is given (grade only), that count;
        3. otherwise `ASSUMED_COUNT`, for the logit only. Standard error and variance are then NaN,
           except that a reading of exactly 0 or 1 gets the variance of that count: such a reading
           says little about the logit, and the estimated noise would give it too much weight.

        The variance of the feed is found in the same way, from its own error or count.

        To first order a correlation is the same for shares and for their logits, since a logit
        rises with its share. So a covariance is the correlation times the standard deviations of
        both logits. Where the variance of either is not known, the covariance is 0. Correlations
        that no three errors can have together, as after rounding, are shrunk by the factor with
        which they become possible (`possible_correlations`).

        Args:
            grade, recovery: fractions, any shapes that broadcast; NaN where missing.
            grade_se, recovery_se: standard errors as fractions; NaN or 0 where not stated.
            grade_count: particles counted for the grade; NaN or 0 where not counted.
            joint: the error of the feed grade, and the correlations.

        Raises:
            InputError: a grade, recovery or feed grade outside 0 to 1, an error or count below 0,
                or a correlation outside -1 to 1.

        Source: as `counted_se` and `logit_moments`; first-order propagation as in
        NIST/SEMATECH e-Handbook of Statistical Methods, 2.5.5.

        >>> found = RunReadings.from_shares([0.98, 1.0], [0.9, np.nan], grade_count=500)
        >>> found.grade_se.round(5).tolist(), found.grade_variance.round(3).tolist()
        ([0.00639, 0.00141], [0.102, 4.937])
        """
        parts = packed(grade, recovery, grade_se, recovery_se, grade_count, *joint.parts)
        g, r, g_se, r_se, count, f, f_se, f_count, *correlations = np.moveaxis(parts, -1, 0)
        _refuse_outside(1.0, grade=g, recovery=r, feed_grade=f)
        _refuse_outside(np.inf, grade_se=g_se, recovery_se=r_se, feed_grade_se=f_se)
        _refuse_outside(np.inf, grade_count=count, feed_grade_count=f_count)
        g_error, g_logit, g_variance = share_reading(g, g_se, count)
        r_error, r_logit, r_variance = share_reading(r, r_se, np.full_like(r, np.nan))
        f_error, _, f_variance = share_reading(f, f_se, f_count)
        counted = np.where(~(g_se > 0) & (count > 0), count, np.nan)
        readings = g, r, g_error, r_error, counted, g_logit, r_logit, g_variance, r_variance
        feed_variance = np.where(np.isfinite(f_error), f_variance, 0.0)
        g_r, g_f, r_f = covariances(correlations, g_variance, r_variance, feed_variance)
        return cls(*readings, g_r, feed_variance, g_f, r_f)

    @classmethod
    def from_logits(
        cls,
        grade_logit: ArrayLike,
        recovery_logit: ArrayLike,
        grade_variance: ArrayLike = 0.0,
        recovery_variance: ArrayLike = 0.0,
        grade_recovery_covariance: ArrayLike = 0.0,
        feed_variance: ArrayLike = 0.0,
        grade_feed_covariance: ArrayLike = 0.0,
        recovery_feed_covariance: ArrayLike = 0.0,
    ) -> RunReadings:
        """Readings, variances and covariances that are stated on the logit scale.

        The arguments may have any shapes that broadcast. ``given`` does not change such readings.
        """
        variances = grade_variance, recovery_variance
        feed = feed_variance, grade_feed_covariance, recovery_feed_covariance
        stated = packed(grade_logit, recovery_logit, *variances, grade_recovery_covariance, *feed)
        g, r, *errors = np.moveaxis(stated, -1, 0)
        unknown = np.full_like(g, np.nan)
        return cls(expit(g), expit(r), unknown, unknown, unknown, g, r, *errors)

    @classmethod
    def joined(cls, parts: Sequence[RunReadings]) -> RunReadings:
        """Joins the readings of several sets of runs, one set after the other."""
        names = [f.name for f in fields(cls)]
        return cls(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))

    def take(self, rows: NDArray[np.bool_]) -> RunReadings:
        """The readings of the runs for which the mask ``rows``, shape (n,), is True."""
        return RunReadings(*(getattr(self, f.name)[rows] for f in fields(self)))

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Whether each run has both readings, shape (n,)."""
        return np.isfinite(self.grade_logit) & np.isfinite(self.recovery_logit)

    @property
    def outcome_errors(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Variances of the errors of the logits of grade and recovery, and their covariance, when
        they are compared with a prediction for the measured feed grade; each (n,).

        Such a prediction of the grade has the error of the log odds of the feed grade.
        """
        both = self.grade_recovery_covariance - self.recovery_feed_covariance
        grade = self.grade_variance + self.feed_variance - 2.0 * self.grade_feed_covariance
        return grade, self.recovery_variance, both

    def with_usual_errors(self) -> RunReadings:
        """Fills in a variance for every reading that has none.

        If most readings state their error, the others get the median of the stated variances.
        Otherwise the others get 0, and the estimated noise includes all of their scatter, since a
        few readings do not say how precise the rest are. The variance of a reading of exactly 0 or
        1 says nothing about other readings and is not part of the median. A reading that gets its
        variance here keeps covariances of 0, and no feed grade gets an error.
        """
        return replace(
            self,
            grade_variance=usual_variance(self.grade, self.grade_variance, self.grade_se),
            recovery_variance=usual_variance(
                self.recovery, self.recovery_variance, self.recovery_se
            ),
        )

    def with_exact_feed(self) -> RunReadings:
        """The readings taken with a feed grade that is stated or guessed instead of measured."""
        none = np.zeros_like(self.feed_variance)
        return replace(
            self, feed_variance=none, grade_feed_covariance=none, recovery_feed_covariance=none
        )

    def given(self, grade_logit: FloatArray, recovery_logit: FloatArray) -> RunReadings:
        """Computes logits and variances again, given the logits that a model expects.

        The variance that is computed from a reading itself is correlated with the error of the
        reading; the variance given an expected logit is not (`logit_reading`). Readings without a
        known error are not changed. All logits are clipped to `LARGEST_LOGIT`. The correlations
        stay the same, so that each covariance grows with the standard deviations of its two logits;
        the variance of the feed stays the same, too.

        Args:
            grade_logit, recovery_logit: expected logits, shape (n,).
        """
        grade_logit, recovery_logit = clip_logit(grade_logit), clip_logit(recovery_logit)
        grade, recovery = np.array(self.grade_logit), np.array(self.recovery_logit)
        g_variance, r_variance = np.array(self.grade_variance), np.array(self.recovery_variance)
        k = self.grade_count > 0
        n = self.grade_count[k]
        grade[k], g_variance[k] = logit_reading(self.grade[k] * n, n, grade_logit[k])
        k = ~k & (self.grade_se > 0)
        grade[k], g_variance[k] = logit_reading_of(self.grade[k], self.grade_se[k], grade_logit[k])
        k = self.recovery_se > 0
        recovery[k], r_variance[k] = logit_reading_of(
            self.recovery[k], self.recovery_se[k], recovery_logit[k]
        )
        g_growth = _growth(self.grade_variance, g_variance)
        r_growth = _growth(self.recovery_variance, r_variance)
        return replace(
            self,
            grade_logit=clip_logit(grade),
            recovery_logit=clip_logit(recovery),
            grade_variance=g_variance,
            recovery_variance=r_variance,
            grade_recovery_covariance=self.grade_recovery_covariance * g_growth * r_growth,
            grade_feed_covariance=self.grade_feed_covariance * g_growth,
            recovery_feed_covariance=self.recovery_feed_covariance * r_growth,
        )


def clip_logit(logits: FloatArray) -> FloatArray:
    """Clips logits to +-`LARGEST_LOGIT`; the shape stays the same."""
    return np.clip(logits, -LARGEST_LOGIT, LARGEST_LOGIT)


def usual_variance(reading: FloatArray, variance: FloatArray, se: FloatArray) -> FloatArray:
    """Fills in unknown variances, shape (n,), as ``with_usual_errors`` describes."""
    stated = np.isfinite(se)
    most = stated.sum() > MOSTLY_STATED * np.isfinite(reading).sum()
    usual = float(np.median(variance[stated])) if most else 0.0
    return np.where(np.isfinite(variance), variance, usual)


def share_reading(
    p: FloatArray, se: FloatArray, count: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Standard error, logit and variance of the logit, as in `RunReadings.from_shares`."""
    stated = se > 0
    counted = ~stated & (count > 0)
    n = np.where(counted, count, float(ASSUMED_COUNT))
    n[stated] = equivalent_count(p[stated], se[stated])
    logit, variance = logit_moments(p * n, n)
    error = np.where(stated, se, np.where(counted, counted_se(p, n), np.nan))
    known = stated | counted | (p == 0) | (p == 1)
    missing = np.isnan(p)
    return np.where(missing, np.nan, error), logit, np.where(known, variance, np.nan)


def _growth(before: FloatArray, after: FloatArray) -> FloatArray:
    """Ratio of two standard deviations, given the variances; 1 where the first is 0 or unknown."""
    known = before > 0
    return np.sqrt(np.where(known, after, 1.0) / np.where(known, before, 1.0))


def equivalent_count(share: ArrayLike, se: ArrayLike) -> FloatArray:
    """Number of particles whose count has the given standard error: `counted_se` solved for n.

    The number is about p (1 - p) / se² in the middle and 0.7 / se at the ends. It is 0 when the
    error is larger than that of a count of no particle, √(1/8). With q = 1 - p, it solves
    se² (n + 1)² (n + 2) = p q n² + n / 2 + 1 / 4.

    Args:
        share: p, fraction.
        se: standard error of the share, above 0.

    >>> round(float(equivalent_count(0.9, 0.01))), round(float(equivalent_count(1.0, 0.01)))
    (902, 69)
    """
    p, s = np.moveaxis(packed(share, se), -1, 0)
    spread, variance = p * (1.0 - p), np.square(s)
    n = spread / variance + 1.0 / s + HALF
    for _ in range(NEWTON_STEPS):
        excess = variance * (n + 1.0) ** 2 * (n + 2.0) - (spread * n + HALF) * n - HALF**2
        slope = variance * (n + 1.0) * (3.0 * n + 5.0) - 2.0 * spread * n - HALF
        n = n - excess / slope
    return np.asarray(np.maximum(n, 0.0))


def _refuse_outside(high: float, **columns: FloatArray) -> None:
    """Refuses values below 0 or above ``high``."""
    for name, values in columns.items():
        outside = (values < 0) | (values > high)
        if np.any(outside):
            i = int(np.argmax(outside))
            raise InputError(
                f"{name} of run {i} is {np.ravel(values)[i]:g}, not between 0 and {high:g}.",
                code="measurement-range",
                hint="Grades and recoveries are fractions: 97.2 % is 0.972.",
            )
