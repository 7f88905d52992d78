"""The effects of time on each run and at the moment that is asked about, with what is not known.

    reading = f(settings, material) + day + lot + slow(t) + steps before t + error

Each term is a random effect on sharpness and on balance, with a variance of its own. The slow
component is an Ornstein-Uhlenbeck process, the local level of a deck that wears and is cleaned; a
step is what an event of the site file (a screen cleaned, a cloth changed) did. The deck's processes
are fitted to readings without the effects, as of the moment of the plan.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from optimizer.numerics.fingerprint import fingerprint
from optimizer.time_effects.information import mean_effects
from optimizer.time_effects.occasions import ASKED
from optimizer.time_effects.spread import Search, Spread, spread_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.gaussian_process.replicates import Groups
    from optimizer.time_effects.information import Information
    from optimizer.time_effects.occasions import Cells

    Floats = NDArray[np.float64]

# Share of the variance of the effects that the directions which are kept must hold.
KEPT = 0.999


@dataclass(frozen=True, eq=False)
class Unsure:
    """What is not known of the effects, as combinations of r standard normals; compared by value.

    Attributes:
        now: effects at the moment on sharpness and on balance, shape (2, r).
        at_points: mean effects on the readings of u set-points, shape (2, u, r).
    """

    now: Floats
    at_points: Floats

    def along(self, deviations: Floats) -> Unsure:
        """The same along the fewest directions of the normals that explain some deviations.

        Effects of hundreds of days are as many normals. Most directions of them hardly move a
        prediction, since a surface averages over days.

        Args:
            deviations: what the normals do to some predictions, shape (r, k).
        """
        values, axes = np.linalg.eigh(deviations @ deviations.T)
        axes = axes[:, ::-1][:, : _most(values[::-1])]
        return Unsure(self.now @ axes, self.at_points @ axes)

    @cached_property
    def _key(self) -> bytes:
        return fingerprint(self.now, self.at_points)

    def __hash__(self) -> int:
        return hash(self._key)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Unsure) and self._key == other._key


@dataclass(frozen=True)
class WeeklyChange:
    """Change a week of sharpness and balance up to the moment, in logits.

    Attributes:
        mean: means, shape (2,).
        covariance: their covariance, shape (2, 2).
    """

    mean: Floats
    covariance: Floats


@dataclass(frozen=True)
class TimeEffects:
    """The effects of time on each run, and at the moment that is asked about.

    Attributes:
        spread: standard deviations of the effects of highest posterior density.
        of_runs: effect on sharpness and on balance of each run, less that at the moment, (2, n).
        doubt: covariance of the effects of each run, as far as it adds to the scatter of its
            readings about the deck, shape (n, 2, 2).
        root: what is not known of the occasions of the runs and of the moment, as combinations of
            r standard normals, shape (2, c + 1, r).
        which: occasion of each run, shape (n,).
        weekly: change a week at the moment.
    """

    spread: Spread
    of_runs: Floats
    doubt: Floats
    root: Floats
    which: NDArray[np.int64]
    weekly: WeeklyChange

    def unsure(self, groups: Groups) -> Unsure:
        """What is not known, at the set-points of readings."""
        seen = self.root[:, :-1]
        member = mean_effects(groups, self.which, seen.shape[1])
        return Unsure(self.root[:, -1], np.asarray(member @ seen))


def time_effects(
    information: Information, cells: Cells, like: TimeEffects | None = None, last: bool = False
) -> TimeEffects | None:
    """The effects of time that the readings show; None where they show none.

    Args:
        information: what the readings say of the occasions.
        cells: when the runs were.
        like: the effects that were found before; None to find out whether there are any.
        last: whether the readings change no more; until then the spread is taken as known.
    """
    spread = spread_of(information, cells) if like is None else like.spread
    if not spread.sd:
        return None
    search = Search(information, cells, cells.kinds)
    spread, _ = search.mode(spread, 1.0)
    draws = search.draws(spread) if last else [(spread, 1.0)]
    mean, covariance = _mixed(information, cells, draws)
    c = cells.count
    return TimeEffects(
        spread,
        mean[:, cells.which] - mean[:, c : c + 1],
        _doubt(information, covariance[:, :c, :, :c])[cells.which],
        root_of(covariance[:, : c + 1, :, : c + 1]),
        cells.which,
        _weekly(mean, covariance, cells),
    )


def _doubt(information: Information, covariance: Floats) -> Floats:
    """The covariance of the effects of each occasion that adds to the scatter of its readings,
    shape (c, 2, 2).

    Readings without the effects scatter less than readings would at known effects, since part of
    their error went into the effects. The expected log likelihood of the processes therefore has
    the further term -tr(A S) / 2, S the covariance of the effects, shape (2, c, 2, c) (expectation
    maximization: Dempster, Laird & Rubin, J. R. Statist. Soc. B 39, 1977, 1). Here it is put on the
    scatter of the readings of each occasion.
    """
    c = covariance.shape[1]
    own = np.diagonal(covariance, axis1=1, axis2=3).transpose(2, 0, 1)
    whole = float(np.sum(information.precision * covariance.reshape(2 * c, 2 * c)))
    if_known = float(np.sum(information.alone * own))
    return np.asarray(own * (whole / if_known))


def _mixed(
    information: Information, cells: Cells, draws: Sequence[tuple[Spread, float]]
) -> tuple[Floats, Floats]:
    """Mean, (2, c + 3), and covariance, (2, c + 3, 2, c + 3), of the effects of all occasions,
    averaged over spreads with their weights."""
    each = [(*_given(information, cells, spread), weight) for spread, weight in draws]
    mean = np.asarray(sum(weight * m for m, _, weight in each))
    size = mean.size
    covariance = np.zeros((size, size))
    for m, own, weight in each:
        off = (m - mean).ravel()
        covariance += weight * (own + np.outer(off, off))
    return mean, covariance.reshape(2, size // 2, 2, size // 2)


def _given(information: Information, cells: Cells, spread: Spread) -> tuple[Floats, Floats]:
    """Mean, (2, s), and covariance, (2 s, 2 s), of the effects at all occasions, given a spread."""
    H, c = spread.covariance(cells), cells.count
    size = H.shape[1]
    known = information.known(H[:, :c, :c])
    mean = np.einsum("qij,qj->qi", H[:, :, :c], known.pulled)
    less = np.einsum("pij,pjqk,qlk->piql", H[:, :, :c], known.precision, H[:, :, :c], optimize=True)
    covariance = -less
    for q in range(2):
        covariance[q, :, q] += H[q]
    return mean, covariance.reshape(2 * size, 2 * size)


def root_of(covariance: Floats) -> Floats:
    """A root R, shape (2, s, r), of a covariance R R', shape (2, s, 2, s), up to ``KEPT``."""
    size = covariance.shape[1]
    values, axes = np.linalg.eigh(covariance.reshape(2 * size, 2 * size))
    values, axes = np.clip(values[::-1], 0.0, None), axes[:, ::-1]
    r = _most(values)
    return (axes[:, :r] * np.sqrt(values[:r])).reshape(2, size, -1)


def _most(values: Floats) -> int:
    """How many of the largest variances, in falling order, hold ``KEPT`` of their sum."""
    total: Any = np.cumsum(np.clip(values, 0.0, None))
    return int(np.searchsorted(total, KEPT * total[-1])) + 1


def _weekly(mean: Floats, covariance: Floats, cells: Cells) -> WeeklyChange:
    """Change a week of the slow component between the last two occasions."""
    change = np.array([1.0, -1.0]) / cells.weeks
    size = cells.count + ASKED
    last = [size - 2, size - 1]
    both = covariance[:, last][:, :, :, last]
    return WeeklyChange(mean[:, last] @ change, np.einsum("piqj,i,j->pq", both, change, change))
