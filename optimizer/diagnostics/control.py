"""A control chart of daily residuals: days that stand apart from the usual scatter of days.

The constants of the chart for samples of n from a normal distribution (ISO 7870-2; Montgomery,
Introduction to Statistical Quality Control, appendix VI), from their definitions: c4 is the mean
of the sample standard deviation and d2, d3 the mean and standard deviation of the range, in units
of the standard deviation.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammaln, ndtr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Limits of a chart, in standard deviations (common practice).
LIMITS = 3.0
# Half width and points of the grid on which the range is integrated: the normal beyond 9 standard
# deviations is below double precision.
REACH, GRID = 9.0, 1801


def c4(n: int) -> float:
    """E[s]/sigma of n normal values: sqrt(2/(n-1)) Gamma(n/2)/Gamma((n-1)/2).

    >>> round(c4(5), 4)
    0.94
    """
    return float(np.sqrt(2.0 / (n - 1)) * np.exp(gammaln(0.5 * n) - gammaln(0.5 * (n - 1))))


def range_moments(n: int) -> tuple[float, float]:
    """d2 and d3: mean and standard deviation of the range of n standard normal values.

    E[W] = int 1 - (1 - F)^n - F^n dx, and E[W^2] = 2 int int_{x<y} 1 - F(y)^n - (1 - F(x))^n +
    (F(y) - F(x))^n dx dy (Tippett, Biometrika 17, 1925, 364).

    >>> d2, d3 = range_moments(5)
    >>> round(d2, 3), round(d3, 3)
    (2.326, 0.864)
    """
    x = np.linspace(-REACH, REACH, GRID)
    h, low = x[1] - x[0], ndtr(x)
    high = ndtr(-x)
    d2 = float(np.trapezoid(1.0 - high**n - low**n, x))
    inside = 1.0 - low[None, :] ** n - high[:, None] ** n
    inside += np.clip(low[None, :] - low[:, None], 0.0, None) ** n
    # The integrand is even about the diagonal, where half of each cell counts.
    upper = np.triu(inside, 1).sum() + 0.5 * np.trace(inside)
    second = 2.0 * float(upper) * h * h
    return d2, float(np.sqrt(second - d2 * d2))


def chart_constants(n: int) -> dict[str, float]:
    """Factors of the charts of means, ranges and standard deviations for samples of n.

    A2, A3: limits of the mean by mean range and mean standard deviation; D3, D4 and B3, B4:
    limits of the range and of the standard deviation.
    """
    d2, d3 = range_moments(n)
    c = c4(n)
    r, s = LIMITS * d3 / d2, LIMITS * np.sqrt(1.0 - c * c) / c
    return {
        "A2": LIMITS / (d2 * np.sqrt(n)),
        "A3": LIMITS / (c * np.sqrt(n)),
        "B3": max(0.0, 1.0 - s),
        "B4": 1.0 + s,
        "D3": max(0.0, 1.0 - r),
        "D4": 1.0 + r,
        "c4": c,
        "d2": d2,
        "d3": d3,
    }


def out_of_line(values: Floats) -> NDArray[np.bool_]:
    """Which values of a series in time lie beyond the limits of its individuals chart.

    The scatter is the mean moving range over d2(2), so that a slow drift or a step does not
    widen the limits; shape (n,).
    """
    if len(values) < 3:
        return np.zeros(len(values), dtype=bool)
    sigma = float(np.mean(np.abs(np.diff(values)))) / range_moments(2)[0]
    return np.asarray(np.abs(values - np.median(values)) > LIMITS * sigma)
