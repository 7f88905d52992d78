"""The noise of readings about the true quantity: a known part and an estimated part."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.gaussian_process.hyperparameters import Hyperparameters, NormalPrior

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.replicates import CollapsedReadings

    Floats = NDArray[np.float64]


ESTIMATED_PART = NormalPrior(-4.0, 1.5)


@dataclass(frozen=True)
class Noise:
    """Variance of a reading: the known variance of its error plus one variance estimated for all.

    Args:
        prior: prior on the logarithm of the estimated variance, in squared units of the scaled
            output.
    """

    prior: NormalPrior = ESTIMATED_PART

    def of_readings(self, h: Hyperparameters, readings: CollapsedReadings) -> Floats:
        """Variance of one reading at each set-point, shape (u,), or (k, u) for a stack."""
        return np.asarray(readings.known_variance + h.noise[..., None])

    def of_means(self, h: Hyperparameters, readings: CollapsedReadings) -> Floats:
        """Variance of the mean reading at each set-point, shape (u,), or (k, u) for a stack."""
        return np.asarray(self.of_readings(h, readings) / readings.counts)
