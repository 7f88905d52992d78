"""Which of two settings is the larger decides: a tree of comparisons with a level at each end.

A branch compares two settings, each turned by a random sign, or the middle one of three settings
with a threshold. It is passed within a narrow band, beyond which nothing of it is felt. Within a
level, a setting's distance from its own best acts by its absolute value. At one level most runs
fail. A share is the distribution function of Cauchy's law.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.trials.judge_laws.deck import (
    SETTINGS,
    JudgeDeck,
    grade_of,
    instruments,
    random_feed,
)
from tests.benchmarks.trials.other_laws.deck import Feed

DEPTH = 3
BRANCHES, LEVELS = 2**DEPTH - 1, 2**DEPTH


@dataclass(frozen=True, kw_only=True)
class TerracesDeck(JudgeDeck):
    """One deck; ``random_terraces`` draws every number.

    Attributes:
        picked: three different settings of each branch, shape (7, 3).
        sign: of these settings, shape (7, 3).
        by_rank: whether a branch looks at the middle one of its three settings, shape (7,).
        at, width: threshold of each branch, and half the width of its band, shape (7,).
        level: scores of the wanted and the unwanted material at each end, shape (2, 8).
        fails: chance of a failed run at each end, shape (8,).
        best, loss: best value of each setting, and what one unit off it costs; shape (2, 5).
        noise: standard deviation of the two scores, shape (2,).
    """

    picked: np.ndarray
    sign: np.ndarray
    by_rank: np.ndarray
    at: np.ndarray
    width: np.ndarray
    level: np.ndarray
    fails: np.ndarray
    best: np.ndarray
    loss: np.ndarray
    noise: np.ndarray

    def weights(self, x: np.ndarray) -> np.ndarray:
        """How far settings belong to each end of the tree, shape (n, 8); rows sum to 1."""
        turned = self.sign * x[:, self.picked]
        compared = np.where(
            self.by_rank, np.median(turned, axis=2), turned[..., 0] - turned[..., 1]
        )
        s = np.clip(0.5 + 0.5 * (compared - self.at) / self.width, 0.0, 1.0)
        passed = s * s * (3.0 - 2.0 * s)
        found = np.ones((len(x), 1))
        for k in range(DEPTH):
            branch = passed[:, 2**k - 1 : 2 ** (k + 1) - 1]
            found = np.stack([found * (1.0 - branch), found * branch], axis=2)
            found = found.reshape(len(x), -1)
        return found

    def split(self, x: np.ndarray, feed: Feed, shake: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Shares from the levels of the ends."""
        off = np.abs(x[None] - self.best[:, None]) @ self.loss[..., None]
        wanted, unwanted = (
            self.level @ self.weights(x).T + off[..., 0] + self.noise[:, None] * shake
        )
        recovery, lost = (0.5 + np.arctan(score) / np.pi for score in (wanted, unwanted))
        return recovery, grade_of(recovery, lost, feed)

    def failure(self, x: np.ndarray) -> np.ndarray:
        """Most runs fail at one end of the tree."""
        # None before a good part of the way to that end, or the edge would be the best place.
        return np.clip((self.weights(x) - 0.3) / 0.3, 0.0, 1.0) @ self.fails


def random_terraces(rng: np.random.Generator) -> tuple[TerracesDeck, Feed]:
    """One deck and what it is fed."""
    unwanted = -np.exp(np.sort(rng.uniform(np.log(0.6), np.log(9.0), LEVELS))[::-1])
    # What keeps more of the unwanted material out usually loses more of the wanted.
    wanted = 3.2 + 0.15 * unwanted + rng.uniform(-1.0, 1.2, LEVELS)
    order = rng.permutation(LEVELS)
    # Not one of the ends with the best grades, or nothing would be left to find.
    fails = np.where(np.arange(LEVELS) == rng.integers(LEVELS - 2), 0.9, 0.0)
    drawn = [rng.permutation(SETTINGS) for _ in range(BRANCHES)]
    deck = TerracesDeck(
        **instruments(rng),
        picked=np.array([p[:3] for p in drawn]),
        sign=rng.choice([-1.0, 1.0], (BRANCHES, 3)),
        by_rank=rng.random(BRANCHES) < 0.3,
        at=rng.uniform(-0.35, 0.35, BRANCHES),
        width=rng.uniform(0.08, 0.3, BRANCHES),
        level=np.stack([wanted, unwanted])[:, order],
        fails=fails[order],
        best=rng.uniform(-0.8, 0.8, (2, SETTINGS)),
        loss=np.array([[-1.0], [0.6]]) * rng.uniform(0.15, 0.5, (2, SETTINGS)),
        noise=np.array([rng.uniform(0.04, 0.12), rng.uniform(0.05, 0.2)]),
    )
    return deck, random_feed(rng)
