"""One share of the feed over settings and material, such as that of the middlings.

The logit of the share is a Gaussian process of its own, independent of sharpness and balance. It
acts in coupled coordinates where the settings have them, without beliefs about which way they move
it. The errors of readings are known as far as a log states them; they are computed again from the
shares that a first fit expects, as those of grade and recovery are.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, ndtri

from optimizer.gaussian_process.inputs import Inputs
from optimizer.interval import ENDS, Intervals
from optimizer.measurement.share_readings import ShareReadings
from optimizer.model.deck_prior import Frame, share_process_of

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from optimizer.gaussian_process.process import GaussianProcess

    Floats = NDArray[np.float64]

# Nodes of the Gauss-Hermite rule for the mean of a share whose logit is normal. With a standard
# deviation of 2 its error is below 1e-4.
NODES = 16


@dataclass(frozen=True)
class ShareProcess:
    """A fitted share.

    Args:
        process: the process of its logit, fitted.
    """

    process: GaussianProcess

    def mean(self, A: ArrayLike | Inputs) -> Floats:
        """Expected true share at inputs A, shape (n, d); shape (n,)."""
        return _mean(*self.process.predict(A, return_std=True))

    def predict(self, A: ArrayLike | Inputs) -> Intervals:
        """Mean and 90 % interval of the true share at inputs A, shape (n, d)."""
        center, sd = self.process.predict(A, return_std=True)
        low, high = (expit(center + ndtri(end) * sd) for end in ENDS)
        return Intervals(_mean(center, sd), low, high)


def fit_share(X: Floats, readings: ShareReadings, frame: Frame) -> ShareProcess:
    """Fits a share to readings.

    Args:
        X: settings and material of n runs in unit coordinates, shape (n, d), with the number of the
            line as the last column where the frame says so.
        readings: the n readings, none of them missing.
        frame: inputs and solver of the process.
    """
    process = share_process_of(frame).fit(X, readings.logit, readings.variance)
    again = readings.given(process.predict(X))
    return ShareProcess(share_process_of(frame).fit(X, again.logit, again.variance))


def _mean(center: Floats, sd: Floats) -> Floats:
    """Mean of expit(z) for normal z, shape (n,)."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(NODES)
    values = expit(center[:, None] + sd[:, None] * nodes)
    return np.asarray(values @ (weights / weights.sum()))
