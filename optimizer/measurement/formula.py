"""Yield, recovery and grade by formula, from data that exactly determine them.

The data are assays alone (`two_product`; more outlets: `n_product`), weights and assays of feed
and product (`weighed_recovery`), or weights and assays of all outlets (`build_up`). With more data
than needed, use `reconcile_streams`. All assays must have one unit, and all masses must have one
unit. Standard errors are first order, and NaN where the error of an input is unknown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from optimizer.errors import InputError
from optimizer.measurement.propagation import (
    AnyArray,
    BoolArray,
    FloatArray,
    Formula,
    OnImpossible,
    TextArray,
    jacobian,
    packed,
    reasons,
    refuse,
    standard_errors,
)

# An error of 1 % on each assay is then 10 % on the result, and first-order errors begin to fail
# (9.88 by Monte Carlo against 9.80 linear at f 0.90, c 0.99, t 0.80).
AMPLIFICATION_LIMIT = 10.0


@dataclass(frozen=True)
class Split:
    """The split of a feed into a product and a rest; every field has the broadcast shape of inputs.

    Attributes:
        yield_: mass of product per mass of feed.
        recovery: wanted material in the product per wanted material in the feed.
        ratio: ratio of concentration, 1 / yield.
        enrichment: product assay per feed assay.
        yield_se, recovery_se: first-order standard errors.
        yield_amplification, recovery_amplification: relative error of the result divided by the
            relative error of the inputs, if all inputs have equal relative errors.
        ill_conditioned: whether an amplification is above `AMPLIFICATION_LIMIT`, so that the assays
            are too similar to determine yield or recovery.
        upgraded: whether the product is richer than the feed.
        reason: why the inputs of a cell are impossible, so that its results are NaN; empty where
            they are possible.
    """

    yield_: FloatArray
    recovery: FloatArray
    ratio: FloatArray
    enrichment: FloatArray
    yield_se: FloatArray
    recovery_se: FloatArray
    yield_amplification: FloatArray
    recovery_amplification: FloatArray
    ill_conditioned: BoolArray
    upgraded: BoolArray
    reason: TextArray


def _split(
    formula: Formula,
    x: FloatArray,
    se: FloatArray,
    covariance: ArrayLike | None,
    assays: tuple[FloatArray, FloatArray],
    reason: TextArray,
) -> Split:
    feed, product = assays
    with np.errstate(all="ignore"):
        value = np.where((reason == "")[..., None], formula(x), np.nan)
        slopes = jacobian(formula, x)
        error = np.where(np.isnan(value), np.nan, standard_errors(slopes, se, covariance))
        amplification = np.sqrt(np.square(slopes * x[..., None, :]).sum(axis=-1)) / value
        return Split(
            yield_=value[..., 0],
            recovery=value[..., 1],
            ratio=1.0 / value[..., 0],
            enrichment=np.where(reason == "", product / feed, np.nan),
            yield_se=error[..., 0],
            recovery_se=error[..., 1],
            yield_amplification=amplification[..., 0],
            recovery_amplification=amplification[..., 1],
            ill_conditioned=np.any(amplification > AMPLIFICATION_LIMIT, axis=-1),
            upgraded=product > feed,
            reason=reason,
        )


def _two_product(assays: AnyArray) -> AnyArray:
    feed, product, reject = np.moveaxis(assays, -1, 0)
    yield_ = (feed - reject) / (product - reject)
    return np.stack([yield_, yield_ * product / feed], axis=-1)


def two_product(
    feed: ArrayLike,
    product: ArrayLike,
    reject: ArrayLike,
    *,
    feed_se: ArrayLike = np.nan,
    product_se: ArrayLike = np.nan,
    reject_se: ArrayLike = np.nan,
    covariance: ArrayLike | None = None,
    errors: OnImpossible = "raise",
) -> Split:
    """Yield and recovery from three assays f, c, t of feed, product and reject.

    Y = (f - t) / (c - t), R = Y c / f, ratio of concentration 1 / Y, enrichment c / f.

    The feed must lie strictly between the other two. With c < f < t the product is the poorer
    outlet: the results are given and ``upgraded`` is False.

    Args:
        feed, product, reject: assays, any shapes that broadcast.
        feed_se, product_se, reject_se: standard errors of the assays.
        covariance: covariance of feed, product and reject, shape (..., 3, 3), which replaces the
            standard errors; assays from one laboratory batch share part of their error.
        errors: ``"raise"``, or ``"mask"`` to set impossible cells to NaN and give the ``reason``.

    Raises:
        InputError: an assay is negative, or the feed does not lie between product and reject.

    Source: B. A. Wills and J. A. Finch, Mineral Processing Technology, 8th ed. 2016, chapter 3
    (from memory).

    >>> split = two_product(0.9, 0.99, 0.4, feed_se=0.009, product_se=0.0099, reject_se=0.004)
    >>> round(float(split.yield_), 4), round(float(split.recovery), 4)
    (0.8475, 0.9322)
    >>> round(float(split.recovery_se), 5)
    0.00984
    """
    x = packed(feed, product, reject)
    f, c, t = np.moveaxis(x, -1, 0)
    between = ((t < f) & (f < c)) | ((c < f) & (f < t))
    reason = reasons(
        (np.isnan(x).any(axis=-1), ""),
        ((x < 0).any(axis=-1), "an assay is negative"),
        (~between, "the feed assay must lie between those of product and reject"),
    )
    refuse(reason, errors, {"feed": f, "product": c, "reject": t})
    se = packed(feed_se, product_se, reject_se)
    return _split(_two_product, x, se, covariance, (f, c), reason)


def _weighed(x: AnyArray) -> AnyArray:
    feed_mass, feed, product_mass, product = np.moveaxis(x, -1, 0)
    yield_ = product_mass / feed_mass
    return np.stack([yield_, yield_ * product / feed], axis=-1)


def weighed_recovery(
    feed_mass: ArrayLike,
    feed: ArrayLike,
    product_mass: ArrayLike,
    product: ArrayLike,
    *,
    se: Sequence[ArrayLike] = (np.nan, np.nan, np.nan, np.nan),
    covariance: ArrayLike | None = None,
    errors: OnImpossible = "raise",
) -> Split:
    """Yield and recovery from weights and assays of feed (F, f) and product (P, c).

    Y = P / F, R = P c / (F f).

    Args:
        feed_mass, product_mass: masses or mass rates, one unit.
        feed, product: assays, one unit.
        se: standard errors of the first four arguments, in their order.
        covariance: covariance of the first four arguments, shape (..., 4, 4), which replaces the
            standard errors.
        errors: ``"raise"``, or ``"mask"`` to set impossible cells to NaN and give the ``reason``.

    Raises:
        InputError: a value is negative, the mass or assay of the feed is zero, or the product has
            more mass or more wanted material than the feed.

    Source: common practice.

    >>> round(float(weighed_recovery(200.0, 0.10, 50.0, 0.30).recovery), 6)
    0.75
    """
    x = packed(feed_mass, feed, product_mass, product)
    big_f, f, big_p, c = np.moveaxis(x, -1, 0)
    reason = reasons(
        (np.isnan(x).any(axis=-1), ""),
        ((x < 0).any(axis=-1), "a mass or an assay is negative"),
        ((big_f == 0) | (f == 0), "the feed holds nothing to recover"),
        (big_p > big_f, "the product outweighs the feed"),
        (big_p * c > big_f * f, "the product holds more wanted material than was fed"),
    )
    given = {"feed mass": big_f, "feed": f, "product mass": big_p, "product": c}
    refuse(reason, errors, given)
    return _split(_weighed, x, packed(*se), covariance, (f, c), reason)


@dataclass(frozen=True)
class BuiltUp:
    """A feed computed from its n fractions, with standard errors.

    Attributes:
        head: assay of the whole feed, shape (...).
        share: mass of each fraction over that of the feed (its yield), shape (..., n).
        recovery: wanted material of each fraction over that of the feed, shape (..., n).
    """

    head: FloatArray
    head_se: FloatArray
    share: FloatArray
    share_se: FloatArray
    recovery: FloatArray
    recovery_se: FloatArray


def _built_up(x: AnyArray) -> AnyArray:
    mass, assay = np.split(x, 2, axis=-1)
    metal = mass * assay
    total, wanted = mass.sum(axis=-1, keepdims=True), metal.sum(axis=-1, keepdims=True)
    return np.concatenate([wanted / total, mass / total, metal / wanted], axis=-1)


def build_up(
    mass: ArrayLike, assay: ArrayLike, *, mass_se: ArrayLike = np.nan, assay_se: ArrayLike = np.nan
) -> BuiltUp:
    """Head assay, yields and recoveries from the weights and assays of all fractions.

    head = Σ m a / Σ m, share_i = m_i / Σ m, recovery_i = m_i a_i / Σ m a.

    Args:
        mass, assay: masses and assays of the n fractions (outlets of the deck, or size or density
            classes), shape (..., n).
        mass_se, assay_se: standard errors, of any shapes that broadcast with these.

    Raises:
        InputError: a mass or an assay is negative.

    Source: common practice.

    >>> built = build_up([9.3, 90.7], [18.52, 0.15])
    >>> round(float(built.head), 4), built.recovery.round(4).tolist()
    (1.8584, [0.9268, 0.0732])
    """
    masses, assays, m_se, a_se = np.broadcast_arrays(
        *(np.asarray(part, dtype=float) for part in (mass, assay, mass_se, assay_se))
    )
    if np.any(masses < 0) or np.any(assays < 0):
        raise InputError(
            f"a mass or an assay is negative: masses {masses.tolist()}, assays {assays.tolist()}.",
            code="negative-measurement",
            hint="Weights and assays start at zero.",
        )
    x = np.concatenate([masses, assays], axis=-1)
    with np.errstate(all="ignore"):
        value = _built_up(x)
        error = standard_errors(jacobian(_built_up, x), np.concatenate([m_se, a_se], axis=-1))
    n = masses.shape[-1]
    return BuiltUp(
        head=value[..., 0],
        head_se=error[..., 0],
        share=value[..., 1 : n + 1],
        share_se=error[..., 1 : n + 1],
        recovery=value[..., n + 1 :],
        recovery_se=error[..., n + 1 :],
    )
