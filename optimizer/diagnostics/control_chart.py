"""A control chart of daily residuals, which finds days beyond the usual scatter of days.

The chart's constants for samples of n from a normal distribution (ISO 7870-2; Montgomery,
Introduction to Statistical Quality Control, appendix VI) are computed from their definitions: c4 is
the mean of the sample standard deviation, and d2 and d3 are the mean and standard deviation of the
range, all in units of the standard deviation.
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


def mean_range(n: int) -> float:
    """d2: mean of the range of n standard normal values.

    E[W] = int 1 - (1 - F)^n - F^n dx (Tippett, Biometrika 17, 1925, 364).

    >>> round(mean_range(5), 3)
    2.326
    """
    x = np.linspace(-REACH, REACH, GRID)
    return float(np.trapezoid(1.0 - ndtr(-x) ** n - ndtr(x) ** n, x))


def sd_of_range(n: int) -> float:
    """d3: standard deviation of the range of n standard normal values.

    E[W^2] = 2 int int_{x<y} 1 - F(y)^n - (1 - F(x))^n + (F(y) - F(x))^n dx dy (Tippett,
    Biometrika 17, 1925, 364).

    >>> round(sd_of_range(5), 3)
    0.864
    """
    x = np.linspace(-REACH, REACH, GRID)
    h, low, high = x[1] - x[0], ndtr(x), ndtr(-x)
    inside = 1.0 - low[None, :] ** n - high[:, None] ** n
    inside += np.clip(low[None, :] - low[:, None], 0.0, None) ** n
    # Half of each cell on the diagonal lies inside the region x < y.
    upper = np.triu(inside, 1).sum() + 0.5 * np.trace(inside)
    return float(np.sqrt(2.0 * float(upper) * h * h - mean_range(n) ** 2))


def chart_constants(n: int) -> dict[str, float]:
    """Factors of the control charts of means, ranges and standard deviations for samples of n.

    Returns:
        The factors by name. A2 and A3 give the limits of the mean from the mean range and from the
        mean standard deviation; D3 and D4 give the limits of the range, B3 and B4 those of the
        standard deviation; c4, d2 and d3 are the constants described in the module's docstring.
    """
    d2, d3 = mean_range(n), sd_of_range(n)
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
    sigma = float(np.mean(np.abs(np.diff(values)))) / mean_range(2)
    return np.asarray(np.abs(values - np.median(values)) > LIMITS * sigma)
