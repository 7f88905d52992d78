"""Recovery at the required grade: what remains of it once the cut is moved until the grade is met.

Recovery is compared at the required grade. For a line that runs above that grade, its recovery is
used as it is. For a line that runs below it, the recovery is reduced to what remains after the cut
is moved until the grade is met. The densities of wanted and of unwanted particles are about normal,
and so is a partition curve. So a cut at x sends the share p_w = Phi(x) of wanted and the share
p_u = Phi(x - d) of unwanted particles to the product. Moving the cut does not change d, the
difference of the probits (the binormal curve of signal detection; Green & Swets, Signal Detection
Theory and Psychophysics, 1966); it does change the difference of the logits. With
L = logit(grade) - logit(feed grade), the grade requires p_u = e^-L p_w, hence

    log Phi(x - d) - log Phi(x) = -L,    recovery = Phi(x).

The left side increases with x and is concave, so Newton's steps from the left converge to the root.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, log_ndtr, logit, ndtr, ndtri

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Beyond this logit, a share counts as 0 or 1; below this probit, no recovery remains.
LAST_LOGIT, LEAST_PROBIT = 30.0, -35.0
# Number of Newton steps; difference of probits below which the deck does not separate.
STEPS, LEAST_SEPARATION = 7, 0.01
LOG_ROOT_2PI = 0.5 * float(np.log(2.0 * np.pi))


def recovery_at_grade(S: Floats, C: Floats, min_grade: float, feed_odds: float) -> Floats:
    """Recovery at the required grade, as derived in the module's docstring.

    Args:
        S, C: sharpness and balance, of any common shape.
        min_grade: required grade, fraction.
        feed_odds: log odds of the feed grade.

    Returns:
        Recovery as a fraction, of the shape of ``S``.

    >>> S, C = np.array([4.0, 4.0]), np.array([0.0, 3.0])
    >>> recovery_at_grade(S, C, 0.98, float(logit(0.93))).round(3).tolist()
    [0.881, 0.939]
    """
    recovery = np.asarray(expit(0.5 * (C + S)))
    excess = float(logit(min_grade)) - feed_odds
    if excess <= 0.0:
        return recovery
    a, b = 0.5 * (C + S), 0.5 * (C - S)
    short = np.log(recovery) - _log_expit(b) < excess
    separation = _probit(a[short]) - _probit(b[short])
    left = np.where(
        separation > LEAST_SEPARATION,
        _cut(np.maximum(separation, LEAST_SEPARATION), excess),
        0.0,
    )
    recovery[short] = np.minimum(recovery[short], left)
    return recovery


def _cut(d: Floats, excess: float) -> Floats:
    """Recovery Phi(x) at the x that solves log Phi(x - d) - log Phi(x) = -excess; shape of d."""
    # The ratio of the normal densities gives a start to the left of the root.
    x = np.maximum(0.5 * d - excess / d, LEAST_PROBIT)
    for _ in range(STEPS):
        wanted, unwanted = log_ndtr(x), log_ndtr(x - d)
        slope = _hazard(x - d, unwanted) - _hazard(x, wanted)
        x = x - (unwanted - wanted + excess) / slope
    return np.asarray(ndtr(x))


def _hazard(x: Floats, log_share: Floats) -> Floats:
    """Derivative of log Phi at x, given log Phi(x)."""
    return np.asarray(np.exp(-0.5 * x * x - LOG_ROOT_2PI - log_share))


def _log_expit(a: Floats) -> Floats:
    return np.asarray(-np.logaddexp(0.0, -a))


def _probit(a: Floats) -> Floats:
    """Probit of a share, computed from its logit so that it is accurate near 0 and near 1."""
    return np.asarray(-np.sign(a) * ndtri(expit(-np.minimum(np.abs(a), LAST_LOGIT))))
