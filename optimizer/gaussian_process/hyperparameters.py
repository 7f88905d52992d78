"""Hyperparameters by name, their priors and bounds, and the vector that the optimizer varies."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class NormalPrior:
    """Normal prior on the logarithm (of an agreement of groups: the logit) of a hyperparameter.

    Args:
        center: mean; for length scales one number for all inputs, or one number for each input.
        sd: standard deviation.
    """

    center: float | tuple[float, ...]
    sd: float


@dataclass(frozen=True)
class Hyperparameters:
    """Hyperparameters of a process with d inputs, or a stack of k sets of them.

    This record alone knows the order of the optimizer's vector:
    ``[ln ell_1 ... ln ell_d, ln s2, ln noise, logit r_1 ... logit r_q]``.

    Attributes:
        log_length_scales: ln ell in unit inputs, shape (d,) or (k, d).
        log_variance: ln s2 of the smooth deviation, in squared units of the scaled output, scalar
            or (k,).
        log_noise: ln of the estimated noise variance, scalar or (k,).
        logits: logits of the agreements between groups (see ``kernel.Grouping``), shape (q,) or
            (k, q); None where there are none.
    """

    log_length_scales: Floats
    log_variance: Any
    log_noise: Any
    logits: Any = None

    @classmethod
    def from_vector(cls, vector: ArrayLike, agreements: int) -> Hyperparameters:
        """Split a vector, shape (p,), or a stack of vectors, (k, p), which end in this number of
        logits of agreements."""
        vector = np.asarray(vector, dtype=float)
        d = vector.shape[-1] - 2 - agreements
        logits = vector[..., d + 2 :] if agreements else None
        return cls(vector[..., :d], vector[..., d], vector[..., d + 1], logits)

    @cached_property
    def vector(self) -> Floats:
        """All hyperparameters in the optimizer's order, shape (p,) or (k, p)."""
        single = [self.log_variance, self.log_noise]
        columns = [np.asarray(one, dtype=float)[..., None] for one in single]
        if self.logits is not None:
            columns.append(np.asarray(self.logits, dtype=float))
        return np.concatenate([self.log_length_scales, *columns], axis=-1)

    @property
    def stacked(self) -> bool:
        """Whether this record is a stack of several sets of hyperparameters."""
        return self.log_length_scales.ndim > 1

    @property
    def noise(self) -> Any:
        """Estimated noise variance of one reading, scalar or (k,)."""
        return np.exp(self.log_noise)


LENGTH_SCALE_BOUNDS, AGREEMENT_BOUNDS = (-3.0, 5.0), (-6.0, 6.0)
VARIANCE_BOUNDS, NOISE_BOUNDS = (-6.0, 6.0), (-12.0, 3.0)


@dataclass(frozen=True)
class HyperparameterPrior:
    """Independent normal priors on the entries of the optimizer's vector, and its bounds.

    Args:
        inputs: number d of inputs that have a length scale.
        length_scale, variance, noise: priors on the logarithms of these hyperparameters.
        agreements: priors on the logits of the agreements between groups.
    """

    inputs: int
    length_scale: NormalPrior
    variance: NormalPrior
    noise: NormalPrior
    agreements: tuple[NormalPrior, ...] = ()

    def _vector(self, length_scale: Any, variance: Any, noise: Any, logits: Any) -> Floats:
        lengths = np.broadcast_to(np.asarray(length_scale, dtype=float), self.inputs)
        logits = np.broadcast_to(np.asarray(logits, dtype=float), len(self.agreements))
        return Hyperparameters(lengths, variance, noise, logits).vector

    @cached_property
    def center(self) -> Floats:
        """Prior means, shape (p,)."""
        parts = self.length_scale.center, self.variance.center, self.noise.center
        return self._vector(*parts, [each.center for each in self.agreements])

    @cached_property
    def sd(self) -> Floats:
        """Prior standard deviations, shape (p,)."""
        parts = self.length_scale.sd, self.variance.sd, self.noise.sd
        return self._vector(*parts, [each.sd for each in self.agreements])

    @cached_property
    def rougher(self) -> Floats:
        """A vector, shape (p,), with shorter length scales and more noise than the prior means."""
        return self.center + self.sd * self._vector(-1.0, 0.0, 1.0, 0.0)

    @cached_property
    def bounds(self) -> Floats:
        """Lowest and highest values that a search may try, shape (p, 2)."""
        # Readings whose noise is expected to be tiny may have less than others.
        least = min(NOISE_BOUNDS[0], np.min(self.noise.center) - 4.0 * self.noise.sd)
        noise = least, NOISE_BOUNDS[1]
        ends = LENGTH_SCALE_BOUNDS, VARIANCE_BOUNDS, noise, AGREEMENT_BOUNDS
        return np.column_stack([self._vector(*(end[k] for end in ends)) for k in (0, 1)])

    def log_density(self, vectors: Floats) -> tuple[Any, Floats]:
        """Logarithm of the density up to a constant, and its gradient.

        Args:
            vectors: shape (p,) or (k, p).

        Returns:
            Shapes () or (k,), and (p,) or (k, p).
        """
        z = (vectors - self.center) / self.sd
        return -0.5 * np.sum(z**2, axis=-1), -z / self.sd
