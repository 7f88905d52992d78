"""Doses that saturate and multiply, as rates of reactions do.

Each setting, from 0 to 1, acts on three doses by a factor: one that saturates, one that is
inhibited, or one that does both. The dose of the wanted material and the dose of the unwanted one
determine what reaches the product; too high a dose loses wanted material again, as in consecutive
reactions. One pair of settings helps the unwanted material together more than each alone. Runs
fail from a third dose on. The scatter is one of doses, hence relative.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.trials.judge_laws.deck import (
    SETTINGS,
    JudgeDeck,
    grade_of,
    instruments,
    polled,
    random_feed,
)
from tests.benchmarks.trials.other_laws.deck import Feed

RISES, FALLS, PEAKS = range(3)
WANTED, UNWANTED, HEAT = range(3)
FAILS_STEEPLY = 20.0


@dataclass(frozen=True, kw_only=True)
class KineticsDeck(JudgeDeck):
    """One deck; ``random_kinetics`` draws every number.

    Attributes:
        kind: how a setting acts on each dose: it rises, falls or peaks, shape (3, 5).
        half: setting at which a factor is half saturated, shape (3, 5).
        order: power of the setting in the factor, shape (3, 5).
        least: factor of a setting that does not act, as a share of the most, shape (3, 5).
        dose: the doses where every factor is at its most, shape (3,).
        pair: columns of the two settings that help the unwanted material together.
        together: how much they help.
        lost_again: share of wanted material lost for each unit of its dose.
        noise: standard deviation of the logarithm of the two doses, shape (2,).
    """

    kind: np.ndarray
    half: np.ndarray
    order: np.ndarray
    least: np.ndarray
    dose: np.ndarray
    pair: tuple[int, int]
    together: float
    lost_again: float
    noise: np.ndarray

    def doses(self, x: np.ndarray) -> np.ndarray:
        """The three doses, shape (3, n)."""
        u = 0.5 * (1.0 + np.clip(x, -1.0, 1.0))[:, None, :]
        power, half = u**self.order, self.half**self.order
        rises = power / (half + power) * (1.0 + half)
        falls = half / (half + power)
        # u / (K + u + u²/K): as much inhibited as saturated; at most 1 where divided by its peak.
        peaks = 3.0 * self.half * u / (self.half**2 + self.half * u + u**2)
        acts = np.choose(self.kind, [rises, falls, peaks])
        found = (self.dose * np.prod(self.least + (1.0 - self.least) * acts, axis=2)).T
        i, j = self.pair
        found[UNWANTED] *= 1.0 + self.together * u[:, 0, i] * u[:, 0, j]
        return found

    def split(self, x: np.ndarray, feed: Feed, shake: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Shares from the doses."""
        wanted, unwanted = self.doses(x)[:HEAT] * np.exp(self.noise[:, None] * shake)
        recovery = (1.0 - (1.0 + 0.5 * wanted) ** -2.0) * np.exp(-self.lost_again * wanted)
        return recovery, grade_of(recovery, 1.0 - (1.0 + unwanted / 3.0) ** -3.0, feed)

    def failure(self, x: np.ndarray) -> np.ndarray:
        """A steep rise with the third dose, of which 1 fails in about two of three runs."""
        return -np.expm1(-(self.doses(x)[HEAT] ** FAILS_STEEPLY))


def random_kinetics(rng: np.random.Generator) -> tuple[KineticsDeck, Feed]:
    """One deck and what it is fed."""
    kind = rng.choice([RISES, FALLS, PEAKS], (3, SETTINGS), p=[0.35, 0.35, 0.3])
    # What helps the wanted material usually helps the unwanted, though not in the same measure.
    alike = rng.random(SETTINGS) < 0.4
    kind[UNWANTED] = np.where(alike, kind[WANTED], kind[UNWANTED])
    i, j = (int(k) for k in rng.permutation(SETTINGS)[:2])
    deck = KineticsDeck(
        **instruments(rng),
        kind=kind,
        half=rng.uniform(0.15, 0.6, (3, SETTINGS)),
        order=rng.uniform(1.0, 3.5, (3, SETTINGS)),
        least=rng.uniform(0.2, 0.6, (3, SETTINGS)),
        dose=np.ones(3),
        pair=(i, j),
        together=float(rng.uniform(0.5, 2.0)),
        lost_again=float(rng.uniform(0.01, 0.04)),
        noise=np.array([rng.uniform(0.03, 0.08), rng.uniform(0.05, 0.15)]),
    )
    doses = deck.doses(polled(rng))
    usual = np.array([rng.uniform(1.8, 3.0), rng.uniform(0.2, 0.5)])
    per_unit = np.append(usual / np.median(doses[:HEAT], axis=1), 0.0)
    per_unit[HEAT] = 1.0 / np.quantile(doses[HEAT], rng.uniform(0.82, 0.95))
    return KineticsDeck(**{**vars(deck), "dose": per_unit}), random_feed(rng)
