"""A curved valley for the grade, and a recovery that is best elsewhere and in other directions.

In one rotation of all settings the grade is good along a parabola, off which it falls like a
resonance; along it, it falls slowly. The recovery falls off its own best point by a quadratic form
of another rotation. Runs fail outside an ellipsoid of a third. Grade and recovery are laws of their
own here; the share of the unwanted material follows from them. The grade scatters where it is
steep, so that readings in the valley are better than those on its flanks.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.trials.judge_laws.deck import (
    SETTINGS,
    JudgeDeck,
    instruments,
    polled,
    random_feed,
    rotation,
)
from tests.benchmarks.trials.other_laws.deck import Feed


@dataclass(frozen=True, kw_only=True)
class ValleyDeck(JudgeDeck):
    """One deck; ``random_valley`` draws every number.

    Attributes:
        turned: the rotations of grade, recovery and failure, shape (3, 5, 5).
        at, bend: where the valley crosses, and how much it bends; the second coordinate goes along.
        width: of the valley.
        along: best place along the valley, and the length over which the grade falls, shape (2,).
        upgrade: share of the way from the feed's grade to 1 that the best grade reaches.
        ground: the upgrade far off the valley, as a share of the best.
        most: the highest recovery.
        best, falls: where the recovery is best in its coordinates, and how fast it falls off; (5,).
        radii: half axes of the ellipsoid, shape (5,).
        rim: width of its border, as a share of the radius.
        noise: standard deviation of the distance from the valley, and of the logarithm of the loss.
    """

    turned: np.ndarray
    at: float
    bend: float
    width: float
    along: np.ndarray
    upgrade: float
    ground: float
    most: float
    best: np.ndarray
    falls: np.ndarray
    radii: np.ndarray
    rim: float
    noise: np.ndarray

    def split(self, x: np.ndarray, feed: Feed, shake: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The two laws."""
        y = x @ self.turned[0].T
        off = y[:, 0] - self.at - self.bend * (y[:, 1] ** 2 - 0.33) + self.noise[0] * shake[0]
        walked = (y[:, 1] - self.along[0]) / self.along[1]
        peak = 1.0 / (1.0 + (off / self.width) ** 2) / np.sqrt(1.0 + walked**2)
        quality = self.upgrade * (self.ground + (1.0 - self.ground) * peak)
        away = ((x @ self.turned[1].T - self.best) ** 2) @ self.falls
        recovery = self.most / (1.0 + away * np.exp(self.noise[1] * shake[1]))
        return recovery, feed.feed_grade + (1.0 - feed.feed_grade) * quality

    def radius(self, x: np.ndarray) -> np.ndarray:
        """Distance from the middle in half axes of the ellipsoid, shape (n,)."""
        return np.sqrt((((x @ self.turned[2].T) / self.radii) ** 2).sum(axis=1))

    def failure(self, x: np.ndarray) -> np.ndarray:
        """A straight rise across the border of the ellipsoid."""
        return np.clip(0.5 + (self.radius(x) - 1.0) / self.rim, 0.0, 1.0)


def random_valley(rng: np.random.Generator) -> tuple[ValleyDeck, Feed]:
    """One deck and what it is fed."""
    deck = ValleyDeck(
        **instruments(rng),
        turned=np.stack([rotation(rng) for _ in range(3)]),
        at=float(rng.uniform(-0.3, 0.3)),
        bend=float(rng.choice([-1.0, 1.0]) * rng.uniform(0.6, 1.2)),
        width=float(rng.uniform(0.25, 0.5)),
        along=np.array([rng.uniform(-0.6, 0.6), rng.uniform(0.8, 1.6)]),
        upgrade=float(rng.uniform(0.8, 0.95)),
        ground=float(rng.uniform(0.1, 0.4)),
        most=float(rng.uniform(0.93, 0.99)),
        best=rng.uniform(-0.5, 0.5, SETTINGS),
        falls=rng.permutation([0.02, 0.06, 0.12, 0.2, 0.3]) * rng.uniform(0.7, 1.3),
        radii=rng.uniform(0.8, 1.6, SETTINGS),
        rim=float(rng.uniform(0.05, 0.12)),
        noise=np.array([rng.uniform(0.02, 0.06), rng.uniform(0.04, 0.12)]),
    )
    reach = float(np.quantile(deck.radius(polled(rng)), rng.uniform(0.82, 0.95)))
    return ValleyDeck(**{**vars(deck), "radii": deck.radii * reach}), random_feed(rng)
