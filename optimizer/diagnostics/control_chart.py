"""A control chart of daily residuals, which finds days beyond the usual scatter of days.

The chart's constants for samples of n from a normal distribution (ISO 7870-2; Montgomery,
Introduction to Statistical Quality Control, appendix VI) are computed from their definitions: c4 is
the mean of the sample standard deviation, and d2 and d3 are the mean and standard deviation of the
range, all in units of the standard deviation.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import gammaln, ndtr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Limits of a chart, in standard deviations (common practice).
LIMITS = 3.0
# Half width, and number of points, of the grid on which the range is integrated. The normal tail
# beyond 9 standard deviations is below double precision.
REACH, GRID = 9.0, 1801


def c4(n: int) -> float:
    """c4 = E[s]/sigma for samples of n normal values.

    c4 = sqrt(2/(n-1)) Gamma(n/2)/Gamma((n-1)/2), s being the sample standard deviation.

    >>> round(c4(5), 4)
    0.94
    """
    return float(np.sqrt(2.0 / (n - 1)) * np.exp(gammaln(0.5 * n) - gammaln(0.5 * (n - 1))))


@cache
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
    # Half of each cell on the diagonal lies inside the region x < y.
    upper = np.triu(inside, 1).sum() + 0.5 * np.trace(inside)
    second = 2.0 * float(upper) * h * h
    return d2, float(np.sqrt(second - d2 * d2))


def chart_constants(n: int) -> dict[str, float]:
    """Factors of the control charts of means, ranges and standard deviations for samples of n.

    Returns:
        The factors by name. A2 and A3 give the limits of the mean from the mean range and from the
        mean standard deviation; D3 and D4 give the limits of the range, B3 and B4 those of the
        standard deviation; c4, d2 and d3 are the constants described in the module's docstring.
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
    """Which values of a time series lie beyond the limits of its individuals chart, shape (n,).

    The standard deviation is estimated as the mean moving range over d2(2), so that a slow drift or
    a step does not widen the limits. Fewer than three values have no limits.

    Args:
        values: values in order of time, shape (n,).
    """
    if len(values) < 3:
        return np.zeros(len(values), dtype=bool)
    sigma = float(np.mean(np.abs(np.diff(values)))) / range_moments(2)[0]
    return np.asarray(np.abs(values - np.median(values)) > LIMITS * sigma)
