"""The kernel of a process: the covariance of its smooth deviation, and the use of its inputs.

The deviation has a Matern-5/2 covariance; a part of it is a sum of functions of one input each.
Three optional fields act on the whole process, trend included: coordinates, a weight, a correlation
between lines.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.gaussian_process.hyperparameters import NormalPrior
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.matern import SharedLengths

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

LENGTH_SCALE, VARIANCE = NormalPrior(0.0, 1.0), NormalPrior(0.0, 1.5)
"""Default priors on ln ell and ln s2 for an output on a standardized scale."""
BETWEEN_LINES = NormalPrior(1.0, 1.5)
"""Prior on the logit of the correlation between two lines."""


@dataclass(frozen=True)
class Kernel:
    """Covariance of the smooth deviation, and coordinates, weight and lines of the process.

    Args:
        length_scale: prior on ln ell, in unit inputs.
        variance: prior on ln s2, in squared units of the scaled output.
        correlation: prior on the logit of the correlation between lines, where the last input is
            the number of a line rather than a quantity; None without lines. The covariance between
            two lines is rho times the covariance within one line (a coregionalization with one
            positive correlation; Bonilla, Chai & Williams, NeurIPS 2007), so lines that behave
            differently do not inform each other.
        additive: share of the deviation's variance that is a sum of functions of one input each
            (Duvenaud, Nickisch & Rasmussen, NeurIPS 2011); the rest depends on all inputs jointly.
        coordinates: change of coordinates that is applied before deviation and trend are evaluated,
            a function from (n, d) to (n, d) that is compared by value; None for no change.
        weight: factor on the whole process at each input, a function from (n, d) to (n,) that is
            compared by value; None for a factor of 1.
        shared: which of the length scales each input has; None for one each. Inputs that share one
            count as one input of the additive part.
    """

    length_scale: NormalPrior = LENGTH_SCALE
    variance: NormalPrior = VARIANCE
    correlation: NormalPrior | None = None
    additive: float = 0.0
    coordinates: Callable[[Floats], Floats] | None = None
    weight: Callable[[Floats], Floats] | None = None
    shared: SharedLengths | None = None

    @property
    def by_line(self) -> bool:
        """Whether the last input is the number of a line."""
        return self.correlation is not None

    def lengths(self, inputs: int) -> int:
        """Number of length scales for a number of inputs, the number of the line not counted."""
        return inputs if self.shared is None else len(self.shared.members)

    def in_coordinates(self, A: Inputs) -> Inputs:
        """Inputs in the kernel's coordinates, without the number of the line."""
        if self.coordinates is None and not self.by_line:
            return A

        def transform() -> Inputs:
            values = A.values if self.coordinates is None else self.coordinates(A.values)
            return Inputs(values[:, :-1] if self.by_line else values)

        inputs: Inputs = A.remember(("coordinates", self.coordinates, self.by_line), transform)
        return inputs

    def weights(self, A: Inputs) -> Floats | None:
        """The weight at each input, shape (n,); None where the kernel has no weight."""
        weight = self.weight
        if weight is None:
            return None
        factors: Floats = A.remember(("weight", weight), lambda: weight(A.values))
        return factors
