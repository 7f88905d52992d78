"""How the errors of grade, recovery and feed grade of runs belong together.

The three are often computed from the same weighings, assays and counts, so that an error in one of
these is an error in all. Correlations are used throughout, since to first order they are the same
for shares and for the logits of shares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import ArrayLike

from optimizer.errors import InputError
from optimizer.measurement.propagation import FloatArray

CORRELATIONS = (
    "grade_recovery_correlation",
    "grade_feed_correlation",
    "recovery_feed_correlation",
)


@dataclass(frozen=True)
class JointErrors:
    """How the errors of grade, recovery and feed grade of runs belong together.

    Any shapes that broadcast; NaN where something is not known, and the readings are then taken as
    if the errors were independent and the feed grade exact.

    Attributes:
        feed_grade: grade of the feed as it was measured for the run, fraction.
        feed_grade_se: its standard error, fraction; 0 counts as not stated.
        feed_grade_count: particles counted for a feed grade that states no standard error.
        grade_recovery_correlation: correlation of the errors of grade and recovery, -1 to 1.
        grade_feed_correlation, recovery_feed_correlation: correlation of the error of grade, and of
            recovery, with that of the feed grade, -1 to 1.
    """

    feed_grade: ArrayLike = np.nan
    feed_grade_se: ArrayLike = np.nan
    feed_grade_count: ArrayLike = np.nan
    grade_recovery_correlation: ArrayLike = np.nan
    grade_feed_correlation: ArrayLike = np.nan
    recovery_feed_correlation: ArrayLike = np.nan

    @property
    def parts(self) -> tuple[ArrayLike, ...]:
        """The attributes in their order."""
        return tuple(getattr(self, f.name) for f in fields(self))


INDEPENDENT = JointErrors()


def covariances(
    correlations: Sequence[FloatArray],
    grade_variance: FloatArray,
    recovery_variance: FloatArray,
    feed_variance: FloatArray,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Covariances of the logits of grade and recovery, grade and feed, recovery and feed.

    A covariance is 0 where its correlation is NaN, or where a variance is 0 or NaN.

    Args:
        correlations: of the same three pairs, in the same order, each of the shape (n,).
        grade_variance, recovery_variance, feed_variance: variances of the logits, shape (n,).

    Raises:
        InputError: a correlation outside -1 to 1.
    """
    for name, values in zip(CORRELATIONS, correlations, strict=True):
        outside = np.abs(values) > 1.0
        if np.any(outside):
            i = int(np.argmax(outside))
            raise InputError(
                f"{name} of run {i} is {np.ravel(values)[i]:g}, not between -1 and 1.",
                code="measurement-range",
            )
    variances = grade_variance, recovery_variance, feed_variance
    g, r, f = (np.sqrt(np.nan_to_num(v)) for v in variances)
    sizes = g * r, g * f, r * f
    # A correlation with something that has no known error says nothing about the other two.
    known = [
        np.where(s > 0, np.nan_to_num(c), 0.0) for s, c in zip(sizes, correlations, strict=True)
    ]
    g_r, g_f, r_f = (c * s for c, s in zip(possible_correlations(*known), sizes, strict=True))
    return g_r, g_f, r_f


def possible_correlations(
    first: FloatArray, second: FloatArray, third: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The correlations of three errors, shrunk where no three errors can have them together.

    I + t A, with the correlations in A, has no negative eigenvalue as long as t is at most one over
    the size of the most negative eigenvalue of A; t is 1 or this limit.

    Args:
        first, second, third: correlations of errors 1 and 2, 1 and 3, and 2 and 3, -1 to 1, of one
            shape.

    >>> [float(c.round(3)) for c in possible_correlations(*np.array([-1.0, 0.9, -0.8]))]
    [-0.984, 0.885, -0.787]
    """
    together = np.stack(np.broadcast_arrays(first, second, third), axis=-1)
    impossible = excess_correlation(first, second, third) > 0
    if np.any(impossible):
        a, b, c = np.moveaxis(together[impossible], -1, 0)
        none = np.zeros_like(a)
        matrix = np.stack([none, a, b, a, none, c, b, c, none], axis=-1).reshape(-1, 3, 3)
        together[impossible] /= -np.linalg.eigvalsh(matrix)[:, :1]
    a, b, c = np.moveaxis(together, -1, 0)
    return a, b, c


def excess_correlation(first: FloatArray, second: FloatArray, third: FloatArray) -> FloatArray:
    """By how much three correlations, each -1 to 1, fail to belong to three errors.

    Minus the determinant of their matrix; above 0 where no three errors can have them together.
    """
    squares = first * first + second * second + third * third
    return np.asarray(squares - 2.0 * first * second * third - 1.0)
