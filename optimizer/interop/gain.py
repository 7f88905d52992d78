"""The gain of a trial for any function to be minimized, with any number of constraints.

It is the gain of a trial on a deck (``planning.acquisition``) without the deck: noisy constrained
expected improvement over an incumbent that is drawn jointly with the model at the points tried and
pending (Letham, Karrer, Ottoni & Bakshy, Bayesian Anal. 14, 2019, 495), in logarithms (Ament et
al., NeurIPS 2023). Function and constraints are independent processes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr, logsumexp

from optimizer.gaussian_process.draws import ProcessDraws
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.planning.acquisition import DRAWS, MOST_MEMBERS, log_expected_improvement

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


class Gain:
    """Expected improvement of a trial over the best point tried, where its constraints are met.

    Args:
        objective: the process of the function to be minimized.
        constraints: the processes of the constraints, each met where it is at most 0.
        base: points tried or pending among which each draw finds its incumbent, shape (m, d).
        room: largest number of picked trials that will be added.
        seed: seed of the draws.
    """

    def __init__(
        self,
        objective: GaussianProcess,
        constraints: Sequence[GaussianProcess],
        base: Floats,
        room: int,
        seed: int,
    ) -> None:
        self._readings = [process.readings_ for process in (objective, *constraints)]
        rng = np.random.default_rng(seed)
        self._draws = [
            _drawn(process, Inputs(base), room, rng) for process in (objective, *constraints)
        ]
        self._set_incumbents()

    def _set_incumbents(self) -> None:
        """The lowest value among the base points that meet all constraints, for each draw."""
        values, *others = (draws.values for draws in self._draws)
        met = np.ones(values.shape, dtype=bool)
        for k, drawn in enumerate(others, start=1):
            met &= drawn <= self._limit(k)
        # Where no point meets the constraints, any that does is better than the worst seen.
        nothing = values.max() + max(float(np.ptp(values)), 1.0)
        self._best = np.where(met, values, nothing).min(axis=-1)

    def _limit(self, k: int) -> float:
        """The value 0 of constraint k in scaled output."""
        return -self._readings[k].center / self._readings[k].spread

    def extend(self, point: Floats) -> None:
        """Add a picked trial, shape (1, d), to the points that define the incumbent."""
        self._draws = [draws.extend(point) for draws in self._draws]
        self._set_incumbents()

    def log_gain(self, A: Floats) -> Floats:
        """ln of the expected improvement of a trial at each of A, shape (n, d); shape (n,).

        The improvement is in units of the readings of ``objective``.
        """
        points = Inputs(A)
        objective, *constraints = self._draws
        mean, variance = objective.conditional(points)
        sd = np.sqrt(variance)[..., None, :]
        terms = log_expected_improvement(-mean, sd, -self._best[..., None])
        for k, draws in enumerate(constraints, start=1):
            mean, variance = draws.conditional(points)
            terms = terms + log_ndtr((self._limit(k) - mean) / np.sqrt(variance)[..., None, :])
        flat = terms.reshape(-1, len(A))
        scale = np.log(self._readings[0].spread / len(flat))
        return np.asarray(logsumexp(flat, axis=0) + scale)


def _drawn(
    process: GaussianProcess, base: Inputs, room: int, rng: np.random.Generator
) -> ProcessDraws:
    """Draws of a process by at most ``MOST_MEMBERS`` of its members, antithetic as on a deck."""
    step = -(-len(process.posteriors_) // MOST_MEMBERS)
    posterior, *others = process.stacks(step)
    assert not others, "Posteriors by inducing points have one member."
    members = len(process.posteriors_[::step])
    half = rng.standard_normal((members, DRAWS // members // 2, len(base) + room))
    normals = np.concatenate([half, -half], axis=1)
    stacked = posterior.hyperparameters.stacked
    return ProcessDraws(posterior, base, normals if stacked else normals[0])
