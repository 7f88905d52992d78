"""The priors of a deck: processes of sharpness and balance before any run, and their fit.

Sharpness and balance (see ``coordinates``) are each a linear trend and a smooth deviation, in
coupled coordinates where a deck has the five settings (see ``deck_coordinates``), else in the
settings themselves. A shift of the cut changes the balance in proportion to the sharpness, so in
coupled coordinates the balance is a process times a weight that follows the sharpness.
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

# Sharpness far from all runs, which means at settings that nobody would choose. Runs are made where
# a deck works, so a process that returned to their average would predict too much elsewhere.
PLAIN_SHARPNESS = 1.0
# ln of the length scale of material inputs, which is long, and prior standard deviation of their
# slopes.
MATERIAL_LENGTH, MATERIAL_SLOPE = 1.0, 0.5


class CoupledPrior(NamedTuple):
    """Prior of a process in coupled coordinates; tuples are for bed, exposure, tilt, stroke and
    air.

    Args:
        variance: prior mean of ln of the deviation's variance.
        lengths: prior means of ln of the deviation's length scales.
        slopes: prior means of the trend's slopes.
        slope_sds: prior standard deviations of the slopes.
    """

    variance: float
    lengths: tuple[float, ...]
    slopes: tuple[float, ...]
    slope_sds: tuple[float, ...]


# Longer exposure separates better, a deeper bed separates worse, and more tilt sends less to the
# high side (common practice). The sizes and length scales of these effects were chosen by the
# likelihood of simulated decks, leaving out each family in turn (reports/surrogate.md). The priors
# are wide enough that the model can learn a deck which behaves differently.
SHARPNESS = CoupledPrior(
    0.8, (0.4, 1.2, 1.5, 0.0, -0.8), (-0.5, 0.8, 0.0, 0.0, 0.0), (0.6, 0.6, 0.2, 0.3, 0.3)
)
BALANCE = CoupledPrior(
    -2.2, (0.5, 1.0, 0.4, 0.2, -0.8), (0.0, 0.0, -0.4, 0.0, 0.0), (0.2, 0.2, 0.35, 0.25, 0.25)
)
COUPLED_LENGTH_SD, COUPLED_VARIANCE_SD = 0.45, 0.7
# Added to the sharpness in the weight of the balance, so that the weight of a deck without
# sharpness is not 0.
LEAST_STEEPNESS = 0.5
# Limit of the cut. A cut beyond all wanted or all unwanted particles sends nearly everything to one
# side, and readings there carry little information.
FARTHEST_CUT = 1.5

# Priors in the settings themselves, in logits over a unit range: a smooth effect of each, with air
# acting within a narrower band than the rest. They do not depend on the spread of the readings: a
# season of unchanged settings has readings that are all similar.
SETTING_LENGTH, AIR_LENGTH = -0.2, -0.7
PLAIN_LENGTH_SD, PLAIN_VARIANCE = 0.8, NormalPrior(2.5, 1.0)
TREND_VARIANCE = 0.3
# Share of the deviation that is a sum of functions of one setting each: the effects of single
# settings make up most of the response, and learning them takes a fraction of the runs.
ADDITIVE = 0.5
# A coarse answer averages over every fourth draw of hyperparameters.
COARSE = 4


@dataclass(frozen=True)
class PairDescription:
    """The inputs of a pair of processes, and the options of its fit.

    Args:
        settings: names of the leading inputs; the other inputs describe the material.
        inputs: number of settings and material inputs.
        coordinates: coordinates in which the settings act; None for the settings themselves.
        by_line: whether one more input is the number of a line.
        solver: how the processes are conditioned on readings: exactly, or by inducing points.
        seed: seed of the estimation of hyperparameters.
    """

    settings: tuple[str, ...]
    inputs: int
    coordinates: DeckCoordinates | None
    by_line: bool
    solver: Solver
    seed: int


def processes_of(description: PairDescription, members: int) -> Processes:
    """Processes of sharpness and balance, not fitted yet.

    Args:
        description: inputs and solver of the processes.
        members: number of draws of hyperparameters to average over.
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


