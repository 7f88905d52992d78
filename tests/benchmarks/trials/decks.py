"""The problems of the benchmark: a deck, its feed, the required grade and the true optimum.

Seeds below ``JUDGE_FROM`` are the development half; the seeds from it on are the judge's half,
which is run only for a report and never used to choose anything. The families of
``judge_laws`` have decks of the judge's half alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np

from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import (
    FAMILIES,
    attainable,
    demanding_grade,
    random_deck,
    random_material,
)
from tests.benchmarks.trials.judge_laws import JUDGE_LAWS
from tests.benchmarks.trials.other_laws import OTHER_LAWS
from tests.benchmarks.trials.outsider import random_outsider

LEAST_FEED = 1.5
REGION = Region.whole(GRAVITY_TABLE).narrow("feed_rate", LEAST_FEED, 9.0, "enough to be done")
OUTSIDER = "outsider"
ALL_FAMILIES = (*FAMILIES, OUTSIDER)
"""What a command runs on if it names no family."""
EVERY_FAMILY = (*ALL_FAMILIES, *OTHER_LAWS, *JUDGE_LAWS)
# Share of the region that reaches the grade on an even deck. One of the 8 spread starts meets the
# first grade in one campaign of five, the second in three of four.
DEMANDS = {"demanding": 0.03, "moderate": 0.15}
JUDGE_FROM = 5000


@dataclass(frozen=True)
class Problem:
    """One deck to learn.

    Attributes:
        deck, material: the deck, with ``run`` and ``measure``, and its feed, of any law.
        min_grade: required grade.
        best: recovery times the chance of an even deck at the attainable optimum.
        best_settings: settings of the optimum, shape (5,).
    """

    family: str
    demand: str
    seed: int
    deck: Any
    material: Any
    min_grade: float
    best: float
    best_settings: np.ndarray

    @property
    def feed_grade(self) -> float:
        """Share of wanted material in the feed."""
        return float(self.material.feed_grade)


def draw(family: str, rng: np.random.Generator) -> tuple[Any, Any]:
    """Draw a deck of a family and its material."""
    if family == OUTSIDER:
        return random_outsider(rng)
    for laws in (OTHER_LAWS, JUDGE_LAWS):
        if family in laws:
            return laws[family](rng)
    return random_deck(rng, family), random_material(rng, family)


@lru_cache(maxsize=16)
def problem(family: str, demand: str, seed: int) -> Problem:
    """The problem of a family, a level of demand and a seed.

    A deck that runs even at fewer settings than that share leaves no grade to ask for; the next
    draw of the seed's generator takes its place.

    Raises:
        ValueError: a family for judging alone with a seed of the development half.
    """
    if family in JUDGE_LAWS and seed < JUDGE_FROM:
        raise ValueError(f"'{family}' is for judging alone: its seeds start at {JUDGE_FROM}.")
    rng, min_grade = np.random.default_rng(seed), 0.0
    while min_grade <= 0.0:
        deck, material = draw(family, rng)
        min_grade = demanding_grade(deck, material, DEMANDS[demand], REGION)
    optimum = attainable(deck, material, min_grade, REGION)
    return Problem(
        family,
        demand,
        seed,
        deck,
        material,
        min_grade,
        optimum.recovery * (1.0 - optimum.failure),
        optimum.settings,
    )
