"""Separation by density: the partition curve and the concentration criterion."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import least_squares
from scipy.special import erfc, logit, ndtri

from optimizer.errors import InputError
from optimizer.measurement.fit_statistics import Fit
from optimizer.measurement.propagation import AnyArray, FloatArray, TextArray, jacobian, reasons

CurveForm: TypeAlias = Literal["logistic", "gaussian"]

# Both forms pass through 25 and 75 % one probable error from the cut.
LOGISTIC_QUARTILE = float(np.log(3.0))
GAUSSIAN_QUARTILE = float(ndtri(0.75))
# Partition numbers that are nearer than this to 0 or 1 say little about the slope; the first guess,
# which needs logits, clips them.
EDGE = 0.01
TOLERANCE = 1e-12


@dataclass(frozen=True)
class PartitionCurve:
    """Share of the feed that reports to the heavy product, against density.

    Attributes:
        d50: cut density, in the unit of the given densities.
        ep: probable error, (d75 - d25) / 2, in the unit of the given densities.
        form: ``"logistic"`` or ``"gaussian"``.
        d50_se, ep_se: standard errors; NaN where the classes are too coarse to determine them.
        inside: whether the cut lies within the given densities; otherwise it is extrapolated.
    """

    d50: float
    ep: float
    form: CurveForm
    d50_se: float = float("nan")
    ep_se: float = float("nan")
    inside: bool = True

    def partition_number(self, density: ArrayLike) -> FloatArray:
        """Partition numbers at the given densities, shape of ``density``.

        >>> PartitionCurve(1.8, 0.3, "logistic").partition_number([1.5, 1.8, 2.1]).round(4).tolist()
        [0.25, 0.5, 0.75]
        """
        x = np.asarray(density, dtype=float)
        return np.asarray(_curve(np.array([self.d50, self.ep]), x, self.form))


def _curve(theta: AnyArray, density: FloatArray, form: CurveForm) -> AnyArray:
    z = (density - theta[..., :1]) / theta[..., 1:2]
    z = z if theta.ndim > 1 else z.reshape(density.shape)
    with np.errstate(over="ignore"):
        if form == "logistic":
            logistic: AnyArray = 1.0 / (1.0 + np.exp(-LOGISTIC_QUARTILE * z))
            return logistic
        gaussian: AnyArray = 0.5 * erfc(-GAUSSIAN_QUARTILE * z / np.sqrt(2.0))
        return gaussian


def fit_partition(
    density: ArrayLike,
    partition: ArrayLike,
    se: ArrayLike | None = None,
    *,
    form: CurveForm = "logistic",
) -> PartitionCurve:
    """Fit cut density and probable error to partition numbers of density classes.

    Logistic: P = 1 / (1 + exp(-ln 3 (ρ - d50) / Ep)). Gaussian: P = Φ(0.6745 (ρ - d50) / Ep).

    Args:
        density: (n,), mean density of each class, n at least 3.
        partition: (n,), share reporting to the heavy product, 0 to 1. For shares to the light
            product pass 1 minus them.
        se: standard errors of ``partition``; without them all classes have equal weight and the
            errors are estimated from the scatter about the curve.
        form: shape of the curve.

    Raises:
        InputError: fewer than three classes, shares outside 0 to 1, or shares that fall with
            density.

    Source: logistic form with ln 3 as 1.099 from T. J. Napier-Munn, as coded in the public
    repository elphick/geometallurgy; quartile definition of Ep as in ISO 923 (from memory).

    >>> curve = fit_partition([1.2, 1.5, 1.8, 2.1, 2.4], [0.1, 0.25, 0.5, 0.75, 0.9])
    >>> round(curve.d50, 4), round(curve.ep, 4)
    (1.8, 0.3)
    """
    x, p = np.asarray(density, dtype=float), np.asarray(partition, dtype=float)
    start = _first_guess(x, p)
    sigma = np.ones_like(p) if se is None else np.broadcast_to(np.asarray(se, float), p.shape)

    def residual(theta: AnyArray) -> AnyArray:
        difference: AnyArray = (_curve(theta, x, form) - p) / sigma
        return difference

    def slopes(theta: FloatArray) -> FloatArray:
        return jacobian(residual, theta)

    # The lower bound avoids a division by zero; no data can distinguish an Ep below it.
    bounds = ([-np.inf, 1e-5 * float(np.ptp(x))], [np.inf, np.inf])
    options = {"x_scale": "jac", "ftol": TOLERANCE, "xtol": TOLERANCE, "gtol": TOLERANCE}
    theta = least_squares(residual, start, jac=slopes, bounds=bounds, **options).x
    fit = Fit(slopes(theta), residual(theta))
    scatter = fit.chi2 / fit.dof if se is None else 1.0
    errors = np.sqrt(scatter * np.square(fit.sensitivity(np.eye(2))).sum(axis=1))
    d50, ep = map(float, theta)
    # With one class or none on the slope of the curve, any steeper curve fits as well.
    on_slope = np.abs(_curve(theta, x, form) - 0.5) < 0.5 - EDGE
    errors = errors if on_slope.sum() > 1 else np.full(2, np.nan)
    inside = bool(x.min() <= d50 <= x.max())
    return PartitionCurve(d50, ep, form, float(errors[0]), float(errors[1]), inside)


def _first_guess(density: FloatArray, partition: FloatArray) -> FloatArray:
    """Cut and probable error from a straight line through the logits."""
    if density.ndim != 1 or density.shape != partition.shape or len(np.unique(density)) < 3:
        raise InputError(
            f"a partition curve needs at least three density classes, got shapes {density.shape}"
            f" and {partition.shape}.",
            code="partition-shape",
        )
    if not ((partition >= 0) & (partition <= 1)).all():
        raise InputError(
            f"partition numbers are shares from 0 to 1, got {partition.min():g} to"
            f" {partition.max():g}.",
            code="partition-range",
            hint="Divide per cent by 100 and leave out classes without a value.",
        )
    slope, level = np.polyfit(density, logit(np.clip(partition, EDGE, 1.0 - EDGE)), 1)
    if slope <= 0:
        raise InputError(
            "the shares fall as density rises.",
            code="partition-direction",
            hint="These are shares to the light product: pass 1 minus them.",
        )
    return np.array([-level / slope, LOGISTIC_QUARTILE / slope])


def imperfection(ep: ArrayLike, d50: ArrayLike, fluid_density: ArrayLike = 1.0) -> FloatArray:
    """Imperfection I = Ep / (d50 - fluid density).

    In water, with densities in g/cm3, it is Ep / (d50 - 1).

    Source: definition (Belugou's form for water washeries).

    >>> round(float(imperfection(0.3, 1.8)), 4)
    0.375
    """
    e, d, fluid = (np.asarray(part, dtype=float) for part in (ep, d50, fluid_density))
    return np.asarray(e / (d - fluid))


def concentration_criterion(heavy: ArrayLike, light: ArrayLike, fluid: ArrayLike) -> FloatArray:
    """Concentration criterion (ρ_heavy - ρ_fluid) / (ρ_light - ρ_fluid), densities in one unit.

    In air it is the ratio of the densities, since the density of air is negligible.

    Source: A. F. Taggart, Handbook of Mineral Dressing, 1945 (from memory).

    >>> round(float(concentration_criterion(19.3, 2.65, 1.0)), 4)
    11.0909
    """
    h, low, f = (np.asarray(part, dtype=float) for part in (heavy, light, fluid))
    return np.asarray((h - f) / (low - f))


def water_band(criterion: ArrayLike) -> TextArray:
    """Smallest size that gravity separation IN WATER treats at this concentration criterion.

    Not valid for air: the same pair of minerals has a much lower criterion there, and these bands
    were made for water. Handbooks differ on the second band (0.15 or 0.21 mm).

    Source: A. F. Taggart, Handbook of Mineral Dressing, 1945 (from memory).

    >>> str(water_band(2.0))
    'effective to about 0.15 mm'
    """
    cc = np.asarray(criterion, dtype=float)
    return reasons(
        (np.isnan(cc), ""),
        (cc > 2.5, "effective to about 0.075 mm"),
        (cc > 1.75, "effective to about 0.15 mm"),
        (cc > 1.5, "effective to about 1.7 mm"),
        (cc > 1.25, "effective to about 6.35 mm"),
        (np.ones_like(cc, dtype=bool), "not feasible by gravity"),
    )
