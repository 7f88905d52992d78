"""The standard deviations of the effects of time: their mode, and draws about it.

Each effect has one standard deviation for sharpness and one for balance, with an exponential prior.
Where they do not pay for themselves, nothing changes with time. With few occasions a standard
deviation is known to a factor of two at best, and intervals that take its mode are too narrow; so
what follows from it is averaged over draws from the posterior of all logarithms, by importance
sampling from a normal about the mode (Gelman et al., Bayesian Data Analysis, 3rd ed. 2013, 10.4).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtri

from optimizer.numerics.low_discrepancy import even_points
from optimizer.time_effects.occasions import DAY, SLOW

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.time_effects.information import Information
    from optimizer.time_effects.occasions import Cells

    Floats = NDArray[np.float64]

# Scale of the exponential prior of the standard deviation of each effect, in logits, and the
# logarithms of the days over which the slow component forgets, with their prior spread.
SD_SCALE = 0.25
FORGETS, FORGETS_SD = float(np.log(30.0)), 0.7
# All effects together must raise the log posterior density by at least this.
LEAST_RAISE = 0.5
# Standard deviation in logits from which searches start, and the bounds of their logarithms.
FIRST_SD, LOG_SD = 0.1, (-6.0, 1.0)
LOG_FORGETS = (float(np.log(3.0)), float(np.log(365.0)))
STEPS = 40
# Draws about the mode; how much wider than the posterior they are; the step of the differences by
# which its curvature is found, and the least curvature that counts as one.
DRAWS, WIDER, STEP, LEAST_CURVATURE = 24, 1.25, 1e-3, 0.25


@dataclass(frozen=True)
class Spread:
    """Standard deviations of the effects on sharpness and on balance, in logits.

    Attributes:
        sd: by kind, shape (2,) each; empty where nothing changes with time.
        log_forgets: logarithm of the days over which the slow component forgets.
    """

    sd: dict[str, Floats] = field(default_factory=dict)
    log_forgets: float = FORGETS

    def covariance(self, cells: Cells) -> Floats:
        """Prior covariance of the effects of all occasions, shape (2, c + 3, c + 3)."""
        size = len(cells.time)
        found = np.zeros((2, size, size))
        for kind, sd in self.sd.items():
            found += (sd**2)[:, None, None] * cells.correlation(kind, self.log_forgets)
        return found


@dataclass(frozen=True)
class Search:
    """The posterior of the logarithms of the standard deviations of some effects.

    A vector x holds two logarithms for each effect, then that of the days to forget. ``sd_scale``
    is the scale of the prior of the standard deviations; infinite for their likelihood.
    """

    information: Information
    cells: Cells
    kinds: tuple[str, ...]
    sd_scale: float = SD_SCALE

    def spread(self, x: Floats) -> Spread:
        """The spread that a vector stands for."""
        sd = {kind: np.exp(x[2 * k : 2 * k + 2]) for k, kind in enumerate(self.kinds)}
        return Spread(sd, float(x[-1]))

    def vector(self, spread: Spread) -> Floats:
        """The vector of a spread; an effect that it lacks starts from ``FIRST_SD``."""
        start = np.full(2, FIRST_SD)
        found = [np.log(spread.sd.get(kind, start)) for kind in self.kinds]
        return np.append(np.concatenate(found), spread.log_forgets)

    def density(self, x: Floats, by_log: float = 0.0) -> tuple[float, Floats]:
        """Log posterior density of the standard deviations, and its slope.

        Args:
            x: the vector.
            by_log: 1 for the density of their logarithms.
        """
        made, c = self.spread(x), self.cells.count
        known = self.information.known(made.covariance(self.cells)[:, :c, :c])
        off = (x[-1] - FORGETS) / FORGETS_SD
        slope = np.zeros(len(x))
        slope[-1] = -off / FORGETS_SD
        value = known.gain - 0.5 * off**2
        for k, (kind, sd) in enumerate(made.sd.items()):
            shape = self.cells.correlation(kind, made.log_forgets)[:c, :c]
            for q in range(2):
                j = 2 * k + q
                slope[j] = 2.0 * sd[q] ** 2 * known.slope(shape, q) - sd[q] / self.sd_scale + by_log
                value += by_log * x[j] - sd[q] / self.sd_scale
                if kind == SLOW:
                    change = _by_log_forgets(self.cells.apart[:c, :c], shape, made.log_forgets)
                    slope[-1] += sd[q] ** 2 * known.slope(change, q)
        return value, slope

    def mode(self, start: Spread, by_log: float = 0.0) -> tuple[Spread, float]:
        """The spread of highest density, and the log density there."""

        def negative(x: Floats) -> tuple[float, Floats]:
            value, slope = self.density(x, by_log)
            return -value, -slope

        bounds = [LOG_SD] * (2 * len(self.kinds)) + [LOG_FORGETS]
        x = np.clip(self.vector(start), *np.transpose(bounds))
        found = minimize(
            negative, x, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": STEPS}
        )
        return self.spread(found.x), -float(found.fun)

    def draws(self, mode: Spread) -> list[tuple[Spread, float]]:
        """Draws from the posterior of the logarithms about their mode, each with its weight; the
        weights add to 1."""
        x = self.vector(mode)
        shifts = STEP * np.eye(len(x))
        slopes = [self.density(x + e, 1.0)[1] - self.density(x - e, 1.0)[1] for e in shifts]
        curvature = -np.array(slopes) / (2.0 * STEP)
        values, axes = np.linalg.eigh(0.5 * (curvature + curvature.T))
        root = axes * (WIDER / np.sqrt(np.clip(values, LEAST_CURVATURE, None)))
        z = ndtri(even_points(DRAWS, len(x), np.random.default_rng(0)))
        at = [x + root @ each for each in z]
        log_weight = np.array([self.density(each, 1.0)[0] for each in at])
        log_weight += 0.5 * np.sum(z**2, axis=1)
        weight = np.exp(log_weight - log_weight.max())
        weight /= weight.sum()
        return [(self.spread(each), float(w)) for each, w in zip(at, weight, strict=True)]


def _by_log_forgets(apart: Floats, shape: Floats, log_forgets: float) -> Floats:
    """Derivative of the covariance of the slow component by the logarithm of its days."""
    far = np.where(np.isfinite(apart), apart, 0.0)
    return shape * far / np.exp(log_forgets)


def spread_of(information: Information, cells: Cells) -> Spread:
    """The spread of highest density; without any effect where all of them together do not pay.

    Effects are taken together or not at all: one that is left out because few runs do not show it
    would leave intervals too narrow, while one that is kept without need is averaged over standard
    deviations near 0.
    """
    best, value = Search(information, cells, cells.kinds).mode(Spread())
    return best if value >= LEAST_RAISE else Spread()


def days_are_settings(
    by_day: Information, days: Cells, by_point: Information, points: Cells
) -> bool:
    """Whether what seems to differ by day may be a surface that some settings do not follow.

    On a plant that runs by habit, each day has settings of its own, repeated on that day alone. The
    means of days then stray from the surface for either reason, and no run tells which.

    Args:
        by_day, days: what readings say of days, and the days.
        by_point, points: the same with each set-point in the place of a day.
    """
    found = [
        Search(information, cells, (DAY,)).mode(Spread())[1]
        for information, cells in ((by_day, days), (by_point, points))
    ]
    return found[0] < found[1] + LEAST_RAISE
