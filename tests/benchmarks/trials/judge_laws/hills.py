"""Two good regions of unequal height, a setting that acts periodically, and a band that fails.

Two hills, each stretched in its own way along the settings, keep the unwanted material out; they
lie on different sides of the middle. A ripple of two to three periods over the range of one
setting, whose phase moves with a second one, acts on the wanted material. Runs fail in a band
between the hills. What is lost of the wanted material and what is kept of the unwanted one fall
exponentially with their scores, and their scatter grows along one setting.
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
from tests.benchmarks.trials.other_laws.deck import Feed, unit


@dataclass(frozen=True, kw_only=True)
class HillsDeck(JudgeDeck):
    """One deck; ``random_hills`` draws every number.

    Attributes:
        centre, reach: of each hill, and its length along each setting, shape (2, 5).
        height: of each hill for the unwanted and the wanted score, shape (2, 2).
        kept, lost: share of unwanted material kept and of wanted material lost at score 0.
        pull: change of the wanted score with each setting, shape (5,).
        rippling, shifting: columns of the setting that ripples and of the one that moves its phase.
        ripple, periods, phase: amplitude, periods over the range, and phase at the middle.
        band: direction across the band that fails, shape (5,).
        band_at, band_width, band_fails: its place, half its width and the chance in it.
        uneven: column of the setting along which the scatter grows.
        noise: standard deviation of the two scores in the middle, shape (2,).
    """

    centre: np.ndarray
    reach: np.ndarray
    height: np.ndarray
    kept: float
    lost: float
    pull: np.ndarray
    rippling: int
    shifting: int
    ripple: float
    periods: float
    phase: float
    band: np.ndarray
    band_at: float
    band_width: float
    band_fails: float
    uneven: int
    noise: np.ndarray

    def split(self, x: np.ndarray, feed: Feed, shake: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Shares from the hills and the ripple."""
        away = (((x[:, None] - self.centre) / self.reach) ** 2).sum(axis=2)
        cleaned, held = self.height @ (1.0 / (1.0 + away**1.5)).T
        angle = np.pi * self.periods * x[:, self.rippling] + x[:, self.shifting] + self.phase
        held = held + x @ self.pull + self.ripple * np.cos(angle)
        wide = np.exp(0.7 * x[:, self.uneven])
        cleaned, held = np.stack([cleaned, held]) + self.noise[:, None] * wide * shake
        recovery = 1.0 - self.lost * np.exp(-np.logaddexp(0.0, 2.0 * held))
        return recovery, grade_of(recovery, self.kept * np.exp(-np.maximum(cleaned, -0.3)), feed)

    def failure(self, x: np.ndarray) -> np.ndarray:
        """A band with soft borders, beyond which no run fails."""
        across = np.abs(x @ self.band - self.band_at) / self.band_width
        return self.band_fails * np.clip(3.0 * (1.0 - across), 0.0, 1.0)


def random_hills(rng: np.random.Generator) -> tuple[HillsDeck, Feed]:
    """One deck and what it is fed."""
    side = rng.choice([-1.0, 1.0], SETTINGS)
    same = np.arange(SETTINGS) == rng.integers(SETTINGS)
    centre = np.stack([side, np.where(same, side, -side)]) * rng.uniform(0.4, 0.85, (2, SETTINGS))
    rippling, shifting, uneven = (int(k) for k in rng.permutation(SETTINGS)[:3])
    across = unit(centre[0] - centre[1])
    high = rng.uniform(1.8, 2.6)
    deck = HillsDeck(
        **instruments(rng),
        centre=centre,
        reach=rng.uniform(0.6, 1.1, (2, SETTINGS)),
        height=np.array([[high, high * rng.uniform(0.75, 0.95)], rng.uniform(-0.4, 0.8, 2)]),
        kept=float(rng.uniform(0.4, 0.65)),
        lost=float(rng.uniform(0.4, 0.6)),
        pull=rng.choice([-1.0, 1.0], SETTINGS) * rng.uniform(0.05, 0.35, SETTINGS),
        rippling=rippling,
        shifting=shifting,
        ripple=float(rng.uniform(0.2, 0.45)),
        periods=float(rng.uniform(2.0, 3.0)),
        phase=float(rng.uniform(0.0, 2.0 * np.pi)),
        band=across,
        band_at=float(0.5 * (centre[0] + centre[1]) @ across),
        band_width=float(rng.uniform(0.08, 0.18)),
        band_fails=float(rng.uniform(0.5, 0.95)),
        uneven=uneven,
        noise=np.array([rng.uniform(0.04, 0.1), rng.uniform(0.03, 0.08)]),
    )
    return deck, random_feed(rng)
