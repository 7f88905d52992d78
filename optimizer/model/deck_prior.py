"""How a deck is expected to behave before any run: the two processes and their priors.

Sharpness and balance (see ``coordinates``) are each a linear trend and a smooth deviation, in
coupled coordinates where a deck has its five settings (see ``deck_coordinates``), else in the
settings themselves. A shift of the cut moves the balance in proportion to the sharpness, so the
balance is a process times that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from scipy.special import log_expit

from optimizer.gaussian_process.kernels import PER_UNIT, Inputs
from optimizer.gaussian_process.priors import Priors
from optimizer.gaussian_process.process import GaussianProcess, at_once
from optimizer.gaussian_process.replicates import Groups

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.model.deck_coordinates import DeckCoordinates

    Floats = NDArray[np.float64]
    Processes = tuple[GaussianProcess, GaussianProcess]

# Sharpness away from all runs: what a deck does at settings nobody would choose. Runs are
# gathered where a deck works; returning to their average promises too much elsewhere.
PLAIN_SHARPNESS = 1.0
NOISE = {"noise_center": -4.0, "noise_sd": 1.5}
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
COUPLED_SDS = {"lengthscale_sd": 0.45, "variance_sd": 0.7}
# Share of the balance that a deck without sharpness still has.
LEAST_STEEPNESS = 0.5
# A cut beyond what is wanted or unwanted sends nearly all one way; readings there say little.
FARTHEST_CUT = 1.5

# The same in logits of a unit range, for settings of which no coordinates are known: several,
# smoothly, air within a narrower band than the rest. Absolute, because the spread of the readings
# is no guide: a season of habit is all alike.
SETTING_LENGTH, AIR_LENGTH = -0.2, -0.7
PLAIN_SDS = {"lengthscale_sd": 0.8, "variance_sd": 1.0}
PLAIN_VARIANCE, TREND_VARIANCE = 2.5, 0.3
# Share of the deviation that is a sum of one function a setting: what each does alone is most of
# what a deck does, and is learned from a fraction of the runs.
ADDITIVE = 0.5
# Of hyperparameter draws, those behind a rough answer: one in so many.
COARSE = 4


def processes_of(
    settings: tuple[str, ...], view: DeckCoordinates | None, d: int, seed: int, **more: Any
) -> Processes:
    """Sharpness and balance, to be fitted.

    Args:
        settings: names of the leading inputs.
        view: coordinates in which they act, or None.
        d: inputs, materials included.
        seed: of their draws.
        more: of ``GaussianProcess``, for both.
    """
    more = {"scale": "center", **more}
    if view is not None:
        sharpness, balance = (
            {"level": level, "view": view, **_coupled(belief, view, d), **more}
            for belief, level in ((SHARPNESS, PLAIN_SHARPNESS), (BALANCE, 0.0))
        )
        return (
            GaussianProcess("linear", random_state=seed, **sharpness),
            GaussianProcess("linear", random_state=seed + 1, **balance),
        )
    lengths = [AIR_LENGTH if n == "air" else SETTING_LENGTH for n in settings or ("",) * d]
    lengths += [MATERIAL_LENGTH] * (d - len(lengths))
    more |= {
        "priors": Priors(tuple(lengths), variance_center=PLAIN_VARIANCE, **PLAIN_SDS, **NOISE),
        "trend_variance": TREND_VARIANCE,
        "additive": ADDITIVE,
    }
    return (
        GaussianProcess("constant", level=PLAIN_SHARPNESS, random_state=seed, **more),
        GaussianProcess("linear", random_state=seed + 1, **more),
    )


def _coupled(belief: Coupled, view: DeckCoordinates, d: int) -> dict[str, Any]:
    """Of a ``GaussianProcess``, in coupled coordinates and material."""
    at = list(view.columns)
    lengths, slopes, sds = np.full(d, MATERIAL_LENGTH), np.zeros(d), np.full(d, MATERIAL_SLOPE)
    lengths[at], slopes[at], sds[at] = belief.lengths, belief.slopes, belief.slope_sds
    return {
        "priors": Priors(tuple(lengths), variance_center=belief.variance, **COUPLED_SDS, **NOISE),
        "slopes": tuple(slopes),
        "trend_variance": tuple((sds / PER_UNIT) ** 2),
    }


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
    if balance.view is not None:
        balance.set_params(weight=Steepness(sharpness))
    _fit(balance, at, C, c_variance)


def _fit(gp: GaussianProcess, at: Groups, y: Floats, variance: Floats) -> None:
    gp.fit(at.points, at.mean(y), at.mean(variance), at.count, at.scatter(y))


def expected_logits(processes: Processes, at: Groups, odds: Floats) -> tuple[Floats, Floats]:
    """Logits of grade and recovery that fitted processes expect of each reading, (n,) each."""
    S, C = (gp.predict(at.points)[at.which] for gp in processes)
    a, b = 0.5 * (C + S), 0.5 * (C - S)
    return odds + log_expit(a) - log_expit(b), a


def cut_of(balance: GaussianProcess, S: Floats, C: Floats) -> Floats:
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


class Steepness:
    """How far a shift of the cut moves the balance: in proportion to the sharpness.

    A cut that lies a share r of the way from the middle between wanted and unwanted particles to
    either moves both chances by r times the sharpness (logistic partition); where nothing
    separates it moves a little all the same.

    Args:
        process: fitted sharpness.
    """

    def __init__(self, process: GaussianProcess) -> None:
        self.process = process
        self.members = at_once(process.members_[::COARSE])

    def __call__(self, A: Floats) -> Floats:
        """Factor at inputs A, shape (n, d); (n,)."""
        inputs, gp = Inputs(A), self.process
        means = [gp.mean_at(m, inputs) for m in self.members]
        mean = np.mean(np.vstack(means), axis=0)
        return _steepness(gp.center_ + gp.spread_ * mean)