def _plain_parts(description: PairDescription) -> tuple[tuple[Kernel, Mean], tuple[Kernel, Mean]]:
    """Kernels and means of sharpness and balance in the settings themselves."""
    d, names = description.inputs, description.settings
    lengths = [AIR_LENGTH if n == "air" else SETTING_LENGTH for n in names or ("",) * d]
    lengths += [MATERIAL_LENGTH] * (d - len(lengths))
    kernel = Kernel(NormalPrior(tuple(lengths), PLAIN_LENGTH_SD), PLAIN_VARIANCE, additive=ADDITIVE)
    sharpness = Mean("constant", variance=TREND_VARIANCE, level=PLAIN_SHARPNESS)
    return (kernel, sharpness), (kernel, Mean("linear", variance=TREND_VARIANCE))


def _coupled_parts(
    belief: CoupledPrior, level: float, coordinates: DeckCoordinates, d: int
) -> tuple[Kernel, Mean]:
    """Kernel and mean of a process in coupled coordinates, of d settings and materials."""
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


def fit_pair(processes: Processes, groups: Groups, latent: tuple[Floats, ...]) -> None:
    """Fit sharpness, then balance, whose weight in coupled coordinates follows the sharpness.

    Args:
        processes: processes of sharpness and balance, not fitted yet.
        groups: inputs of the readings, grouped by replicates.
        latent: readings of sharpness, readings of balance, and the known variances of both, each
            (n,).
    """
    sharpness, balance = processes
    S, C, s_variance, c_variance = latent
    _fit(sharpness, groups, S, s_variance)
    if balance.kernel.coordinates is not None:
        weight = Steepness(tuple(sharpness.stacks(COARSE)))
        balance.set_params(kernel=replace(balance.kernel, weight=weight))
    _fit(balance, groups, C, c_variance)


def _fit(gp: GaussianProcess, groups: Groups, y: Floats, variance: Floats) -> None:
    mean, known_variance = groups.mean(y), groups.mean(variance)
    gp.fit(groups.points, mean, known_variance, groups.count, groups.scatter(y))


def expected_logits(
    processes: Processes, groups: Groups, feed_odds: Floats
) -> tuple[Floats, Floats]:
    """Logits of grade and recovery that fitted processes predict for each reading.

    Args:
        processes: fitted processes of sharpness and balance.
        groups: inputs of the readings.
        feed_odds: log odds of the feed grade of each reading, shape (n,).

    Returns:
        Logit of the grade and logit of the recovery, each (n,).
    """
    S, C = (gp.predict(groups.points)[groups.which] for gp in processes)
    a, b = 0.5 * (C + S), 0.5 * (C - S)
    return feed_odds + log_expit(a) - log_expit(b), a


def cut_of(balance: Kernel, S: Floats, C: Floats) -> Floats:
    """Cut of a deck with sharpness S and balance C, in the shape of S. The cut is the slope dC/dS.

    The cut is a position between wanted and unwanted particles: 0 is halfway between them, 1 and -1
    are the positions of the two. A balance is a cut times a sharpness, so an error dS of the
    sharpness causes an error of the cut times dS in the balance (see ``joint``). Without coupled
    coordinates the cut is 0: sharpness and balance are independent.

    Args:
        balance: kernel of the process of balance.
        S, C: sharpness and balance, equal shapes.
    """
    if balance.weight is None:
        return np.zeros_like(S)
    return np.clip(C / _steepness(S), -FARTHEST_CUT, FARTHEST_CUT)


def _steepness(S: Floats) -> Floats:
    return np.asarray(np.maximum(S, 0.0) + LEAST_STEEPNESS)


@dataclass(frozen=True)
class Steepness:
    """Weight of the balance: its change when the cut shifts, which depends on the sharpness.

    In a logistic partition, moving the cut by a share r of the way from the halfway point to the
    wanted or unwanted particles changes both logits by r times the sharpness. A deck that does not
    separate at all keeps a small weight.

    Args:
        sharpness: posteriors of the sharpness; their means are averaged.
    """

    sharpness: tuple[Posterior, ...]

    def __call__(self, A: Floats) -> Floats:
        """Weight, shape (n,), at inputs A, shape (n, d)."""
        inputs, readings = Inputs(A), self.sharpness[0].readings
        mean = np.mean(np.vstack([p.mean(inputs) for p in self.sharpness]), axis=0)
        return _steepness(readings.center + readings.spread * mean)
