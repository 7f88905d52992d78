"""Statistics of a weighted least-squares fit at its solution.

`reconcile`, `reconcile_streams` and `fit_partition` all end with residuals r in units of their
standard errors and the slopes J = dr/dθ. From these follow the chi-square and its degrees of
freedom, the standard error of anything computed from θ, which quantities the measurements do not
determine, and which measurement is most likely wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, ndtri

from optimizer.measurement.propagation import BoolArray, FloatArray

# Relative size below which a singular value, a gradient or a redundancy is rounding: about the
# square root of double precision, since rank is judged on slopes at an iterated solution.
NUMERICAL_ZERO = 1e-8
# Share of a gradient along open directions above which the quantity is undetermined; looser than
# rank, since the open directions are themselves known only to about that accuracy.
OPEN_SHARE = 1e-6
# Adjustments that differ relatively by less than this from the largest count as equally large: the
# balances cannot distinguish them.
TIE = 1e-4


@dataclass(frozen=True)
class Closure:
    """How well the measurements close the balances.

    Attributes:
        chi2: Σ (adjustment / standard error)², the minimum reached.
        dof: number of independent balances among the measurements.
        p_value: chance of a chi2 at least as large if all errors are as stated; NaN at dof 0.
        normalized: (n,), size of each adjustment per its own standard error, NaN where the
            balances do not check that measurement.
        critical: value that the largest of them exceeds by chance with the given significance.
        suspects: index of the measurement that is most likely wrong; several when the balances
            cannot distinguish them; empty when none exceeds the critical value.
    """

    chi2: float
    dof: int
    p_value: float
    normalized: FloatArray
    critical: float
    suspects: tuple[int, ...]


class Fit:
    """A least-squares fit at its solution.

    Args:
        slopes: (m, p), derivatives of the residuals.
        residual: (m,), (fitted - measured) / standard error.
    """

    def __init__(self, slopes: FloatArray, residual: FloatArray) -> None:
        size = np.linalg.norm(slopes, axis=0)
        # Parameters differ in unit (kg, fractions): rank is judged with columns of length one.
        self._size = np.where(size > 0, size, 1.0)
        u, s, vt = np.linalg.svd(slopes / self._size, full_matrices=True)
        rank = int(np.sum(s > NUMERICAL_ZERO * s.max(initial=0.0)))
        self._image = u[:, :rank]
        self._inverse = vt[:rank].T / s[:rank]
        self._open = vt[rank:].T
        self.residual = residual
        self.dof = len(residual) - rank
        self.chi2 = float(residual @ residual)

    def step(self) -> FloatArray:
        """The change of θ, shape (p,), that would minimize the squares if residuals were linear."""
        change: FloatArray = -self._inverse @ (self._image.T @ self.residual) / self._size
        return change

    def sensitivity(self, gradient: FloatArray) -> FloatArray:
        """Sensitivity of quantities to each measurement, shape (q, m).

        The unit is one standard error of the measurement. So the squares of a row sum to the
        variance of its quantity, and the products of two rows sum to their covariance.

        Args:
            gradient: derivatives of the q quantities with respect to θ, shape (q, p).
        """
        sensitivity: FloatArray = gradient / self._size @ self._inverse @ self._image.T
        return sensitivity

    def determined(self, gradient: FloatArray) -> BoolArray:
        """Whether the measurements determine each of the quantities, shape (q,).

        Args:
            gradient: derivatives of the q quantities with respect to θ, shape (q, p).
        """
        scaled = gradient / self._size
        open_part = np.linalg.norm(scaled @ self._open, axis=1)
        found: BoolArray = open_part <= OPEN_SHARE * np.linalg.norm(scaled, axis=1)
        return found

    def closure(self, significance: float, transform: FloatArray | None = None) -> Closure:
        """Chi-square test of all balances, and the measurement test of each adjustment.

        With residuals r of covariance I - H (H projects on the slopes), the test statistic of
        measurement i is abs(d_i) / sd(d_i), d = T r; for independent errors this is the adjustment
        divided by its standard error. With k checked measurements, the critical value is the
        two-sided normal one at level 1 - (1 - α)^(1/k), so that the largest of k statistics exceeds
        it by chance with a probability of at most α.

        Args:
            significance: α.
            transform: T, (m, m): the transposed inverse of the factor that made correlated
                residuals independent; None for independent errors.

        Source: R. S. H. Mah and A. C. Tamhane, AIChE J. 28 (1982) 828-830 (from memory).
        """
        m = len(self.residual)
        transform = np.eye(m) if transform is None else transform
        variance = np.square(transform @ (np.eye(m) - self._image @ self._image.T)).sum(axis=1)
        checked = variance > NUMERICAL_ZERO * np.square(transform).sum(axis=1)
        normalized = np.full(m, np.nan)
        size = np.abs(transform @ self.residual)
        normalized[checked] = size[checked] / np.sqrt(variance[checked])
        each = 1.0 - (1.0 - significance) ** (1.0 / max(1, int(checked.sum())))
        critical = float(ndtri(1.0 - each / 2.0))
        largest = normalized[checked].max(initial=0.0)
        tied = checked & (normalized >= largest * (1.0 - TIE)) & (largest > critical)
        p_value = float(chdtrc(self.dof, self.chi2)) if self.dof else float("nan")
        suspects = tuple(int(i) for i in np.flatnonzero(tied))
        return Closure(self.chi2, self.dof, p_value, normalized, critical, suspects)
