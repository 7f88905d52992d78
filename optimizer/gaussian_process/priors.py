"""What is believed of hyperparameters before any run."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Priors:
    """Normal priors on the logarithms of hyperparameters.

    Args:
        lengthscale_center: of ln ell in unit inputs, one number or one an input.
        lengthscale_sd: of ln ell.
        variance_center, variance_sd: of ln s2, in squared units of the scaled output.
        noise_center, noise_sd: of ln noise, likewise.
        share_center, share_sd: of logit rho, the correlation between lines (``by_line``).
    """

    lengthscale_center: float | tuple[float, ...] = 0.0
    lengthscale_sd: float = 1.0
    variance_center: float = 0.0
    variance_sd: float = 1.5
    noise_center: float = -4.0
    noise_sd: float = 1.5
    share_center: float = 1.0
    share_sd: float = 1.5

    def center(self, d: int, by_line: bool = False) -> Floats:
        """Centers of [ln ell_1 ... ln ell_d, ln s2, ln noise(, logit rho)]."""
        ell = np.broadcast_to(np.asarray(self.lengthscale_center, dtype=float), d)
        share = [self.share_center] * by_line
        return np.array([*ell, self.variance_center, self.noise_center, *share])

    def sd(self, d: int, by_line: bool = False) -> Floats:
        """Standard deviations of the same."""
        share = [self.share_sd] * by_line
        return np.array([*[self.lengthscale_sd] * d, self.variance_sd, self.noise_sd, *share])


DEFAULT = Priors()
"""Of an output on a standardized scale."""
