"""Indices of the separation of a deck, from grade, recovery and feed grade.

A wanted particle reaches the product with probability p_w and an unwanted one with p_u. With the
feed grade f, the pair p_w, p_u determines grade and recovery, and the other way round. Sharpness
(the difference of their logits) and balance (the sum) are that pair on unbounded scales.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import expit, logit

from optimizer.measurement.propagation import (
    FloatArray,
    OnImpossible,
    TextArray,
    packed,
    reasons,
    refuse,
)


def _waste_recovery(
    recovery: FloatArray, grade: FloatArray, feed_grade: FloatArray, pure: float
) -> FloatArray:
    """Unwanted material in the product per unwanted material in the feed: Y (m - c) / (m - f)."""
    with np.errstate(all="ignore"):
        yield_ = recovery * feed_grade / grade
        waste: FloatArray = yield_ * (pure - grade) / (pure - feed_grade)
    return waste


def separation_efficiency(
    recovery: ArrayLike, grade: ArrayLike, feed_grade: ArrayLike, pure: float = 1.0
) -> FloatArray:
    """Wanted minus unwanted material recovered in the product: SE = R - Rg.

    Args:
        recovery: R, fraction.
        grade, feed_grade: c and f, in the unit of ``pure``.
        pure: m, assay of the pure wanted material (1 when grades are fractions of it).

    Returns:
        Fraction: 1 for a perfect separation, 0 where the feed is split without separation.

    Source: N. F. Schulz, Trans. SME-AIME 247 (1970) 81-87.

    >>> round(float(separation_efficiency(0.62, 63.0, 1.0, pure=78.6)), 5)
    0.61802
    """
    r, c, f = np.moveaxis(packed(recovery, grade, feed_grade), -1, 0)
    return np.asarray(r - _waste_recovery(r, c, f, pure))


def schulz_efficiency(
    yield_: ArrayLike, grade: ArrayLike, feed_grade: ArrayLike, pure: float = 1.0
) -> FloatArray:
    """Separation efficiency from the yield C: SE = C m (c - f) / ((m - f) f).

    Args:
        yield_: C, mass of product over mass of feed, fraction.
        grade, feed_grade: c and f, in the unit of ``pure``.
        pure: m, assay of the pure wanted material (1 when grades are fractions of it).

    Source: N. F. Schulz, Trans. SME-AIME 247 (1970) 81-87.

    >>> round(float(schulz_efficiency(0.25, 0.30, 0.10, pure=0.70)), 5)
    0.58333
    """
    y, c, f = np.moveaxis(packed(yield_, grade, feed_grade), -1, 0)
    efficiency: FloatArray = y * pure * (c - f) / ((pure - f) * f)
    return efficiency


def product_index(
    recovery: ArrayLike, grade: ArrayLike, feed_grade: ArrayLike, pure: float = 1.0
) -> FloatArray:
    """Recovery of wanted times rejection of unwanted material: R (1 - Rg).

    Papers on seed often report this product. It is not the separation efficiency: the two indices
    rank settings differently, so never compare one with the other.

    Args:
        recovery: R, fraction.
        grade, feed_grade: c and f, in the unit of ``pure``.
        pure: m, assay of the pure wanted material (1 when grades are fractions of it).

    >>> round(float(product_index(0.6, 0.30, 0.10)), 5)
    0.50667
    """
    r, c, f = np.moveaxis(packed(recovery, grade, feed_grade), -1, 0)
    return np.asarray(r * (1.0 - _waste_recovery(r, c, f, pure)))


def implied_reject(
    grade: ArrayLike, recovery: ArrayLike, feed_grade: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Yield R f / c and grade of the reject that a reported grade and recovery imply.

    A yield or a reject grade outside 0 to 1 proves that the reported values are wrong. Such values
    are not refused here, so that the caller can say which value is impossible.

    Args:
        grade, recovery, feed_grade: fractions.

    Returns:
        (yield, reject grade), fractions of the broadcast shape.

    >>> y, t = implied_reject(0.37, 0.6701, 0.1986)
    >>> round(float(y), 4), round(float(t), 4)
    (0.3597, 0.1023)
    """
    c, r, f = np.moveaxis(packed(grade, recovery, feed_grade), -1, 0)
    with np.errstate(all="ignore"):
        yield_ = r * f / c
        reject = f * (1.0 - r) / (1.0 - yield_)
    return yield_, reject


