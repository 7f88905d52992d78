"""The model of one line for diagnosis and comparison: evidence, fitted surrogate, drawn surfaces.

In comes the evidence of a line; out come the fitted surrogate, the chance that the deck runs even,
and whole surfaces of grade and recovery drawn from the posterior. A drawn surface can be evaluated
at any settings, so a quantity that depends on all settings at once (the highest recovery, a
sensitivity) can be computed with its uncertainty.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy.linalg import cho_solve

from optimizer.evidence.fitting import chance_even_of, fit_surrogate
from optimizer.evidence.record import Evidence
from optimizer.gaussian_process.inputs import Inputs
from optimizer.model.coordinates import from_latent
from optimizer.model.fitted_surrogate import FittedSurrogate
from optimizer.model.joint import Pair, PairMoments
from optimizer.numerics.cholesky import factorize

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# Number of latest measured runs whose median is the line's recent practice.
RECENT_RUNS = 40


@dataclass(frozen=True)
class LineModel:
    """A line's evidence and the models fitted to it.

    Args:
        evidence: evidence of the line, with at least three measured runs.
        seed: seed of all random numbers.
        fitted: a surrogate that was already fitted to these runs; None to fit one.
    """

    evidence: Evidence
    seed: int = 0
    fitted: FittedSurrogate | None = None

    @cached_property
    def surrogate(self) -> FittedSurrogate:
        """The surrogate, fitted to all measured runs by the exact solver."""
        if self.fitted is not None and self.fitted.exact:
            return self.fitted
        return fit_surrogate(self.evidence, self.seed, exact=True)

    @cached_property
    def latent_readings(self) -> tuple[Floats, Floats]:
        """Sharpness and balance of each measured run, to which the surrogate was fitted, each
        (n,)."""
        S, C = self.surrogate.latent_readings_
        return S, C

    @cached_property
    def _chance_even_at(self) -> Callable[[Floats], Floats]:
        return chance_even_of(self.evidence)

    def chance_even(self, index: Indices) -> Floats:
        """Chance of an even deck at lattice points, shape (n, d); shape (n,)."""
        return self._chance_even_at(self.evidence.space.values(index))

    @cached_property
    def recent_settings(self) -> Floats:
        """The median of the latest measured runs, rounded to the deck's steps, shape (d,)."""
        e = self.evidence
        latest = e.settings[e.measured][-RECENT_RUNS:]
        return e.space.values(e.space.nearest_index(np.median(latest, axis=0)))[0]

    @cached_property
    def recent_inputs(self) -> Floats:
        """The recent settings with today's material, as an input of the surrogate, shape (1, d +
        m)."""
        index = self.evidence.space.nearest_index(self.recent_settings[None, :])
        return self.evidence.inputs_today(index)

    def surfaces(self, anchors: Floats, draws: int, margin: float = 1.0) -> Surfaces:
        """Surfaces of grade and recovery drawn from the posterior, see ``Surfaces``."""
        return Surfaces(self.surrogate, anchors, draws, self.seed, margin)


class Surfaces:
    """Grade and recovery as whole surfaces, drawn jointly from the posterior.

    A draw is exact at the anchors; elsewhere its value is the conditional mean given the draw at
    the anchors and the runs,

        f(x) = mu(x) + C(x, Z) C(Z, Z)^-1 (f(Z) - mu(Z)),

    with mu and C the posterior mean and covariance. The error is small where anchors are at most a
    length scale apart.

    Args:
        surrogate: the fitted surrogate.
        anchors: inputs Z in unit coordinates at which the draws are exact, shape (m, d).
        draws: number of surfaces, divided among the surrogate's members.
        seed: seed of the draws.
        margin: factor on posterior standard deviations.
    """

    def __init__(
        self,
        surrogate: FittedSurrogate,
        anchors: Floats,
        draws: int,
        seed: int,
        margin: float = 1.0,
    ) -> None:
        rng = np.random.default_rng(seed)
        members = min(surrogate.n_members_, draws)
        counts = np.bincount(np.arange(draws) % members, minlength=members)
        self.draws = draws
        self._parts: list[tuple[Pair, PairMoments, Floats]] = []
        for pair, count in zip(surrogate.pairs_, counts, strict=False):
            moments = pair.moments(anchors)
            lower = factorize(pair.covariance(moments, moments))
            # With f - mu = L z, C^-1 (f - mu) is L'^-1 z. It is solved with the factor L, jitter
            # included.
            off = margin * (lower @ rng.standard_normal((len(lower), count)))
            self._parts.append((pair, moments, cho_solve((lower, True), off)))

    def latent(self, A: Floats) -> tuple[Floats, Floats]:
        """Sharpness and balance, each (draws, n), at inputs A, shape (n, d)."""
        sharpness, balance, inputs = [], [], Inputs(A)
        for pair, anchors, weights in self._parts:
            moments = pair.moments(inputs)
            S, C = pair.with_deviations(moments, weights.T @ pair.covariance(anchors, moments))
            sharpness.append(S)
            balance.append(C)
        return np.vstack(sharpness), np.vstack(balance)

    def outcome(self, A: Floats, feed_odds: float) -> tuple[Floats, Floats]:
        """Grade and recovery, each (draws, n), at inputs A, shape (n, d)."""
        return from_latent(*self.latent(A), feed_odds)
