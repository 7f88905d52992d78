"""Yields of several outlets from the assays of several components: the n-product formula."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from optimizer.errors import InputError
from optimizer.measurement.propagation import (
    AnyArray,
    FloatArray,
    OnImpossible,
    TextArray,
    jacobian,
    reasons,
    refuse,
    standard_errors,
)

# Above this condition number, outlets differ only in the eighth digit of their assays, and the
# split is not determined.
CONDITION_LIMIT = 1e8


@dataclass(frozen=True)
class Products:
    """n outlets from the assays of n - 1 components.

    Attributes:
        yield_, yield_se: mass of each outlet over that of the feed, shape (..., n).
        recovery, recovery_se: recovery by outlet and component, shape (..., n, k).
        condition: condition number of the system, with each component scaled to its feed assay,
            shape (...).
        reason: why the cell is NaN, shape (...); empty where it is not.
    """

    yield_: FloatArray
    yield_se: FloatArray
    recovery: FloatArray
    recovery_se: FloatArray
    condition: FloatArray
    reason: TextArray


def _pack(feed: ArrayLike, products: ArrayLike, lead: tuple[int, ...], n: int = 0) -> FloatArray:
    """Feed (..., k) and outlets (..., n, k) as one vector (..., k + n k)."""
    a = np.asarray(products, dtype=float)
    n = n or a.shape[-2]
    k = n - 1
    parts = [
        np.broadcast_to(np.asarray(feed, dtype=float), (*lead, k)),
        np.broadcast_to(a, (*lead, n, k)).reshape(*lead, n * k),
    ]
    return np.concatenate(parts, axis=-1)


def _system(x: AnyArray, n: int) -> tuple[AnyArray, AnyArray]:
    """Matrix of the balances of mass and components, and the assays relative to the feed."""
    k = n - 1
    relative = x[..., k:].reshape(*x.shape[:-1], n, k) / x[..., None, :k]
    rows = np.swapaxes(relative, -1, -2)
    return np.concatenate([np.ones_like(rows[..., :1, :]), rows], axis=-2), relative


def _n_product(x: AnyArray, n: int) -> AnyArray:
    system, relative = _system(x, n)
    yields = np.linalg.solve(system, np.ones_like(system[..., :1]))[..., 0]
    recovery = yields[..., None] * relative
    return np.concatenate([yields, recovery.reshape(*x.shape[:-1], -1)], axis=-1)


def _condition(x: FloatArray, n: int) -> FloatArray:
    """Condition number of the balances; infinite without feed assay, NaN with an input missing."""
    with np.errstate(all="ignore"):
        system, _ = _system(x, n)
    broken = np.asarray(~np.isfinite(system).all(axis=(-1, -2)))
    safe = np.where(broken[..., None, None], np.eye(n), system)
    condition = np.where(broken, np.inf, np.linalg.cond(safe))
    return np.where(np.isnan(x).any(axis=-1), np.nan, condition)


def n_product(
    feed: ArrayLike,
    products: ArrayLike,
    *,
    feed_se: ArrayLike = np.nan,
    products_se: ArrayLike = np.nan,
    errors: OnImpossible = "raise",
) -> Products:
    """Yields of n outlets from k = n - 1 assayed components (three products: two components).

    Solves Σ_i Y_i = 1 and Σ_i Y_i a_ij = f_j for j = 1..k; recovery R_ij = Y_i a_ij / f_j.

    Args:
        feed: (..., k), assays of the feed, all above zero.
        products: (..., n, k), assays of the outlets.
        feed_se, products_se: standard errors, broadcast against them.
        errors: as in `two_product`.

    Raises:
        InputError: k is not n - 1, the outlets are too similar, or a yield would lie outside 0 to
            1.

    Source: B. A. Wills and J. A. Finch, Mineral Processing Technology, 8th ed. 2016, chapter 3
    (from memory); for n = 2 the result equals that of `two_product`.

    >>> found = n_product([3.0, 6.0], [[50.0, 8.0], [2.0, 55.0], [0.2, 0.5]])
    >>> (100 * found.yield_).round(4).tolist()
    [5.284, 9.3646, 85.3514]
    """
    a, f = np.asarray(products, dtype=float), np.asarray(feed, dtype=float)
    n, k = a.shape[-2:]
    _refuse_other_shapes(n, k, f.shape[-1])
    lead = np.broadcast_shapes(f.shape[:-1], a.shape[:-2])
    x, se = _pack(f, a, lead), _pack(feed_se, products_se, lead, n)
    condition = _condition(x, n)
    solvable = condition < CONDITION_LIMIT
    # One unsolvable cell would stop the whole batch: solve a harmless one in its place.
    harmless = np.concatenate([np.full(k, 1.0 / n), np.eye(n, k).ravel()])
    x = np.where(solvable[..., None], x, harmless)
    value = _n_product(x, n)
    error = standard_errors(jacobian(lambda z: _n_product(z, n), x), se)
    yields = value[..., :n]
    reason = reasons(
        (np.isnan(condition), ""),
        (~solvable, "the outlets are too similar to determine the split"),
        (((yields < 0) | (yields > 1)).any(axis=-1), "a yield is outside 0 to 1"),
    )
    refuse(reason, errors, {f"yield {i + 1}": yields[..., i] for i in range(n)})
    known = (solvable & (reason == ""))[..., None]
    value, error = np.where(known, value, np.nan), np.where(known, error, np.nan)
    return Products(
        yield_=value[..., :n],
        yield_se=error[..., :n],
        recovery=value[..., n:].reshape(*lead, n, k),
        recovery_se=error[..., n:].reshape(*lead, n, k),
        condition=condition,
        reason=reason,
    )


def _refuse_other_shapes(outlets: int, components: int, feed_components: int) -> None:
    if components != outlets - 1 or feed_components != components:
        raise InputError(
            f"{outlets} outlets need the assays of {outlets - 1} components, got {components} for"
            f" the outlets and {feed_components} for the feed.",
            code="n-product-shape",
            hint="With more components than needed, use reconcile_streams.",
        )
