"""A law without causes: grade and recovery are a ridge across a diagonal of the settings.

The diagonal joins side tilt to one or two of feed rate, end raise and air, with random signs. The
model's coordinates pair side tilt with eccentric speed alone. The crest of the recovery and the
crest of the grade lie side by side, and both shift with every setting that is not on the diagonal.
To this are added a wave in each of those settings, and products of any setting and a wave in any
setting. A share is the normal distribution function of its score.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from tests.benchmarks.trials.other_laws.deck import (
    NAMES,
    Feed,
    OtherDeck,
    all_settings,
    signs,
    unit,
)

TILT = NAMES.index("side_tilt")
PARTNERS = [NAMES.index(name) for name in ("feed_rate", "end_raise", "air")]


@dataclass(frozen=True, kw_only=True)
class RidgeDeck(OtherDeck):
    """One deck; ``random_ridge`` draws every number.

    Attributes:
        across, along: unit vectors across and along the crest, both of the settings on the
            diagonal alone, shape (5,).
        crest: position of the crest of the recovery, in ``across``.
        shift: of the crest with each setting that is not on the diagonal, shape (5,).
        width: of the ridge, in ``across``.
        apart: distance of the crest of the grade from that of the recovery, in widths.
        level, height: score on the crest, and how far the ridge stands above the ground; of the
            wanted and the unwanted material, shape (2,).
        walk: change of the two scores along the crest, shape (2,).
        waves: amplitude of a wave in each setting, for the two scores, shape (2, 5).
        products: of setting i and a wave in setting j, for the two scores, shape (2, 5, 5).
    """

    across: np.ndarray
    along: np.ndarray
    crest: float
    shift: np.ndarray
    width: float
    apart: float
    level: np.ndarray
    height: np.ndarray
    walk: np.ndarray
    waves: np.ndarray
    products: np.ndarray

    def scores(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """The wanted score falls off its crest, the unwanted one rises off its own."""
        off = (x @ self.across - self.crest - np.sin(x) @ self.shift) / self.width
        away = 1.0 - np.exp(-0.5 * np.stack([off, off - self.apart]) ** 2)
        walked = np.outer(self.walk, x @ self.along)
        wave = np.sin(2.0 * x)
        products = np.einsum("ni,kij,nj->kn", x, self.products, wave)
        fall = np.array([-1.0, 1.0]) * self.height
        wanted, unwanted = (
            self.level[:, None] + fall[:, None] * away + walked + self.waves @ wave.T + products
        )
        return wanted, unwanted

    @staticmethod
    def share(score: np.ndarray) -> np.ndarray:
        """The normal distribution function."""
        return ndtr(score)


def random_ridge(rng: np.random.Generator) -> tuple[RidgeDeck, Feed]:
    """One deck and what it is fed."""
    partners = rng.choice(PARTNERS, rng.integers(1, 3), replace=False)
    on = np.isin(np.arange(len(NAMES)), [TILT, *partners])
    across = unit(np.where(on, signs(rng, 5) * rng.uniform(0.6, 1.0, 5), 0.0))
    free = np.where(on, rng.standard_normal(5), 0.0)
    others = np.where(on, 0.0, 1.0)
    deck = RidgeDeck(
        border=all_settings(rng),
        border_at=float(rng.uniform(0.7, 1.0)),
        border_width=0.04,
        noise=float(rng.uniform(0.04, 0.08)),
        across=across,
        along=unit(free - (free @ across) * across),
        crest=float(rng.uniform(-0.35, 0.35)),
        shift=others * signs(rng, 5) * rng.uniform(0.1, 0.25, 5),
        width=float(rng.uniform(0.3, 0.45)),
        apart=float(signs(rng, 1)[0] * rng.uniform(0.3, 0.7)),
        level=np.array([rng.uniform(1.2, 1.7), rng.uniform(-1.6, -1.1)]),
        height=np.array([rng.uniform(1.4, 2.0), rng.uniform(1.0, 1.5)]),
        walk=signs(rng, 1)[0] * rng.uniform(0.15, 0.4, 2),
        waves=others * signs(rng, 5) * rng.uniform(0.1, 0.3, (2, 5)),
        products=signs(rng, 50).reshape(2, 5, 5) * rng.uniform(0.0, 0.1, (2, 5, 5)),
    )
    return deck, Feed(float(rng.uniform(0.55, 0.92)))
