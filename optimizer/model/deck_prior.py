"""How a deck is expected to behave before any run: the two processes and their priors.

Sharpness and balance (see ``coordinates``) are each a linear trend and a smooth deviation, in
coupled coordinates where a deck has its five settings (see ``deck_coordinates``), else in the
settings themselves. A shift of the cut moves the balance in proportion to the sharpness, so the
balance is a process times that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from scipy.special import log_expit

from optimizer.gaussian_process.estimation import Estimated
from optimizer.gaussian_process.hyperparameters import NormalPrior
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import BETWEEN_LINES, Kernel
from optimizer.gaussian_process.mean import PER_UNIT, Mean
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.gaussian_process.replicates import Groups

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.solvers import Posterior, Solver
    from optimizer.model.deck_coordinates import DeckCoordinates

    Floats = NDArray[np.float64]
    Processes = tuple[GaussianProcess, GaussianProcess]

# Sharpness away from all runs: what a deck does at settings nobody would choose. Runs are
# gathered where a deck works; returning to their average promises too much elsewhere.
PLAIN_SHARPNESS = 1.0
# Of material inputs: slowly.
MATERIAL_LENGTH, MATERIAL_SLOPE = 1.0, 0.5


class Coupled(NamedTuple):
    """What is believed of a process in coupled coordinates; five numbers are bed, exposure, tilt,
    stroke and air.

    Args:
        variance: ln of the deviation's.
        lengths: ln of its lengthscales.
        slopes: of the trend, their prior means.
        slope_sds: and standard deviations.
    """

    variance: float
    lengths: tuple[float, ...]
    slopes: tuple[float, ...]
    slope_sds: tuple[float, ...]


# Longer exposure separates better, a deeper bed worse, more tilt sends less to the high side
# (common practice); how much, and how smooth, by the likelihood of simulated decks, each family
# left out in turn (reports/surrogate.md). Wide enough that a deck which does otherwise is learned.
SHARPNESS = Coupled(
    0.8, (0.4, 1.2, 1.5, 0.0, -0.8), (-0.5, 0.8, 0.0, 0.0, 0.0), (0.6, 0.6, 0.2, 0.3, 0.3)
)
BALANCE = Coupled(
    -2.2, (0.5, 1.0, 0.4, 0.2, -0.8), (0.0, 0.0, -0.4, 0.0, 0.0), (0.2, 0.2, 0.35, 0.25, 0.25)
)
COUPLED_LENGTH_SD, COUPLED_VARIANCE_SD = 0.45, 0.7
# Share of the balance that a deck without sharpness still has.
LEAST_STEEPNESS = 0.5
# A cut beyond what is wanted or unwanted sends nearly all one way; readings there say little.
FARTHEST_CUT = 1.5

# The same in logits of a unit range, for settings of which no coordinates are known: several,
# smoothly, air within a narrower band than the rest. Absolute, because the spread of the readings
# is no guide: a season of habit is all alike.
SETTING_LENGTH, AIR_LENGTH = -0.2, -0.7
PLAIN_LENGTH_SD, PLAIN_VARIANCE = 0.8, NormalPrior(2.5, 1.0)
TREND_VARIANCE = 0.3
# Share of the deviation that is a sum of one function a setting: what each does alone is most of
# what a deck does, and is learned from a fraction of the runs.
ADDITIVE = 0.5
# Of hyperparameter draws, those behind a rough answer: one in so many.
COARSE = 4


@dataclass(frozen=True)
class Description:
    """What a pair of processes is about, and how it is to be fitted.

    Args:
        settings: names of the leading inputs; the rest is material.
        inputs: number of settings and materials.
        coordinates: in which the settings act; the settings themselves when None.
        by_line: whether one more input is the number of a line.
        solver: exact, or by inducing points.
        seed: of the estimation.
    """

    settings: tuple[str, ...]
    inputs: int
    coordinates: DeckCoordinates | None
    by_line: bool
    solver: Solver
    seed: int


def processes_of(description: Description, members: int) -> Processes:
    """Sharpness and balance, to be fitted.

    Args:
        description: what they are about.
        members: hyperparameter draws to average over.
    """
    coordinates = description.coordinates
    if coordinates is None:
        parts = _plain_parts(description)
    else:
        d = description.inputs
        parts = (
            _coupled_parts(SHARPNESS, PLAIN_SHARPNESS, coordinates, d),
            _coupled_parts(BALANCE, 0.0, coordinates, d),
        )
    between = BETWEEN_LINES if description.by_line else None
    sharpness, balance = (
        GaussianProcess(
            replace(kernel, correlation=between),
            mean,
            solver=description.solver,
            scale="center",
            hyperparameters=Estimated(members),
            random_state=description.seed + k,
        )
        for k, (kernel, mean) in enumerate(parts)
    )
    return sharpness, balance


def _plain_parts(description: Description) -> tuple[tuple[Kernel, Mean], tuple[Kernel, Mean]]:
    """Kernels and means of sharpness and balance in the settings themselves."""
    d, names = description.inputs, description.settings
    lengths = [AIR_LENGTH if n == "air" else SETTING_LENGTH for n in names or ("",) * d]
    lengths += [MATERIAL_LENGTH] * (d - len(lengths))
    kernel = Kernel(NormalPrior(tuple(lengths), PLAIN_LENGTH_SD), PLAIN_VARIANCE, additive=ADDITIVE)
    sharpness = Mean("constant", variance=TREND_VARIANCE, level=PLAIN_SHARPNESS)
    return (kernel, sharpness), (kernel, Mean("linear", variance=TREND_VARIANCE))


def _coupled_parts(
    belief: Coupled, level: float, coordinates: DeckCoordinates, d: int
) -> tuple[Kernel, Mean]:
    """Kernel and mean of a process in coupled coordinates, d inputs with the materials."""
    columns = list(coordinates.columns)
    lengths, slopes, sds = np.full(d, MATERIAL_LENGTH), np.zeros(d), np.full(d, MATERIAL_SLOPE)
    lengths[columns], slopes[columns] = belief.lengths, belief.slopes
    sds[columns] = belief.slope_sds
    kernel = Kernel(
        NormalPrior(tuple(lengths), COUPLED_LENGTH_SD),
        NormalPrior(belief.variance, COUPLED_VARIANCE_SD),
        coordinates=coordinates,
    )
    variance = tuple((sds / PER_UNIT) ** 2)
    return kernel, Mean("linear", variance=variance, level=level, slopes=tuple(slopes))


def fit_pair(processes: Processes, at: Groups, latent: tuple[Floats, ...]) -> None:
    """Fit sharpness, then balance, which is weighed by it where settings are coupled.

    Args:
        processes: both.
        at: the inputs of the readings.
        latent: readings of sharpness and balance and the variances of each, each (n,).
    """
    sharpness, balance = processes
    S, C, s_variance, c_variance = latent
    _fit(sharpness, at, S, s_variance)
    if balance.kernel.coordinates is not None:
        weight = Steepness(tuple(sharpness.stacks(COARSE)))
        balance.set_params(kernel=replace(balance.kernel, weight=weight))
    _fit(balance, at, C, c_variance)


def _fit(gp: GaussianProcess, at: Groups, y: Floats, variance: Floats) -> None:
    gp.fit(at.points, at.mean(y), at.mean(variance), at.count, at.scatter(y))


def expected_logits(processes: Processes, at: Groups, odds: Floats) -> tuple[Floats, Floats]:
    """Logits of grade and recovery that fitted processes expect of each reading, (n,) each."""
    S, C = (gp.predict(at.points)[at.which] for gp in processes)
    a, b = 0.5 * (C + S), 0.5 * (C - S)
    return odds + log_expit(a) - log_expit(b), a


def cut_of(balance: Kernel, S: Floats, C: Floats) -> Floats:
    """Where decks of sharpness S and balance C cut, which is dC/dS, shapes kept.

    The share of the way from the middle between wanted and unwanted particles to either: a balance
    is a cut times a sharpness, so with the sharpness off by dS the balance is off by the cut times
    dS (see ``joint``). 0 where settings are not coupled: sharpness and balance are then believed to
    be apart.
    """
    if balance.weight is None:
        return np.zeros_like(S)
    return np.clip(C / _steepness(S), -FARTHEST_CUT, FARTHEST_CUT)


def _steepness(S: Floats) -> Floats:
    return np.asarray(np.maximum(S, 0.0) + LEAST_STEEPNESS)


@dataclass(frozen=True)
class Steepness:
    """How far a shift of the cut moves the balance: in proportion to the sharpness.

    A cut that lies a share r of the way from the middle between wanted and unwanted particles to
    either moves both chances by r times the sharpness (logistic partition); where nothing
    separates it moves a little all the same.

    Args:
        sharpness: posteriors of the sharpness, whose mean is taken.
    """

    sharpness: tuple[Posterior, ...]

    def __call__(self, A: Floats) -> Floats:
        """Factor at inputs A, shape (n, d); (n,)."""
        inputs, readings = Inputs(A), self.sharpness[0].readings
        mean = np.mean(np.vstack([p.mean(inputs) for p in self.sharpness]), axis=0)
        return _steepness(readings.center + readings.spread * mean)
