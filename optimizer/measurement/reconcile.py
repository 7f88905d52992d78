"""Linear reconciliation: the smallest adjustments that make redundant measurements balance."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import null_space, solve_triangular

from optimizer.errors import InputError
from optimizer.measurement.fit_statistics import NUMERICAL_ZERO, Closure, Fit
from optimizer.measurement.propagation import FloatArray

# An entry of an orthonormal basis below this is rounding; it would act as a faint measurement.
ROUNDING = 1e-12
# Default level of the measurement test: common practice.
SIGNIFICANCE = 0.05


@dataclass(frozen=True)
class Reconciled:
    """Balanced values of n variables.

    Attributes:
        values: (n,), adjusted where measured, estimated where not, NaN where balances and
            measurements do not determine the variable.
        se: (n,), standard errors of ``values``; never above those of the measurements.
        covariance: (n, n) of ``values``.
        adjustment: (n,), adjusted minus measured; NaN where not measured.
        closure: tests of the balances, with measurements by their index among the n variables.
    """

    values: FloatArray
    se: FloatArray
    covariance: FloatArray
    adjustment: FloatArray
    closure: Closure

    @property
    def undetermined(self) -> tuple[int, ...]:
        """Indices of the variables that are not determined."""
        return tuple(int(i) for i in np.flatnonzero(np.isnan(self.values)))


def reconcile(
    values: ArrayLike,
    variances: ArrayLike,
    balances: ArrayLike,
    totals: ArrayLike = 0.0,
    *,
    significance: float = SIGNIFICANCE,
) -> Reconciled:
    """Minimize (x̂ - x)ᵀ V⁻¹ (x̂ - x) subject to A x̂ = b.

    If all variables are measured, the solution is x̂ = x - V Aᵀ (A V Aᵀ)⁻¹ (A x - b). Here the
    balances are solved first (x = x₀ + N θ, where N spans the null space of A), and θ is fitted. So
    unmeasured variables, dependent balances and exactly known values are not special cases.

    Args:
        values: (n,), measurements; NaN where not measured.
        variances: (n,) or (n, n); 0 means known exactly. Ignored where not measured.
        balances: (m, n), the matrix A, one balance a row.
        totals: (m,) or a number, the right-hand side b.
        significance: level of the measurement test.

    Raises:
        InputError: shapes disagree, a variance is negative, missing or not positive definite, or
            the balances contradict each other or the exact values.

    Source: S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection, Gulf
    2000, chapter 3 (from memory).

    >>> found = reconcile([100.0, 60.0, 50.0], [1.0, 1.0, 1.0], [[1.0, -1.0, -1.0]])
    >>> found.values.round(4).tolist()
    [103.3333, 56.6667, 46.6667]
    >>> round(found.closure.chi2, 4), found.closure.dof
    (33.3333, 1)
    """
    x, v, a, b = _checked(values, variances, balances, totals)
    measured = np.isfinite(x)
    exact = measured & (np.diag(v) == 0)
    rows = np.vstack([a, np.eye(len(x))[exact]])
    start, free = _solve_balances(rows, np.concatenate([b, x[exact]]))
    used = np.flatnonzero(measured & ~exact)
    whiten = _cholesky(v[np.ix_(used, used)])
    residual = solve_triangular(whiten, (start - np.where(measured, x, 0.0))[used], lower=True)
    slopes = solve_triangular(whiten, free[used], lower=True)
    theta = Fit(slopes, residual).step()
    fit = Fit(slopes, residual + slopes @ theta)
    sensitivity = fit.sensitivity(free)
    open_ = np.where(fit.determined(free), 0.0, np.nan)
    covariance = sensitivity @ sensitivity.T + open_ + open_[:, None]
    adjusted = start + free @ theta + open_
    transform = solve_triangular(whiten, np.eye(len(used)), lower=True).T
    return Reconciled(
        values=adjusted,
        se=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        adjustment=adjusted - x,
        closure=_by_variable(fit.closure(significance, transform), used, len(x)),
    )


def _checked(
    values: ArrayLike, variances: ArrayLike, balances: ArrayLike, totals: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    x, v, a = (np.asarray(part, dtype=float) for part in (values, variances, balances))
    n = len(x)
    if a.ndim != 2 or a.shape[1] != n or v.shape not in {(n,), (n, n)}:
        raise InputError(
            f"{n} values need balances of shape (m, {n}) and variances of shape ({n},) or"
            f" ({n}, {n}); got {a.shape} and {v.shape}.",
            code="reconcile-shape",
        )
    v = np.diag(v) if v.ndim == 1 else v
    bad = np.isinf(x) | (np.isfinite(x) & ~(np.diag(v) >= 0))
    if bad.any():
        i = int(np.argmax(bad))
        raise InputError(
            f"measurement {i} ({x[i]:g}) has variance {v[i, i]:g}; both must be finite"
            " and the variance zero or more.",
            code="reconcile-variance",
            hint="Give its standard error squared, or NaN as its value if it was not measured.",
        )
    return x, v, a, np.broadcast_to(np.asarray(totals, dtype=float), len(a))


def _solve_balances(rows: FloatArray, right: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A solution of the balances, shape (n,), and the directions that they leave free, (n, k)."""
    start: FloatArray = np.linalg.lstsq(rows, right, rcond=None)[0].astype(float)
    _refuse_contradiction(rows, start, right)
    free: FloatArray = null_space(rows)
    free[np.abs(free) < ROUNDING] = 0.0
    return start, free


def _refuse_contradiction(rows: FloatArray, start: FloatArray, right: FloatArray) -> None:
    gap = np.abs(rows @ start - right)
    size = np.abs(rows) @ np.abs(start) + np.abs(right)
    if (gap > NUMERICAL_ZERO * size.max(initial=0.0)).any():
        raise InputError(
            "the balances contradict each other or the values known exactly.",
            code="reconcile-contradiction",
            hint="Give the exact values a variance, or correct the balances.",
        )


def _cholesky(variance: FloatArray) -> FloatArray:
    try:
        return np.asarray(np.linalg.cholesky(variance), dtype=float)
    except np.linalg.LinAlgError:
        raise InputError(
            "the variances of the measurements are not positive definite.",
            code="reconcile-variance",
            hint="A correlation must lie between -1 and 1, and no measurement may repeat another.",
        ) from None


def _by_variable(closure: Closure, used: NDArray[np.intp], n: int) -> Closure:
    normalized = np.full(n, np.nan)
    normalized[used] = closure.normalized
    suspects = tuple(int(used[i]) for i in closure.suspects)
    return replace(closure, normalized=normalized, suspects=suspects)
