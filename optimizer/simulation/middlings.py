"""A middlings stream of a simulated deck, which splits off what lies just below the product's cut.

A second divider stands lower on the deck than the one that bounds the product. The density at which
half of the particles pass it is lower by a fixed number of contrasts; the sharpness is the same. So
a blunt deck has few middlings and a sharp one has many, as long as there are particles near the
cut. The form is not published; it was chosen because it needs no constant besides that distance.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, logit

from optimizer.simulation import physics
from optimizer.simulation.deck import LEAST_SHARE, Deck, Material

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Middlings:
    """Middlings of n runs, each (n,): share of the feed by mass, and share of wanted material."""

    share: Floats
    grade: Floats


@dataclass(frozen=True)
class Divider:
    """A divider that parts the middlings from the reject.

    Args:
        below: distance of its cut below that of the product, in contrasts of the material.
        share_se, grade_se: standard errors of a weighed share and of an assayed grade, fractions.
    """

    below: float = 0.25
    share_se: float = 0.008
    grade_se: float = 0.015

    def middlings(self, deck: Deck, settings: Floats, material: Material) -> Middlings:
        """True middlings at settings, shape (n, 5), in the order of ``Deck.run``."""
        true = deck.run(settings, material)
        low = true.cut - self.below * material.contrast
        wanted, unwanted = (
            (1.0 - 2.0 * deck.bypass)
            * (
                physics.share_to_heavy(deck.laws.partition, mean, spread, low, true.probable_error)
                - physics.share_to_heavy(
                    deck.laws.partition, mean, spread, true.cut, true.probable_error
                )
            )
            for mean, spread in (
                (material.wanted_density, material.wanted_spread),
                (material.unwanted_density, material.unwanted_spread),
            )
        )
        good = material.feed_grade * wanted
        share = good + (1.0 - material.feed_grade) * unwanted
        return Middlings(share, good / share)

    def measure(
        self, deck: Deck, settings: Floats, material: Material, rng: np.random.Generator
    ) -> Middlings:
        """Readings of share and grade, whose errors are added on the logit scale as in
        ``Deck.measure``."""
        true = self.middlings(deck, settings, material)
        return Middlings(
            _read(true.share, self.share_se, rng), _read(true.grade, self.grade_se, rng)
        )


def _read(share: Floats, se: float, rng: np.random.Generator) -> Floats:
    inside = np.clip(share, LEAST_SHARE, 1.0 - LEAST_SHARE)
    error = rng.standard_normal(len(inside)) * se
    return np.asarray(expit(logit(inside) + error / (inside * (1.0 - inside))))
