"""Readings of a function on a scale where the far worse ones are no longer far away.

A function that is to be minimized is often large almost everywhere and varies little near its
minimum. A stationary process that explains the large readings says little about the small ones.
The Yeo-Johnson transformation (Biometrika 87, 2000, 954) makes the readings more nearly normal; its
use before a Gaussian process is that of Cowen-Rivers et al. (J. Artif. Intell. Res. 74, 2022,
1269). It is used here only where it compresses what is worse, with a power of at most 1.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.optimize import minimize_scalar
from scipy.special import boxcox1p, inv_boxcox1p
from scipy.stats import yeojohnson_llf

from optimizer.gaussian_process.process import CONSTANT_READING

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimizer.interop.regressor import SurrogateRegressor

    Floats = NDArray[np.float64]

# Powers that are tried. At 0, the logarithm, every number still has an inverse.
LEAST_POWER, LARGEST_POWER = 0.0, 1.0
# Nodes of the Gauss-Hermite rule by which predictions are told in units of the readings.
NODES = 16


@dataclass(frozen=True)
class Warp:
    """The transformation of readings y, with z = (y - center) / spread and the power p:

    ((1 + z)^p - 1) / p for z >= 0 (ln(1 + z) where p is 0), and -((1 - z)^(2 - p) - 1) / (2 - p)
    for z < 0.

    Attributes:
        center, spread: in units of y.
        power: between 0 and 1; at 1 the transformation is z.

    >>> warp = Warp(0.0, 1.0, 0.0)
    >>> warp.of(np.array([-2.0, 0.0, np.e - 1.0])).round(6).tolist()
    [-4.0, 0.0, 1.0]
    """

    center: float
    spread: float
    power: float

    @classmethod
    def fitted(cls, y: Floats) -> Warp:
        """The warp by which readings, shape (n,), are most nearly normal."""
        center, spread = float(np.mean(y)), float(np.std(y))
        if spread <= CONSTANT_READING * max(1.0, abs(center)):
            return cls(center, 1.0, LARGEST_POWER)
        z = (y - center) / spread
        found = minimize_scalar(
            lambda power: -yeojohnson_llf(power, z),
            bounds=(LEAST_POWER, LARGEST_POWER),
            method="bounded",
            options={"xatol": 1e-3},
        )
        # The search comes close to an end and never reaches it.
        powers = (LEAST_POWER, float(found.x), LARGEST_POWER)
        return cls(center, spread, max(powers, key=lambda power: yeojohnson_llf(power, z)))

    def of(self, y: Floats) -> Floats:
        """Warped readings, in the shape of the readings."""
        z = (y - self.center) / self.spread
        above, below = np.maximum(z, 0.0), np.maximum(-z, 0.0)
        return np.asarray(boxcox1p(above, self.power) - boxcox1p(below, 2.0 - self.power))

    def slope(self, y: Floats) -> Floats:
        """Derivative of the warped reading by the reading."""
        z = (y - self.center) / self.spread
        return np.asarray((1.0 + np.abs(z)) ** (np.sign(z) * (self.power - 1.0)) / self.spread)

    def back(self, warped: Floats) -> Floats:
        """Readings of warped readings."""
        above, below = np.maximum(warped, 0.0), np.maximum(-warped, 0.0)
        z = inv_boxcox1p(above, self.power) - inv_boxcox1p(below, 2.0 - self.power)
        return np.asarray(self.center + self.spread * z)


@dataclass(frozen=True)
class WarpedRegressor:
    """A model of warped readings that predicts in units of the readings.

    Attributes:
        regressor: the model of the warped readings.
        warp: the transformation.
    """

    regressor: SurrogateRegressor
    warp: Warp

    def fit(self, X: ArrayLike, y: Floats, known_variance: Floats) -> WarpedRegressor:
        """Fit the model to n rows; arguments as of ``SurrogateRegressor``."""
        self.regressor.fit(X, self.warp.of(y), known_variance * self.warp.slope(y) ** 2)
        return self

    def predict(self, X: ArrayLike, return_std: bool = False) -> Any:
        """Mean of the true quantity at X, shape (n,); or (mean, standard deviation)."""
        mean, sd = self.regressor.predict(X, return_std=True)
        x, weights = np.polynomial.hermite_e.hermegauss(NODES)
        values = self.warp.back(mean[:, None] + sd[:, None] * x)
        weights = weights / weights.sum()
        found = values @ weights
        off = np.sqrt((values - found[:, None]) ** 2 @ weights)
        return (found, off) if return_std else found
