"""What the decks of the judge's laws share: the interface, the mass balance and the readings."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np

from tests.benchmarks.trials.other_laws.deck import (
    Feed,
    Outcome,
    Reading,
    reading_of,
    scaled,
)

SETTINGS = 5
# Settings at which a random deck is measured while it is drawn, so that its borders and levels
# have a place in the region.
POLLED = 2048


@dataclass(frozen=True, kw_only=True)
class JudgeDeck(ABC):
    """A deck of a law of its own, in ``x``: the settings scaled to [-1, 1], shape (n, 5).

    Attributes:
        grade_count: particles counted for each grade.
        recovery_se: standard error of a weighed recovery.
    """

    grade_count: int
    recovery_se: float

    @abstractmethod
    def split(self, x: np.ndarray, feed: Feed, shake: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Recovery and grade, each of shape (n,).

        Args:
            x: scaled settings, shape (n, 5).
            feed: what is fed.
            shake: standard normal numbers of the scatter from run to run, shape (2, n); 0 for the
                true values.
        """

    @abstractmethod
    def failure(self, x: np.ndarray) -> np.ndarray:
        """Chance of a failed run at scaled settings, shape (n,)."""

    def run(self, settings: np.ndarray, feed: Feed) -> Outcome:
        """True values at settings in their units, shape (n, 5)."""
        x = scaled(settings)
        recovery, grade = self.split(x, feed, np.zeros((2, len(x))))
        return Outcome(recovery, grade, self.failure(x))

    def measure(self, settings: np.ndarray, feed: Feed, rng: np.random.Generator) -> Reading:
        """Readings at settings in their units: scatter, then a binomial count and a weighing."""
        x = scaled(settings)
        recovery, grade = self.split(x, feed, rng.standard_normal((2, len(x))))
        return reading_of(recovery, grade, self.failure(x), self.grade_count, self.recovery_se, rng)


def grade_of(wanted: np.ndarray, unwanted: np.ndarray, feed: Feed) -> np.ndarray:
    """Grade by mass balance, f p_w / (f p_w + (1 - f) p_u), of shares of shape (n,)."""
    kept = feed.feed_grade * wanted
    return kept / (kept + (1.0 - feed.feed_grade) * unwanted)


def instruments(rng: np.random.Generator) -> dict[str, float]:
    """Count and weighing of a random deck, as arguments of ``JudgeDeck``."""
    return {
        "grade_count": int(rng.choice([200, 400, 800])),
        "recovery_se": float(rng.uniform(0.006, 0.015)),
    }


def random_feed(rng: np.random.Generator) -> Feed:
    """What a random deck is fed."""
    return Feed(float(rng.uniform(0.5, 0.9)))


def rotation(rng: np.random.Generator) -> np.ndarray:
    """A random rotation of all settings, shape (5, 5), whose rows are unit vectors."""
    q, r = np.linalg.qr(rng.standard_normal((SETTINGS, SETTINGS)))
    return (q * np.sign(np.diag(r))).T


def polled(rng: np.random.Generator) -> np.ndarray:
    """Scaled settings anywhere, shape (n, 5)."""
    return rng.uniform(-1.0, 1.0, (POLLED, SETTINGS))
