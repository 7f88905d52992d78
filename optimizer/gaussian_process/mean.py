"""The mean of a process: the level to which it returns away from readings, and a trend."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# An input that is uniform on [0, 1] has variance 1 after it is multiplied by this factor.
PER_UNIT = float(np.sqrt(12.0))
# Prior variance of the level of the scaled output: large around the average of the readings, small
# around a level that is known beforehand.
VAGUE_LEVEL, KNOWN_LEVEL = 10.0, 0.1


@dataclass(frozen=True)
class Mean:
    """Level and trend of the output, with a normal prior on each coefficient.

    Args:
        trend: ``"none"``, ``"constant"``, ``"linear"`` or ``"quadratic"``.
        quadratic_inputs: a quadratic trend has squares and products of these inputs, given by their
            columns, and is linear in the others; None for all inputs.
        variance: prior variance of the trend's coefficients, in scaled output; one number, or one
            number for each input where the trend is linear.
        level: level to which the output returns away from all readings, where it is known; None for
            the average of the readings. Readings are often gathered where the output is high, and
            their average is then no guide to the rest.
        slopes: prior means of a linear trend's slopes, one for each input; None for 0.
    """

    trend: str = "quadratic"
    quadratic_inputs: tuple[int, ...] | None = None
    variance: float | tuple[float, ...] = 0.3
    level: float | None = None
    slopes: tuple[float, ...] | None = None

    def features(self, X: Floats) -> Floats:
        """Features of level and trend at X, shape (n, d), each multiplied by the prior standard
        deviation of its coefficient; shape (n, p)."""
        if self.trend == "none":
            return np.zeros((len(X), 0))
        level = VAGUE_LEVEL if self.level is None else KNOWN_LEVEL
        shrunk = np.sqrt(self.variance) * self._trend(X)
        return np.hstack([np.full((len(X), 1), np.sqrt(level)), shrunk])

    def expected(self, X: Floats) -> Floats:
        """Prior mean of the scaled output, shape (n,), at X, shape (n, d)."""
        if self.slopes is None:
            return np.zeros(len(X))
        return np.asarray((X - 0.5) @ np.array(self.slopes))

    def _trend(self, X: Floats) -> Floats:
        """Features of the trend, each of mean 0 and variance about 1 over the unit box."""
        linear = (X - 0.5) * PER_UNIT
        if self.trend == "constant":
            return linear[:, :0]
        if self.trend == "linear":
            return linear
        z = linear
        if self.quadratic_inputs is not None:
            z = linear[:, list(self.quadratic_inputs)]
        i, j = np.triu_indices(z.shape[1], 1)
        return np.hstack([linear, (z**2 - 1.0) / np.sqrt(0.8), z[:, i] * z[:, j]])
