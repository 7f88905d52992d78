"""A family of simulated decks with its own formulas, independent of ``optimizer.simulation``.

A benchmark that shares its formulas with the model under test would favor it. This family shares no
code and no formula with the simulation, but it shares these causes with the simulation and with the
model:

- a bed of feed rate over end raise and speed, an exposure, an air, and a cut;
- a separation described by the steepness and the cut of an S-shaped partition curve over heaviness,
  which is close to sharpness and balance, with logistic curves for the classes of particles;
- a steepness with a hump over the air, the best of which moves with the bed, and with a factor that
  grows with the exposure;
- a cut that rises with tilt and falls with speed;
- failures where the bed, or the air for that bed, is too high or too low.

It differs in a product of tilt and speed, in linear terms where the simulation has ratios, in a bed
of best depth, in entrained material, in the tails of the noise, and in every number.

A class of particles of heaviness h goes to the product with chance
e + (1 - 2e) / (1 + exp(-β (h - c))). The steepness β falls away from the best air (which depends on
feed rate and bed), away from the best bed depth, and with shorter exposure. The cut c contains a
product of tilt and speed, so that their effects do not separate. The share e is entrained and grows
with the feed. Beds fail at the edges of the region. Shapes, numbers and noise are invented and
differ from deck to deck.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

# Ranges of feed rate t/h, end raise deg, side tilt deg, eccentric speed rpm and air turns; equal to
# those of the common deck, so that every setting can be run on both.
LOW = np.array([0.5, 0.5, 0.5, 300.0, 0.0])
HIGH = np.array([4.0, 5.0, 4.5, 600.0, 90.0])
RIM = 0.03  # width of the transition between beds that run even and beds that fail
COUNTED = 300
RECOVERY_SE = 0.010


@dataclass(frozen=True)
class Feed:
    """The feed: its share of wanted material, and three classes each of wanted and unwanted.

    Args:
        feed_grade: share of wanted material.
        wanted, unwanted: heaviness of the classes, shape (3,).
        wanted_share, unwanted_share: their shares, shape (3,), each summing to 1.
    """

    feed_grade: float
    wanted: np.ndarray
    unwanted: np.ndarray
    wanted_share: np.ndarray
    unwanted_share: np.ndarray


@dataclass(frozen=True)
class Outcome:
    """True values of n runs, each (n,)."""

    recovery: np.ndarray
    grade: np.ndarray
    failure: np.ndarray


@dataclass(frozen=True)
class Reading:
    """Readings of n runs; grade and recovery are NaN for a failed trial."""

    grade: np.ndarray
    recovery: np.ndarray
    grade_count: int
    recovery_se: float
    deck_state: np.ndarray


@dataclass(frozen=True)
class OutsiderDeck:
    """One deck; every number is drawn by ``random_outsider``."""

    steepness: float
    air_best: float
    air_with_feed: float
    air_with_bed: float
    air_width: float
    air_power: float
    exposure_half: float
    bed_best: float
    bed_width: float
    cut_level: float
    cut_tilt: float
    cut_speed: float
    cut_both: float
    cut_air: float
    cut_bed: float
    dragged: float
    boils_at: float
    sluggish_at: float
    starves_at: float
    floods_at: float
    cut_noise: float
    steepness_noise: float
    grade_count: int = COUNTED
    recovery_se: float = RECOVERY_SE

    def run(self, settings: np.ndarray, feed: Feed) -> Outcome:
        """True values at settings, shape (n, 5)."""
        steepness, cut, dragged, even, _ = self._bed(settings)
        recovery, grade = self._split(steepness, cut, dragged, feed)
        return Outcome(recovery, grade, 1.0 - even)

    def measure(self, settings: np.ndarray, feed: Feed, rng: np.random.Generator) -> Reading:
        """Readings: run-to-run noise with heavy tails, an over-dispersed count, a weighing."""
        steepness, cut, dragged, even, failing = self._bed(settings)
        n = len(cut)
        # Student's t with 5 degrees of freedom, scaled to unit variance.
        cut = cut + self.cut_noise * rng.standard_t(5, n) / np.sqrt(5 / 3)
        steepness = steepness * np.exp(self.steepness_noise * rng.standard_normal(n))
        recovery, grade = self._split(steepness, cut, dragged, feed)
        # Three samples of equal counts, each a little richer or poorer than the stream.
        heap, each = 400.0, self.grade_count // 3
        handfuls = rng.beta(heap * grade[:, None], heap * (1 - grade[:, None]), (n, 3))
        count = rng.binomial(each, handfuls).sum(axis=1)
        weighed = np.clip(recovery + self.recovery_se * rng.standard_normal(n), 0.002, 0.998)
        state = np.array(["boiling", "sluggish", "starved", "flooded"])[failing.argmax(axis=1)]
        ran = rng.random(n) < even
        return Reading(
            np.where(ran, count / (3 * each), np.nan),
            np.where(ran, weighed, np.nan),
            3 * each,
            self.recovery_se,
            np.where(ran, "even", state),
        )

    def _bed(self, settings: np.ndarray) -> tuple[np.ndarray, ...]:
        """Steepness, cut, entrained share, chance of an even bed, each (n,); failures (n, 4)."""
        u = (np.atleast_2d(settings) - LOW) / (HIGH - LOW)
        feed, end, tilt, speed, air = u.T
        bed = (0.25 + feed) / (0.4 + end) / (0.7 + 0.6 * speed)
        best = self.air_best + self.air_with_feed * (feed - 0.5) + self.air_with_bed * (bed - 0.8)
        off = air - best
        exposure = 1.0 / (0.25 + end) / (0.8 + 0.4 * speed)
        steepness = (
            self.steepness
            / (1.0 + np.abs(off / self.air_width) ** self.air_power)
            * exposure
            / (exposure + self.exposure_half)
            / (1.0 + ((bed - self.bed_best) / self.bed_width) ** 2)
        )
        cut = (
            self.cut_level
            + self.cut_tilt * (tilt - 0.5)
            - self.cut_speed * (speed - 0.5)
            + self.cut_both * (tilt - 0.5) * (speed - 0.5)
            + self.cut_air * off
            - self.cut_bed * (bed - 0.8)
        )
        beyond = np.column_stack(
            [
                air - self.boils_at + 0.2 * (0.8 - bed),
                self.sluggish_at + 0.2 * (bed - 0.8) - air,
                self.starves_at - bed,
                bed - self.floods_at,
            ]
        )
        failing = 1.0 / (1.0 + np.exp(np.clip(-beyond / RIM, -60, 60)))
        return steepness, cut, self.dragged * (0.5 + feed), np.prod(1.0 - failing, axis=1), failing

    @staticmethod
    def _split(
        steepness: np.ndarray, cut: np.ndarray, dragged: np.ndarray, feed: Feed
    ) -> tuple[np.ndarray, np.ndarray]:
        """Recovery and grade of the product, each (n,)."""

        def passed(heaviness: np.ndarray, share: np.ndarray) -> np.ndarray:
            odds = steepness[:, None] * (heaviness[None, :] - cut[:, None])
            curve = 0.5 * (1.0 + np.tanh(0.5 * odds))
            return (dragged[:, None] + (1.0 - 2.0 * dragged[:, None]) * curve) @ share

        wanted, unwanted = (
            passed(feed.wanted, feed.wanted_share),
            passed(feed.unwanted, feed.unwanted_share),
        )
        kept = feed.feed_grade * wanted
        return wanted, kept / (kept + (1.0 - feed.feed_grade) * unwanted)


def random_outsider(rng: np.random.Generator) -> tuple[OutsiderDeck, Feed]:
    """Draw one deck and its feed."""

    def about(value: float, share: float = 0.15) -> float:
        return float(value * rng.lognormal(0.0, share))

    deck = OutsiderDeck(
        steepness=about(11.0),
        air_best=float(rng.uniform(0.42, 0.58)),
        air_with_feed=float(rng.uniform(0.1, 0.4)),
        air_with_bed=float(rng.uniform(0.0, 0.2)),
        air_width=about(0.18),
        air_power=float(rng.choice([1.5, 2.0, 3.0])),
        exposure_half=about(0.8),
        bed_best=about(0.75),
        bed_width=about(0.5),
        cut_level=float(rng.uniform(-0.35, 0.15)),
        cut_tilt=about(0.9),
        cut_speed=about(0.9),
        cut_both=float(rng.choice([-1.0, 1.0])) * about(1.2),
        cut_air=float(rng.uniform(-0.4, 0.8)),
        cut_bed=float(rng.uniform(0.0, 0.4)),
        dragged=about(0.004),
        boils_at=float(rng.uniform(0.78, 0.90)),
        sluggish_at=float(rng.uniform(0.12, 0.24)),
        starves_at=float(rng.uniform(0.32, 0.42)),
        floods_at=float(rng.uniform(1.4, 1.9)),
        cut_noise=about(0.04),
        steepness_noise=about(0.08),
    )
    feed = Feed(
        feed_grade=float(rng.uniform(0.55, 0.92)),
        wanted=0.55 + np.array([-0.35, 0.0, 0.4]) * about(1.0),
        unwanted=-0.55 + np.array([-0.4, 0.0, 0.35]) * about(1.0),
        wanted_share=rng.dirichlet([3.0, 6.0, 3.0]),
        unwanted_share=rng.dirichlet([3.0, 6.0, 3.0]),
    )
    return deck, feed
