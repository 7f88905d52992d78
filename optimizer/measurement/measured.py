"""Standard errors of the grade and recovery of runs, for the surrogate to take as known noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from optimizer.errors import InputError
from optimizer.measurement.counting import HALF, counted_se, logit_moments
from optimizer.measurement.propagation import FloatArray, packed

# Particles taken to stand behind a reading of which nothing is known, so that its logit is finite.
# Fewer than the 2,500 seeds of a purity test (common practice), so that 100 % is not read as more
# than it is; enough to move a reading of 98 % by less than 0.01 in logit.
ASSUMED_COUNT = 1000.0
# The start is within a factor of about 1.5 of the root of a convex cubic; Newton does the rest.
NEWTON_STEPS = 12


@dataclass(frozen=True)
class MeasuredErrors:
    """Errors of n runs; NaN where nothing is known.

    Attributes:
        grade_se, recovery_se: on the fraction scale.
        grade_logit, recovery_logit: the readings on the logit scale, finite also at 0 and 1.
        grade_logit_var, recovery_logit_var: their variances, the known noise.
        counted: whether a grade is a count's and its standard error follows from that.
    """

    grade_se: FloatArray
    recovery_se: FloatArray
    grade_logit: FloatArray
    recovery_logit: FloatArray
    grade_logit_var: FloatArray
    recovery_logit_var: FloatArray
    counted: NDArray[np.bool_]


def measured_errors(
    grade: ArrayLike,
    recovery: ArrayLike,
    grade_se: ArrayLike = np.nan,
    recovery_se: ArrayLike = np.nan,
    grade_count: ArrayLike = np.nan,
) -> MeasuredErrors:
    """Standard errors and logit-scale readings and variances of grades and recoveries.

    Every reading is put on one footing, as if counted: k = p n wanted of n particles, read with
    half a particle added to either kind (`logit_moments`). What n is:

    1. a standard error is stated: the count that would have had it (`equivalent_count`);
    2. else a count is given (grade only): that count;
    3. neither: `ASSUMED_COUNT` for the logit alone. The standard error is NaN, and so is the
       variance, except for a reading of exactly 0 or 1, which gets the variance of that count:
       such a reading says little about the logit, and an estimated noise would trust it.

    Args:
        grade, recovery: fractions, any shapes that broadcast; NaN where missing.
        grade_se, recovery_se: standard errors as fractions; NaN or 0 where not stated.
        grade_count: particles counted for the grade; NaN or 0 where not counted.

    Raises:
        InputError: a grade or recovery outside 0 to 1, or an error or count below 0.

    Source: as `counted_se` and `logit_moments`.

    >>> found = measured_errors([0.98, 1.0], [0.90, np.nan], recovery_se=0.02, grade_count=500)
    >>> found.grade_se.round(5).tolist(), found.grade_logit_var.round(3).tolist()
    ([0.00639, 0.00141], [0.102, 4.937])
    """
    g, r, g_se, r_se, count = np.moveaxis(
        packed(grade, recovery, grade_se, recovery_se, grade_count), -1, 0
    )
    _refuse_outside(grade=(g, 1.0), recovery=(r, 1.0), grade_se=(g_se, np.inf))
    _refuse_outside(recovery_se=(r_se, np.inf), grade_count=(count, np.inf))
    grade_part = _reading(g, g_se, count)
    recovery_part = _reading(r, r_se, np.full_like(r, np.nan))
    counted = ~(g_se > 0) & (count > 0)
    (g_error, g_logit, g_variance), (r_error, r_logit, r_variance) = grade_part, recovery_part
    return MeasuredErrors(g_error, r_error, g_logit, r_logit, g_variance, r_variance, counted)


def _reading(
    p: FloatArray, se: FloatArray, count: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Standard error, logit and its variance, by the rules of `measured_errors`."""
    stated = se > 0
    counted = ~stated & (count > 0)
    n = np.where(counted, count, float(ASSUMED_COUNT))
    n[stated] = equivalent_count(p[stated], se[stated])
    logit, variance = logit_moments(p * n, n)
    error = np.where(stated, se, np.where(counted, counted_se(p, n), np.nan))
    known = stated | counted | (p == 0) | (p == 1)
    missing = np.isnan(p)
    return np.where(missing, np.nan, error), logit, np.where(known, variance, np.nan)


def equivalent_count(share: ArrayLike, se: ArrayLike) -> FloatArray:
    """Particles whose count would have this standard error: `counted_se` solved for n.

    About p (1 - p) / se² in the middle and 0.7 / se at the ends; 0 when the error is larger than
    knowing nothing (√(1/8)). With p q = p (1 - p): se² (n + 1)² (n + 2) = p q n² + n / 2 + 1 / 4.

    Args:
        share: fraction.
        se: its standard error, above 0.

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


def _refuse_outside(**columns: tuple[FloatArray, float]) -> None:
    for name, (values, high) in columns.items():
        outside = (values < 0) | (values > high)
        if np.any(outside):
            i = int(np.argmax(outside))
            raise InputError(
                f"{name} of run {i} is {np.ravel(values)[i]:g}, not between 0 and {high:g}.",
                code="measurement-range",
                hint="Grades and recoveries are fractions: 97.2 % is 0.972.",
            )
