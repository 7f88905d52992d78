"""A plateau with a steep edge in one random direction of all settings.

On the plateau both scores change gently and without interactions. The recovery rises towards the
edge; the share of the unwanted material is level in that direction. Beyond the edge one half of the
decks fails. On the other half the unwanted material goes where the wanted goes, so that the grade
falls to that of the feed. The best settings lie close before the edge. A share approaches 0 and 1
as a power of its score.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.trials.other_laws.deck import (
    Feed,
    OtherDeck,
    all_settings,
    signs,
    step,
)

# Farther out than any setting: no such border.
NOWHERE = 10.0


@dataclass(frozen=True, kw_only=True)
class CliffDeck(OtherDeck):
    """One deck; ``random_cliff`` draws every number.

    Attributes:
        edge: direction towards the edge, shape (5,).
        edge_at, edge_width: position and width of the edge, where the grade collapses.
        level: scores of the wanted and the unwanted material in the middle, shape (2,).
        slope: change of the two scores with each setting, shape (2, 5).
    """

    edge: np.ndarray
    edge_at: float
    edge_width: float
    level: np.ndarray
    slope: np.ndarray

    def scores(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Two planes; beyond the edge the unwanted score equals the wanted one."""
        to_edge = x @ self.edge
        wanted, unwanted = self.level[:, None] + self.slope @ x.T
        beyond = step((to_edge - self.edge_at) / self.edge_width)
        return wanted, unwanted + beyond * (wanted - unwanted)

    @staticmethod
    def share(score: np.ndarray) -> np.ndarray:
        """Half of 1 + z / sqrt(1 + z^2)."""
        return 0.5 * (1.0 + score / np.sqrt(1.0 + score**2))


def random_cliff(rng: np.random.Generator) -> tuple[CliffDeck, Feed]:
    """One deck and what it is fed."""
    edge, at = all_settings(rng), float(rng.uniform(-0.1, 0.3))
    width = float(rng.uniform(0.015, 0.03))
    fails = bool(rng.random() < 0.5)
    # Slopes along the plateau, of which nothing points towards the edge.
    drawn = signs(rng, 10).reshape(2, 5) * rng.uniform(0.1, 0.3, (2, 5))
    wanted, unwanted = drawn - np.outer(drawn @ edge, edge)
    deck = CliffDeck(
        border=edge,
        border_at=at if fails else NOWHERE,
        border_width=width,
        noise=float(rng.uniform(0.03, 0.06)),
        edge=edge,
        edge_at=NOWHERE if fails else at,
        edge_width=width,
        level=np.array([rng.uniform(0.6, 1.0), rng.uniform(-1.8, -1.2)]),
        slope=np.stack([wanted + rng.uniform(0.6, 1.0) * edge, unwanted]),
    )
    return deck, Feed(float(rng.uniform(0.55, 0.92)))