@dataclass(frozen=True)
class Partition:
    """The two partition numbers, and their unbounded coordinates.

    Attributes:
        p_wanted, p_unwanted: chance that a wanted or unwanted particle reaches the product.
        sharpness: logit p_wanted - logit p_unwanted; 0 when nothing is separated.
        balance: logit p_wanted + logit p_unwanted; 0 when the share of wanted particles lost equals
            the share of unwanted particles in the product.
        reason: why the cell is NaN; empty where it is not.
    """

    p_wanted: FloatArray
    p_unwanted: FloatArray
    sharpness: FloatArray
    balance: FloatArray
    reason: TextArray


def partition_numbers(
    grade: ArrayLike,
    recovery: ArrayLike,
    feed_grade: ArrayLike,
    *,
    errors: OnImpossible = "raise",
) -> Partition:
    """Partition numbers from grade g, recovery R and feed grade f, all fractions.

    p_wanted = R, p_unwanted = R f (1 - g) / (g (1 - f)).

    Args:
        grade, recovery, feed_grade: any shapes that broadcast.
        errors: ``"raise"``, or ``"mask"`` to set impossible cells to NaN with a reason.

    Returns:
        Sharpness and balance are infinite where a partition number is exactly 0 or 1.

    Raises:
        InputError: a value is outside 0 to 1, the feed is pure or empty, or more unwanted material
            would be in the product than was fed.

    Source: definition.

    >>> found = partition_numbers(0.98, 0.95, 0.90)
    >>> round(float(found.p_unwanted), 5), round(float(found.sharpness), 4)
    (0.17449, 4.4986)
    """
    x = packed(grade, recovery, feed_grade)
    g, r, f = np.moveaxis(x, -1, 0)
    p_u = _waste_recovery(r, g, f, 1.0)
    reason = reasons(
        (np.isnan(x).any(axis=-1), ""),
        (((x < 0) | (x > 1)).any(axis=-1), "grade, recovery and feed grade are fractions, 0 to 1"),
        ((f == 0) | (f == 1), "the feed must hold both wanted and unwanted material"),
        (g == 0, "a product of grade 0 recovers nothing"),
        (p_u > 1, "the product holds more unwanted material than was fed"),
    )
    refuse(reason, errors, {"grade": g, "recovery": r, "feed grade": f})
    p_u = np.where(reason == "", p_u, np.nan)
    p_w = np.where((reason == "") & ~np.isnan(p_u), r, np.nan)
    sharpness, balance = sharpness_balance(p_w, p_u)
    return Partition(p_w, p_u, sharpness, balance, reason)


def sharpness_balance(p_wanted: ArrayLike, p_unwanted: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """S = logit p_w - logit p_u and C = logit p_w + logit p_u.

    Infinite at partition numbers of 0 and 1, and NaN where two infinities cancel.

    >>> s, c = sharpness_balance(0.9, 0.1)
    >>> round(float(s), 4), round(float(c), 4)
    (4.3944, 0.0)
    """
    a, b = logit(np.asarray(p_wanted, dtype=float)), logit(np.asarray(p_unwanted, dtype=float))
    with np.errstate(invalid="ignore"):
        return a - b, a + b


def grade_recovery(
    sharpness: ArrayLike, balance: ArrayLike, feed_grade: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Grade and recovery of sharpness and balance, for a feed of grade f.

    R = p_w = 1 / (1 + exp(-(C + S) / 2)); logit g = logit f + log p_w - log p_u.

    Args:
        sharpness, balance: any real numbers, infinities included.
        feed_grade: fraction, strictly between 0 and 1.

    Returns:
        (grade, recovery), fractions; grade is NaN where nothing reaches the product.

    >>> g, r = grade_recovery(4.498844, 1.390034, 0.90)
    >>> round(float(g), 4), round(float(r), 4)
    (0.98, 0.95)
    """
    s, c, f = np.moveaxis(packed(sharpness, balance, feed_grade), -1, 0)
    p_w, p_u = expit((c + s) / 2.0), expit((c - s) / 2.0)
    with np.errstate(all="ignore"):
        grade = f * p_w / (f * p_w + (1.0 - f) * p_u)
    return grade, p_w
