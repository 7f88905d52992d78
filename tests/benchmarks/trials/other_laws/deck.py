"""What the decks of other laws share: the interface, the mass balance, failures and readings."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np

# Ranges of feed rate t/h, end raise deg, side tilt deg, eccentric speed rpm and air turns: those of
# the benchmark's region.
NAMES = ("feed_rate", "end_raise", "side_tilt", "eccentric_speed", "air")
LOW = np.array([1.5, 0.5, 0.5, 300.0, 0.0])
HIGH = np.array([4.0, 5.0, 4.5, 600.0, 90.0])
COUNTED = 400
RECOVERY_SE = 0.010
# A weighed recovery beyond these is written as one of them.
LEAST_READ, MOST_READ = 0.002, 0.998
# These laws have no bed. A log must name a state for a failed run; this one stands for all.
FAILED = "boiling"


@dataclass(frozen=True)
class Feed:
    """What is fed: the share of wanted material by mass, in (0, 1)."""

    feed_grade: float


@dataclass(frozen=True)
class Outcome:
    """True values of n runs, each of shape (n,): recovery, grade, and chance of a failed run."""

    recovery: np.ndarray
    grade: np.ndarray
    failure: np.ndarray


@dataclass(frozen=True)
class Reading:
    """What a log would hold of n runs; grade and recovery are NaN for a failed run.

    Attributes:
        grade: counted share of wanted particles, a multiple of 1/grade_count, shape (n,).
        recovery: as weighed, shape (n,).
        grade_count: particles counted for each grade.
        recovery_se: standard error of a recovery.
        deck_state: shape (n,).
    """

    grade: np.ndarray
    recovery: np.ndarray
    grade_count: int
    recovery_se: float
    deck_state: np.ndarray


@dataclass(frozen=True, kw_only=True)
class OtherDeck(ABC):
    """A deck of another law: two scores of the settings, and a share that follows from each.

    A law works in ``x``, the settings scaled to [-1, 1] over the benchmark's region, shape (n, 5).

    Attributes:
        border: direction in ``x`` towards which the deck fails, shape (5,).
        border_at, border_width: position and width of that border along the direction.
        noise: standard deviation of the scores from run to run.
        grade_count: particles counted for each grade.
        recovery_se: standard error of a weighed recovery.
    """

    border: np.ndarray
    border_at: float
    border_width: float
    noise: float
    grade_count: int = COUNTED
    recovery_se: float = RECOVERY_SE

    @abstractmethod
    def scores(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Scores of the wanted and of the unwanted material, each of shape (n,)."""

    @staticmethod
    @abstractmethod
    def share(score: np.ndarray) -> np.ndarray:
        """Share of a material that reaches the product, in (0, 1), rising with its score."""

    def run(self, settings: np.ndarray, feed: Feed) -> Outcome:
        """True values at settings in their units, shape (n, 5)."""
        x = scaled(settings)
        wanted, unwanted = self.scores(x)
        recovery, grade = self._split(wanted, unwanted, feed)
        return Outcome(recovery, grade, self._failure(x))

    def measure(self, settings: np.ndarray, feed: Feed, rng: np.random.Generator) -> Reading:
        """Readings at settings in their units, shape (n, 5).

        Run-to-run noise on both scores, then a binomial count and a weighing.
        """
        x = scaled(settings)
        n = len(x)
        wanted, unwanted = (score + self.noise * rng.standard_normal(n) for score in self.scores(x))
        recovery, grade = self._split(wanted, unwanted, feed)
        return reading_of(
            recovery, grade, self._failure(x), self.grade_count, self.recovery_se, rng
        )

    def _failure(self, x: np.ndarray) -> np.ndarray:
        return step((x @ self.border - self.border_at) / self.border_width)

    def _split(
        self, wanted: np.ndarray, unwanted: np.ndarray, feed: Feed
    ) -> tuple[np.ndarray, np.ndarray]:
        """Recovery, and by mass balance grade = f p_w / (f p_w + (1 - f) p_u); each (n,)."""
        recovery = self.share(wanted)
        kept = feed.feed_grade * recovery
        return recovery, kept / (kept + (1.0 - feed.feed_grade) * self.share(unwanted))


def reading_of(
    recovery: np.ndarray,
    grade: np.ndarray,
    failure: np.ndarray,
    grade_count: int,
    recovery_se: float,
    rng: np.random.Generator,
) -> Reading:
    """A binomial count and a weighing of n runs, unless they fail.

    Args:
        recovery, grade: true values of the runs, shape (n,).
        failure: chance that each fails, shape (n,).
        grade_count: particles counted.
        recovery_se: standard error of a weighing.
    """
    count = rng.binomial(grade_count, grade)
    weighed = recovery + recovery_se * rng.standard_normal(len(grade))
    ran = rng.random(len(grade)) >= failure
    return Reading(
        np.where(ran, count / grade_count, np.nan),
        np.where(ran, np.clip(weighed, LEAST_READ, MOST_READ), np.nan),
        grade_count,
        recovery_se,
        np.where(ran, "even", FAILED),
    )


def scaled(settings: np.ndarray) -> np.ndarray:
    """Settings in their units, shape (n, 5), scaled so that the region's ranges are [-1, 1]."""
    return 2.0 * (np.atleast_2d(settings) - LOW) / (HIGH - LOW) - 1.0


def step(z: np.ndarray) -> np.ndarray:
    """A smooth step from 0 to 1, shape kept."""
    return 0.5 * (1.0 + np.tanh(0.5 * z))


def unit(vector: np.ndarray) -> np.ndarray:
    """The vector at length 1."""
    return vector / np.linalg.norm(vector)


def signs(rng: np.random.Generator, n: int) -> np.ndarray:
    """Random signs, shape (n,)."""
    return rng.choice([-1.0, 1.0], n)


def all_settings(rng: np.random.Generator) -> np.ndarray:
    """A random direction in which no setting is without a part, shape (5,)."""
    return unit(signs(rng, len(NAMES)) * rng.uniform(0.4, 1.0, len(NAMES)))
