"""Descriptions of a deck, each with its priors: two processes before any run, and their fit.

What we believe of a deck may be wrong, so several descriptions compete (see ``averaging``):

    coupled   sharpness and balance (see ``coordinates``) in coupled coordinates (see
              ``deck_coordinates``), with prior slopes; a shift of the cut changes the balance in
              proportion to the sharpness, so the balance is a process times a weight that follows
              the sharpness
    loose     sharpness and balance in coupled coordinates, without slopes or a cut
    single    sharpness and balance in the settings, half of their variance effects of single ones
    joint     sharpness and balance in the settings, all of it effects of all settings jointly
    shares    the wanted and the unwanted share that reach the product, each for itself, in the
              settings

Without coupled coordinates one more competes, since the settings may not be a deck's:

    smooth    sharpness and balance as quadratic trends with gentle deviations

The first two need at least two of the settings that have coupled coordinates, and loose needs two
that act together. A deck that lacks some of the settings has the prior of one that never moves
them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from optimizer.gaussian_process.estimation import Estimated
from optimizer.gaussian_process.hyperparameters import NormalPrior
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.kernel import Grouping, Kernel, Parts
from optimizer.gaussian_process.matern import SharedLengths
from optimizer.gaussian_process.mean import PER_UNIT, Mean
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.text.sentences import sentence

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.replicates import Groups
    from optimizer.gaussian_process.solvers import Posterior, Solver
    from optimizer.model.coordinates import PairReadings
    from optimizer.model.deck_coordinates import DeckCoordinates

    Floats = NDArray[np.float64]
    Processes = tuple[GaussianProcess, GaussianProcess]

# Sharpness far from all runs, which means at settings that nobody would choose. Runs are made where
# a deck works, so a process that returned to their average would predict too much elsewhere.
PLAIN_SHARPNESS = 1.0
# ln of the length scale of material inputs, which is long.
MATERIAL_LENGTH = 1.0
# Prior standard deviation of the slopes of inputs without a coupled coordinate.
OTHER_SLOPE = 0.5


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

    def kept(self, coordinates: DeckCoordinates) -> CoupledPrior:
        """This prior where some settings are absent, hence constant; tuples are for the coordinates
        that are kept. Those that follow a kept one add their slope, the variance of their slope and
        their inverse squared length scale to its own."""
        followed = coordinates.followed
        inverse = np.exp(-2.0 * np.array(self.lengths)) @ followed**2
        slopes = np.array(self.slopes) @ followed
        sds = np.sqrt(np.array(self.slope_sds) ** 2 @ followed**2)
        # Rounded, so that a deck with all five has exactly the figures above.
        parts = np.round([-0.5 * np.log(inverse), slopes, sds], 12)
        return CoupledPrior(self.variance, *(tuple(part.tolist()) for part in parts))


# Longer exposure separates better, a deeper bed separates worse, and more tilt sends less to the
# high side (common practice). The sizes and length scales of these effects were chosen by the
# likelihood of simulated decks, leaving out each family in turn (reports/surrogate.md). The priors
# are wide enough that the model can learn a deck which behaves differently.
SHARPNESS = CoupledPrior(
    1.5, (0.3, 1.1, 1.4, -0.1, -0.9), (-0.5, 0.8, 0.0, 0.0, 0.0), (0.6, 0.6, 0.2, 0.3, 0.3)
)
BALANCE = CoupledPrior(
    -2.2, (0.5, 1.0, 0.4, 0.2, -0.8), (0.0, 0.0, -0.4, 0.0, 0.0), (0.2, 0.2, 0.35, 0.25, 0.25)
)
COUPLED_LENGTH_SD, COUPLED_VARIANCE_SD = 0.6, 0.7
# Added to the sharpness in the weight of the balance, so that the weight of a deck without
# sharpness is not 0.
LEAST_STEEPNESS = 0.5
# Limit of the cut. A cut beyond all wanted or all unwanted particles sends nearly everything to one
# side, and readings there carry little information.
FARTHEST_CUT = 1.5

# Priors without beliefs about a deck, in logits over a unit range. They do not depend on the spread
# of the readings: a season of unchanged settings has readings that are all similar. The length
# scales are short, which costs little where a deck is smooth; they were chosen on development decks
# by the mean log density of unseen settings, over families of both kinds.
SETTING_LENGTH, AIR_LENGTH, PLAIN_LENGTH_SD = -0.4, -0.8, 0.8
HILLY_LENGTH, HILLY_LENGTH_SD = -0.5, 0.5
PLAIN_VARIANCE = NormalPrior(2.5, 1.0)
# Where settings are not a deck's, the response may be as gentle as a polynomial.
GENTLE_LENGTH, GENTLE_VARIANCE = 0.3, NormalPrior(0.0, 1.5)
TREND_VARIANCE = 0.3
# Share of the deviation that is a sum of functions of one setting each: learning the effects of
# single settings takes a fraction of the runs.
ADDITIVE = 0.5
# Length scales of taper, of bow and of what is left of a profile of gates, over that of their level
# (see ``plant.profiles``). What gates that differ do where each part of the bed needs the same air
# follows from the level (``gaussian_process.kernel.Parts``); these length scales say how much more
# than that a profile may do. They follow that of the level and are not estimated, and they are
# longer, since parts of a bed act alike until runs say otherwise. That of the taper was chosen by
# the log score of unseen settings of development decks, the others by campaigns on them
# (reports/gates.md).
CONTRAST_RATIO = (2.5, 6.0, 20.0)
# What each description says of a deck; of the coupled ones, by what its settings can change.
COUPLED = {
    ("bed", "exposure"): sentence("deck_bed_and_exposure"),
    ("bed",): sentence("deck_bed"),
    (): sentence("deck_cut"),
}
SINGLE = sentence("deck_single")
JOINT = sentence("deck_joint")
SMOOTH = sentence("deck_smooth")
SHARES = sentence("deck_shares")
# Draws of hyperparameters of a share.
SHARE_MEMBERS = 8
# A coarse answer averages over every fourth draw of hyperparameters.
COARSE = 4


@dataclass(frozen=True)
class Frame:
    """The inputs of a pair of processes, and the options of its fit.

    Args:
        settings: names of the leading inputs; the other inputs describe the material.
        inputs: number of settings and material inputs.
        coordinates: coupled coordinates of the settings; None where they do not apply.
        groupings: for each further input, which is the number of a group of runs, how these groups
            correlate.
        solver: how the processes are conditioned on readings: exactly, or by inducing points.
        seed: seed of the estimation of hyperparameters.
        contrasts: for each input that is a contrast between gates, its column, the column of their
            level and the degree of the contrast: 1 for taper, 2 for bow, more for what is left.
    """

    settings: tuple[str, ...]
    inputs: int
    coordinates: DeckCoordinates | None
    groupings: tuple[Grouping, ...]
    solver: Solver
    seed: int
    contrasts: tuple[tuple[int, int, int], ...] = ()

    @cached_property
    def own(self) -> list[int]:
        """Columns of the inputs that are no contrasts, each of which has its own length scale."""
        other = {column for column, _, _ in self.contrasts}
        return [column for column in range(self.inputs) if column not in other]

    @cached_property
    def shared(self) -> SharedLengths | None:
        """The length scale of each input; None where there are no contrasts."""
        if not self.contrasts:
            return None
        which, ratio = np.zeros(self.inputs, dtype=int), np.ones(self.inputs)
        which[self.own] = np.arange(len(self.own))
        for column, level, degree in self.contrasts:
            which[column] = which[level]
            ratio[column] = CONTRAST_RATIO[min(degree, len(CONTRAST_RATIO)) - 1]
        return SharedLengths(tuple(which.tolist()), tuple(ratio.tolist()))

    @cached_property
    def parts(self) -> tuple[Parts, ...]:
        """The levels whose gates may differ, each with its contrasts."""
        levels = dict.fromkeys(level for _, level, _ in self.contrasts)
        return tuple(
            Parts(level, tuple(column for column, own, _ in self.contrasts if own == level))
            for level in levels
        )


@dataclass(frozen=True)
class Description:
    """One way to describe a deck, as two processes.

    Attributes:
        name: name of the description.
        says: what it says of a deck, as the end of a sentence.
        first, second: kernel and mean of each process.
        cut: whether the second process gets a weight that follows the first (see ``Steepness``).
        apart: whether the processes are the logits of the wanted and of the unwanted share, rather
            than sharpness and balance.
        alone: whether the group of runs that is asked about learns nothing from the others.
    """

    name: str
    says: str
    first: tuple[Kernel, Mean]
    second: tuple[Kernel, Mean]
    cut: bool = False
    apart: bool = False
    alone: bool = False


def descriptions_of(frame: Frame) -> tuple[Description, ...]:
    """The descriptions that compete for a deck."""
    plain = _plain_kernel(frame, SETTING_LENGTH, PLAIN_LENGTH_SD)
    partly = replace(plain, additive=ADDITIVE)
    hilly = _plain_kernel(frame, HILLY_LENGTH, HILLY_LENGTH_SD)
    linear = Mean("linear", variance=TREND_VARIANCE)
    sharp = Mean("constant", variance=TREND_VARIANCE, level=PLAIN_SHARPNESS)
    level = Mean("constant", variance=TREND_VARIANCE)
    found = (
        Description("single", SINGLE, (partly, sharp), (partly, linear)),
        Description("joint", JOINT, (hilly, level), (hilly, level)),
        Description("shares", SHARES, (plain, linear), (plain, linear), apart=True),
    )
    coordinates = frame.coordinates
    if coordinates is None:
        gentle = _plain_kernel(frame, GENTLE_LENGTH, PLAIN_LENGTH_SD)
        gentle = replace(gentle, variance=GENTLE_VARIANCE)
        curved = Mean(
            variance=TREND_VARIANCE, quadratic_inputs=tuple(frame.own) if frame.contrasts else None
        )
        return Description("smooth", SMOOTH, (gentle, curved), (gentle, curved)), *found
    coupled = Description(
        "coupled",
        COUPLED[coordinates.moving],
        _coupled_parts(SHARPNESS, PLAIN_SHARPNESS, frame),
        _coupled_parts(BALANCE, 0.0, frame),
        cut=True,
    )
    if not coordinates.coupled:
        return coupled, *found
    loosened = replace(partly, coordinates=coordinates)
    says = sentence("deck_loose", moving=[sentence(name) for name in coordinates.moving])
    loose = Description("loose", says, (loosened, sharp), (loosened, linear))
    return coupled, loose, *found


def processes_of(description: Description, frame: Frame, members: int) -> Processes:
    """The two processes of a description, not fitted yet.

    Args:
        description: what the processes assume.
        frame: inputs and solver of the processes.
        members: number of draws of hyperparameters to average over.
    """
    groupings = frame.groupings
    if description.alone:
        groupings = tuple(each.alone for each in groupings)
    first, second = (
        GaussianProcess(
            replace(kernel, groupings=groupings),
            mean,
            solver=frame.solver,
            scale="center",
            hyperparameters=Estimated(members),
            random_state=frame.seed + k,
        )
        for k, (kernel, mean) in enumerate((description.first, description.second))
    )
    return first, second


def share_process_of(frame: Frame) -> GaussianProcess:
    """The process of the logit of one more share of the feed, not fitted yet. It assumes what
    *loose* does, and *single* where there are no coupled coordinates."""
    plain = _plain_kernel(frame, SETTING_LENGTH, PLAIN_LENGTH_SD)
    kernel = replace(plain, coordinates=frame.coordinates, groupings=frame.groupings)
    return GaussianProcess(
        replace(kernel, additive=ADDITIVE),
        Mean("linear", variance=TREND_VARIANCE),
        solver=frame.solver,
        scale="center",
        hyperparameters=Estimated(SHARE_MEMBERS),
        random_state=frame.seed,
    )


def _plain_kernel(frame: Frame, length: float, sd: float) -> Kernel:
    """Kernel in the settings themselves, with a prior mean and a prior standard deviation of ln of
    the length scales of settings."""
    lengths = _lengths(frame, length)[frame.own]
    prior = NormalPrior(tuple(lengths.tolist()), sd)
    return Kernel(prior, PLAIN_VARIANCE, shared=frame.shared, parts=frame.parts)


def _lengths(frame: Frame, length: float) -> Floats:
    """Prior means of ln of the length scales of all inputs, shape (d,), from that of a setting; air
    acts within a narrower band."""
    names = frame.settings or ("",) * frame.inputs
    lengths = [length + (AIR_LENGTH - SETTING_LENGTH) * (n == "air") for n in names]
    return np.array(lengths + [MATERIAL_LENGTH] * (frame.inputs - len(lengths)))


def _coupled_parts(belief: CoupledPrior, level: float, frame: Frame) -> tuple[Kernel, Mean]:
    """Kernel and mean of a process in the coupled coordinates of a frame that has them; the other
    settings and the material keep their own length scales."""
    assert frame.coordinates is not None
    columns, own = list(frame.coordinates.columns), belief.kept(frame.coordinates)
    lengths = _lengths(frame, SETTING_LENGTH)
    slopes, sds = np.zeros(frame.inputs), np.full(frame.inputs, OTHER_SLOPE)
    lengths[columns], slopes[columns], sds[columns] = own.lengths, own.slopes, own.slope_sds
    kernel = Kernel(
        NormalPrior(tuple(lengths[frame.own].tolist()), COUPLED_LENGTH_SD),
        NormalPrior(own.variance, COUPLED_VARIANCE_SD),
        coordinates=frame.coordinates,
        shared=frame.shared,
        parts=frame.parts,
    )
    variance = tuple((sds / PER_UNIT) ** 2)
    return kernel, Mean("linear", variance=variance, level=level, slopes=tuple(slopes))


def fit_pair(
    description: Description, processes: Processes, groups: Groups, readings: PairReadings
) -> None:
    """Fit the first process, then the second, whose weight may follow the first.

    Args:
        description: what the processes assume.
        processes: the two processes, not fitted yet.
        groups: inputs of the readings, grouped by replicates.
        readings: readings of the two processes.
    """
    (first, second), scatter = processes, readings.scatter(groups)
    _fit(first, groups, readings.first, readings.first_variance, scatter[0])
    if description.cut:
        weight = Steepness(tuple(first.stacks(COARSE)))
        second.set_params(kernel=replace(second.kernel, weight=weight))
    _fit(second, groups, readings.second, readings.second_variance, scatter[1])


def _fit(gp: GaussianProcess, groups: Groups, y: Floats, variance: Floats, scatter: Floats) -> None:
    mean, known_variance = groups.mean(y), groups.mean(variance)
    gp.fit(groups.points, mean, known_variance, groups.count, scatter)


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
