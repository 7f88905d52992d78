"""One setting does nothing, and another acts against the usual direction of the trade.

The usual directions are common practice: a higher feed rate and a higher end raise separate worse,
more air separates better up to a point, more side tilt sends less of everything to the product and
a higher eccentric speed sends more. Each setting acts alone, and the effects add. On one half of
the decks they are straight lines, so that the best settings lie on the border of a range. A share
is 1 - exp(-exp(score)).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.trials.other_laws.deck import NAMES, Feed, OtherDeck, unit

# Usual direction of the wanted and of the unwanted share with each of ``NAMES``.
USUAL = np.array([[-1.0, -1.0, -1.0, 1.0, 1.0], [1.0, 1.0, -1.0, 1.0, -1.0]])
SEPARATES = USUAL[0] != USUAL[1]
FAILS_BY = 0.75
"""Position of the border in the two settings that a deck fails by, along their diagonal."""


@dataclass(frozen=True, kw_only=True)
class IdleDeck(OtherDeck):
    """One deck; ``random_idle`` draws every number.

    Attributes:
        idle: column of the setting without an effect.
        against: column of the setting that acts against the usual direction.
        level: scores of the wanted and the unwanted material in the middle, shape (2,).
        slope: change of the two scores with each setting, shape (2, 5); 0 for the idle one.
        curve: what the square of each setting adds to the two scores, shape (2, 5).
    """

    idle: int
    against: int
    level: np.ndarray
    slope: np.ndarray
    curve: np.ndarray

    def scores(self, x: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Sums of one line or parabola for each setting."""
        wanted, unwanted = self.level[:, None] + self.slope @ x.T + self.curve @ x.T**2
        return wanted, unwanted

    @staticmethod
    def share(score: np.ndarray) -> np.ndarray:
        """The complementary log-log function, 1 - exp(-exp(score))."""
        return -np.expm1(-np.exp(score))


def random_idle(rng: np.random.Generator) -> tuple[IdleDeck, Feed]:
    """One deck and what it is fed."""
    idle, against, *rest = (int(j) for j in rng.permutation(len(NAMES)))
    acts = np.where(np.arange(len(NAMES)) == idle, 0.0, 1.0)
    turned = np.where(np.arange(len(NAMES)) == against, -1.0, 1.0)
    size = acts * rng.uniform(0.15, 0.4, (2, 5))
    # A setting that separates is best at its own middle, off which the two shares draw together.
    bends = float(rng.random() < 0.5)
    curved = bends * size * rng.uniform(0.7, 1.4, 5)
    border = np.zeros(len(NAMES))
    border[[against, rest[0]]] = rng.choice([-1.0, 1.0], 2)
    deck = IdleDeck(
        border=unit(border),
        border_at=FAILS_BY,
        border_width=0.04,
        noise=float(rng.uniform(0.03, 0.06)),
        idle=idle,
        against=against,
        level=np.array([rng.uniform(0.1, 0.4) + 0.3 * bends, rng.uniform(-2.2, -1.6)]),
        slope=USUAL * turned * size,
        curve=np.where(SEPARATES, np.array([[-1.0], [1.0]]), -1.0) * curved,
    )
    return deck, Feed(float(rng.uniform(0.55, 0.92)))
