"""The true optimum of a simulated deck, which an operator with full knowledge would attain.

A benchmark measures a method by its distance from this number, so no method may find a better
lattice point. The search takes an even sample of the whole region and improves its best points by
many walkers, all evaluated in bulk.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from optimizer.errors import LimitError
from optimizer.numerics.lattice_climb import climb
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation.deck import Deck, Material

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Indices = NDArray[np.int64]

# Number of points in the even sample of the region, a power of two as Sobol' sequences require.
SAMPLE = 1 << 15
# Number of walkers, of moves of each walker in a round, of rounds, and the standard deviation of a
# move in steps. On 75 random decks longer moves or more rounds found nothing better, and shorter
# moves were worse by up to 2e-4.
WALKERS = 48
MOVES = 64
ROUNDS = 20
REACH = 1.5


@dataclass(frozen=True)
class Optimum:
    """The best settings, shape (5,), and the true values at these settings."""

    settings: Floats
    recovery: float
    grade: float
    failure: float


def attainable(
    deck: Deck,
    material: Material,
    min_grade: float,
    region: Region | None = None,
    *,
    max_failure: float = 0.05,
    seed: int = 0,
) -> Optimum:
    """The lattice point of highest true recovery whose true grade is at least ``min_grade``.

    Args:
        region: lattice points to search, with any bounds and couplings, such as a lowest feed rate;
            None for all of ``GRAVITY_TABLE``.
        max_failure: largest chance of a failed trial.
        seed: seed of the search; the result should not depend on it.

    Raises:
        LimitError: when no settings reach the grade.
    """
    region = region or Region.whole(GRAVITY_TABLE)
    rng = np.random.default_rng(seed)
    index = region.sample(SAMPLE, rng)
    first, last = np.array(region.first), np.array(region.last)

    def worth(points: Indices) -> Floats:
        return _worth(deck, material, min_grade, max_failure, region.space.values(points))

    def neighbors(walkers: Indices) -> Indices:
        moves = _moves(rng, len(walkers), len(first))
        near = np.clip(walkers[:, None, :] + moves, first, last).reshape(-1, len(first))
        return np.unique(near[region.contains(near)], axis=0)

    index, found = climb(index, worth(index), worth, neighbors, ROUNDS, WALKERS, patient=True)
    best_index = index[np.argmax(found)]
    return _checked(deck, material, min_grade, max_failure, region.space.values(best_index))


def _moves(rng: np.random.Generator, walkers: int, settings: int) -> Indices:
    """Random steps, shape (walkers, MOVES, settings); about half of the settings do not move."""
    shape = (walkers, MOVES, settings)
    steps = rng.standard_normal(shape) * REACH * (rng.random(shape) < 0.5)
    return np.rint(steps).astype(np.int64)


def _worth(
    deck: Deck, material: Material, min_grade: float, max_failure: float, settings: Floats
) -> Floats:
    """Recovery where the limits hold, elsewhere minus the shortfall; shape (n,)."""
    response = deck.run(settings, material)
    short = np.maximum(min_grade - response.grade, 0.0)
    risk = np.maximum(response.failure - max_failure, 0.0)
    return np.where(short + risk > 0.0, -short - risk, response.recovery)


def _checked(
    deck: Deck, material: Material, min_grade: float, max_failure: float, settings: Floats
) -> Optimum:
    response = deck.run(settings, material)
    grade, failure = float(response.grade[0]), float(response.failure[0])
    if grade < min_grade or failure > max_failure:
        raise LimitError(
            f"no settings of this deck reach grade {min_grade:g} with a chance of failure of at "
            f"most {max_failure:g}; the nearest has grade {grade:.4f} and chance {failure:.3f}.",
            code="grade-out-of-reach",
            hint="Lower the grade, or allow more of the space.",
        )
    return Optimum(settings[0], float(response.recovery[0]), grade, failure)


def demanding_grade(
    deck: Deck,
    material: Material,
    share: float = 0.03,
    region: Region | None = None,
    *,
    max_failure: float = 0.05,
    seed: int = 0,
) -> float:
    """The grade that only a ``share`` of the region reaches, a goal of equal difficulty on any
    deck.

    Args:
        share: share of the lattice points of the region, in (0, 1).
        region, max_failure, seed: see ``attainable``.
    """
    region = region or Region.whole(GRAVITY_TABLE)
    index = region.sample(SAMPLE, np.random.default_rng(seed))
    response = deck.run(region.space.values(index), material)
    grade = np.where(response.failure <= max_failure, response.grade, 0.0)
    return float(np.quantile(grade, 1.0 - share))
