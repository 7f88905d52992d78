"""Errors that are correlated from day to day.

Weather, a lot of material or a belt that slips for a week affect neighboring days alike. Such
errors look like a trend over a season, and an estimate that assumes independent days misses them.
Here the mean error of a day is the sum of an error that is correlated over days and an independent
error (Diggle, Biometrics 44, 1988, 959),

    m_d = u_d + e_d,   cov(u_d, u_d') = v s phi^|d - d'|,   var(e_d) = v (1 - s) / n_d,

with n_d readings on day d. The parameters s and phi maximize the restricted likelihood (Patterson &
Thompson, Biometrika 58, 1971, 545), from which a constant level and the tested course, a trend or a
step, are removed: a real trend or step is not a shared error.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import solve_triangular

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Values that are tried for phi, the correlation after one day, and for s, the share of a reading's
# variance that comes from the correlated error.
FADING = (0.0, 0.3, 0.5, 0.7, 0.85, 0.93, 0.97)
SHARES = (0.05, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9)
# On long histories, neighboring days are joined to at most this many blocks, since the work is
# cubic in their number.
MOST_DAYS = 250


def blocks(day: NDArray[np.int64]) -> NDArray[np.int64]:
    """Assigns each reading to a block of days, shape (n,); there are at most ``MOST_DAYS`` blocks.

    Args:
        day: number of the day of each reading, shape (n,).

    >>> blocks(np.arange(500))[[0, 1, 2, 499]].tolist()
    [0, 0, 1, 249]
    """
    first, days = day.min(), np.unique(day)
    width = 1
    while len(np.unique((days - first) // width)) > MOST_DAYS:
        width += 1
    return np.asarray((day - first) // width)


def shared_between_days(error: Floats, course: Floats, day: NDArray[np.int64]) -> Floats:
    """Covariance between the errors of different days.

    Args:
        error: error of each reading, scaled to a variance of about 1, shape (n,).
        course: the course that was fitted to the readings and subtracted, shape (n,).
        day: number of the day of each reading, shape (n,), with g distinct days.

    Returns:
        Covariance of the errors of two days, in order of time, shape (g, g); the diagonal is 0.
    """
    days, which, count = np.unique(day, return_inverse=True, return_counts=True)
    mean = np.bincount(which, weights=error) / count
    apart = np.abs(days[:, None] - days[None, :]).astype(float)
    H = np.column_stack([np.ones(len(days)), np.bincount(which, weights=course) / count])
    own = np.diag(1.0 / count)
    covariance = np.zeros_like(own)
    if not mean.any():  # a quantity that never varied has no likelihood
        return covariance
    best = restricted(mean, own, H)[0]
    for phi in FADING:
        faded = phi**apart
        for s in SHARES:
            value, scale = restricted(mean, s * faded + (1.0 - s) * own, H)
            if value > best:
                best, covariance = value, scale * s * faded
    np.fill_diagonal(covariance, 0.0)
    return covariance


def restricted(y: Floats, covariance: Floats, H: Floats) -> tuple[float, float]:
    """Restricted log likelihood up to a constant, and the scale that maximizes it.

    Args:
        y: observations, shape (n,).
        covariance: covariance of y up to a scale, shape (n, n).
        H: basis of the mean of y, shape (n, k).
    """
    lower = np.linalg.cholesky(covariance)
    white = solve_triangular(lower, np.column_stack([H, y]), lower=True, check_finite=False)
    basis, r = np.linalg.qr(white[:, :-1])
    left = white[:, -1] - basis @ (basis.T @ white[:, -1])
    free = len(y) - H.shape[1]
    scale = float(left @ left) / free
    half_logs = np.log(np.diag(lower)).sum() + np.log(np.abs(np.diag(r))).sum()
    return float(-0.5 * free * np.log(scale) - half_logs), scale
