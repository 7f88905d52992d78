"""A simulated gravity table: settings and material in, grade and recovery out.

The chain of causes, each step one line of ``Deck._latent``: feed rate and end raise determine a bed
depth and an exposure time; the air gate and the bed determine an air velocity, which is compared
with minimum fluidisation; exposure, air and vibration determine how well the bed layers, and so the
sharpness Ep; eccentric speed and side tilt pull the layers apart and determine the cut density ρ50.
A partition curve with that Ep and ρ50, averaged over the densities of wanted and unwanted
particles, gives recovery and grade. The wanted product is the heavy one, taken at the high side.

The signs of the effects are common practice in the trade; their magnitudes are invented. The
published parts are in ``physics``. Recommendations never use this module.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, logit, softmax

from optimizer.plant.run_columns import DECK_STATES, EVEN
from optimizer.simulation import physics

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

# Width of the border between two bed states, as a relative change of the air ratio or depth: a
# set-point near a border is sometimes even and sometimes not.
BORDER = 0.04
# Vibration carries part of the bed's weight, so fluidisation needs less air, by this share for each
# unit of Γ.
VIBRATION_RELIEF = 0.15
# Moisture (% wet basis) at which the material data hold, and the effects of one more point: damp
# particles cling to each other, which requires more air and blurs the layers.
DRY_MOISTURE = 11.0
CLING_AIR = 0.02
CLING_BLUR = 0.04
# Smallest value of exposure times quality. At this value nothing has layered and Ep is a hundred
# times the deck's best; without a floor, a bed without layers would cause a division by zero.
LEAST_LAYERING = 1e-2
# Smallest distance of a recovery from 0 and 1, which have no logit; no weighing could resolve it.
LEAST_SHARE = 1e-6


@dataclass(frozen=True)
class Material:
    """The material that is fed.

    Args:
        feed_grade: share of wanted particles by mass, in (0, 1).
        wanted_density, unwanted_density: mean particle densities, kg/m3; wanted is heavier.
        wanted_spread, unwanted_spread: standard deviations of the particle densities, kg/m3.
        size: particle diameter, m.
        bulk_density: kg/m3.
        moisture: % wet basis.
    """

    feed_grade: float
    wanted_density: float
    unwanted_density: float
    wanted_spread: float
    unwanted_spread: float
    size: float
    bulk_density: float
    moisture: float = DRY_MOISTURE

    @property
    def contrast(self) -> float:
        """Difference of the mean densities, kg/m3."""
        return self.wanted_density - self.unwanted_density

    @property
    def mean_density(self) -> float:
        """Mean particle density of the feed, kg/m3."""
        return self.unwanted_density + self.feed_grade * self.contrast


@dataclass(frozen=True)
class Response:
    """True values of n runs; each array has shape (n,) unless stated otherwise.

    Args:
        recovery: share of the wanted material that reaches the product.
        grade: share of wanted material in the product.
        yield_: share of the feed that reaches the product.
        cut: density ρ50, kg/m3; half of the particles of this density go to the product.
        probable_error: Ep of the partition, kg/m3; small is sharp.
        chance: chance of each of ``DECK_STATES``, shape (n, 5); rows sum to 1.
    """

    recovery: Floats
    grade: Floats
    yield_: Floats
    cut: Floats
    probable_error: Floats
    chance: Floats

    @property
    def deck_state(self) -> NDArray[np.str_]:
        """The most likely bed state of each run, shape (n,)."""
        return np.asarray(np.array(DECK_STATES)[np.argmax(self.chance, axis=1)])

    @property
    def failure(self) -> Floats:
        """Chance of a failed trial, shape (n,)."""
        return 1.0 - self.chance[:, 0]


@dataclass(frozen=True)
class Measurement:
    """The readings of n runs in a log; grade and recovery are NaN for a failed trial.

    Args:
        grade: counted share of wanted particles, a multiple of 1/grade_count.
        recovery: weighed and assayed recovery, in (0, 1).
        grade_count: particles in each purity sample.
        recovery_se: standard error of a recovery, fraction.
        deck_state: one of ``DECK_STATES`` for each run.
    """

    grade: Floats
    recovery: Floats
    grade_count: int
    recovery_se: float
    deck_state: NDArray[np.str_]


@dataclass(frozen=True)
class _Latent:
    """The quantities that determine a split: cut density and Ep (kg/m3), each (n,); states, (n,
    5)."""

    cut: Floats
    probable_error: Floats
    chance: Floats


@dataclass(frozen=True)
class Deck:
    """One deck: its geometry, air, motion and laws. The numbers are invented.

    Args:
        length, width: dimensions of the deck, from feed to discharge end and from low to high side,
            m.
        amplitude: half the stroke, m.
        drive_angle: angle of the stroke against the deck, deg.
        conveying: transport ratio V/(aω) for each unit of slope.
        flat_slope: slope that conveys as much as the stroke alone conveys on a level deck.
        full_turns: turns of the gate knob from closed to fully open.
        open_velocity: superficial air velocity, gate fully open and deck empty, m/s.
        shutoff_pressure: fan pressure at no flow, Pa.
        gate_share: share of the flow resistance that is due to a fully open gate.
        best_air: ratio of air to minimum fluidisation that layers best at the reference depth.
        air_depth: exponent of the bed depth in the best air: a deeper bed needs more air.
        air_width: width of the air hump, on the log of the air.
        best_throw, throw_width: throw number that loosens the bed best; width of the hump on its
            log.
        layering_time: seconds to layer a bed of the reference depth at best air and throw.
        reference_depth: bed depth to which best air and layering time refer, m.
        depth_exponent: exponent by which the layering time grows with depth.
        imperfection: ratio of the best Ep to the mean density; in air ρ - ρ(fluid) is close to ρ.
            Closely sized feed is assumed: published air tables on unsized coal are several times
            blunter.
        balance_tilt, balance_speed: deg and rpm at which pull and lift are equal.
        speed_exponent: exponent by which the lift grows with speed.
        air_pull: exponent by which the pull on the floating layer grows with air. With little air
            all material stays at the high side; much air lifts heavy particles into the layer that
            runs to the low side.
        depth_pull: exponent by which the pull grows with depth, since only the contact layer is
            lifted.
        cut_response: shift of the cut for one unit of balance, in contrasts of the material.
        bypass: share of the feed that reaches either side without being sorted.
        boiling_at, sluggish_at: ratios of air to best air beyond which the bed fails.
        least_layers, most_depth: bed depths, in particles and in m, beyond which the bed fails.
        cut_noise: run-to-run standard deviation of the cut, in contrasts.
        sharpness_noise: run-to-run standard deviation of ln Ep.
        recovery_se: standard error of a weighed and assayed recovery, fraction.
        laws: functional forms of gate, hump, balance and partition.
        air_need: ln of the air that each part of the deck needs over what the whole needs on
            average, from the feed end to the discharge end, in parts of equal length: above 0 at
            the feed end where the bed is deeper there. One part where the need is the same
            everywhere.
    """

    length: float = 2.6
    width: float = 1.3
    amplitude: float = 0.005
    drive_angle: float = 32.0
    conveying: float = 1.7
    flat_slope: float = 0.008
    full_turns: float = 90.0
    open_velocity: float = 2.6
    shutoff_pressure: float = 1400.0
    gate_share: float = 0.35
    best_air: float = 1.05
    air_depth: float = 0.15
    air_width: float = 0.15
    best_throw: float = 0.62
    throw_width: float = 0.45
    layering_time: float = 80.0
    reference_depth: float = 0.030
    depth_exponent: float = 0.5
    imperfection: float = 0.024
    balance_tilt: float = 8.0
    balance_speed: float = 400.0
    speed_exponent: float = 2.5
    air_pull: float = 1.0
    depth_pull: float = 0.4
    cut_response: float = 0.35
    bypass: float = 0.0
    boiling_at: float = 1.37
    sluggish_at: float = 0.62
    least_layers: float = 1.5
    most_depth: float = 0.070
    cut_noise: float = 0.03
    sharpness_noise: float = 0.07
    recovery_se: float = 0.008
    laws: physics.Laws = field(default_factory=physics.Laws)
    air_need: tuple[float, ...] = (0.0,)

    def run(self, settings: Floats, material: Material) -> Response:
        """True values at settings, without noise: a run with the median cut and sharpness.

        Args:
            settings: feed_rate t/h, end_raise deg, side_tilt deg, eccentric_speed rpm, and air
                in turns of one gate or of each of N gates from the feed end; shape (n, 4 + N). All
                but end raise and air above 0.
        """
        return self._split(self._latent(settings, material), material)

    def measure(
        self,
        settings: Floats,
        material: Material,
        rng: np.random.Generator,
        grade_count: int = 400,
    ) -> Measurement:
        """Simulated readings: run-to-run noise, then a purity count and a weighed recovery.

        Grade is a binomial count. The recovery error is added on the logit scale, scaled to
        ``recovery_se`` at the recovery of the run, so that a reading stays inside (0, 1).
        """
        latent = self._latent(settings, material)
        n = len(latent.cut)
        moved = _Latent(
            latent.cut + self.cut_noise * material.contrast * rng.standard_normal(n),
            latent.probable_error * np.exp(self.sharpness_noise * rng.standard_normal(n)),
            latent.chance,
        )
        actual = self._split(moved, material)
        count = rng.binomial(grade_count, actual.grade)
        error = rng.standard_normal(n) * self.recovery_se
        share = np.clip(actual.recovery, LEAST_SHARE, 1.0 - LEAST_SHARE)
        recovery = expit(logit(share) + error / (share * (1.0 - share)))
        drawn = (rng.random(n)[:, None] > np.cumsum(latent.chance, axis=1)).sum(axis=1)
        state = np.array(DECK_STATES)[np.minimum(drawn, len(DECK_STATES) - 1)]
        even = state == EVEN
        return Measurement(
            np.where(even, count / grade_count, np.nan),
            np.where(even, recovery, np.nan),
            grade_count,
            self.recovery_se,
            state,
        )

    def travel(self, end_raise: Floats, rpm: Floats) -> Floats:
        """Velocity along the deck, m/s: V = aω · conveying · (flat_slope + sin α); shape (n,)."""
        swing = self.amplitude * rpm * (2.0 * np.pi / 60.0)
        return swing * self.conveying * (self.flat_slope + np.sin(np.radians(end_raise)))

    def bed_depth(self, feed_rate: Floats, travel: Floats, material: Material) -> Floats:
        """Bed depth, m, at which the deck carries the feed away as fast as it arrives; shape
        (n,)."""
        return feed_rate / 3.6 / (material.bulk_density * self.width * travel)

    def air_velocity(self, turns: Floats, depth: Floats, material: Material) -> Floats:
        """Superficial air velocity, m/s, shape (n,).

        A fan p = p₀ - k u² against gate, deck and the bed's weight w = ρ_bulk g h gives
        u = u_open φ √((1 - w/p₀)/(φ²(1 - κ) + κ)), φ the opening and κ the gate's share of the
        resistance: the gate limits the flow when nearly closed and has little effect when nearly
        open.
        """
        opening = self.laws.gate(np.asarray(turns) / self.full_turns)
        weight = material.bulk_density * physics.GRAVITY * depth
        left = np.maximum(1.0 - weight / self.shutoff_pressure, 0.0)
        resistance = opening**2 * (1.0 - self.gate_share) + self.gate_share
        return self.open_velocity * opening * np.sqrt(left / resistance)

    def _latent(self, settings: Floats, material: Material) -> _Latent:
        """The chain of causes, for settings of shape (n, 4 + N).

        Quality q = hump(air) · hump(throw) · (1 - exp(-(layers/least)²)) · exp(-(h/h_most)²): a
        bed layers when it is fluid, loose, thick enough to have layers and thin enough not to
        bubble. In an exposure τ = L/V it layers by Λ = qτ/(t (h/h_ref)^m), and
        Ep = best Ep/(1 - exp(-Λ)): a long exposure gives the best sharpness of the deck, a short
        one an unlimited Ep. The cut is ρ50 = mean density + response · contrast · balance(ln
        pull/lift). These forms are not published; they were chosen to have plausible limits and
        signs.

        Each part of the deck has the air of its gate and its own need. A bed layers as well as its
        parts do on average, its cut follows their average air, and it fails where one part fails.
        """
        feed_rate, end_raise, side_tilt, rpm, *turns = np.atleast_2d(settings).T
        travel = self.travel(end_raise, rpm)
        depth = self.bed_depth(feed_rate, travel, material)
        layers = depth / material.size
        throw = physics.throw_number(self.amplitude, rpm, self.drive_angle, end_raise)
        parts = self._air_of_parts(np.array(turns), depth, throw, material)
        air = parts.mean(axis=0)
        quality = (
            self.laws.hump(parts / self.air_width).mean(axis=0)
            * physics.gaussian_hump(np.log(throw / self.best_throw) / self.throw_width)
            * -np.expm1(-((layers / self.least_layers) ** 2))
            * np.exp(-((depth / self.most_depth) ** 2))
        )
        slowness = self.layering_time * (depth / self.reference_depth) ** self.depth_exponent
        layering = np.maximum(quality * (self.length / travel) / slowness, LEAST_LAYERING)
        blur = 1.0 + CLING_BLUR * (material.moisture - DRY_MOISTURE)
        best = self.imperfection * material.mean_density * blur
        pull = self._pull_over_lift(side_tilt, rpm, air, depth)
        cut = material.mean_density + self.cut_response * material.contrast * pull
        return _Latent(cut, best / -np.expm1(-layering), self._chances(parts, layers, depth))

    def _air_of_parts(
        self, turns: Floats, depth: Floats, throw: Floats, material: Material
    ) -> Floats:
        """ln of the ratio of the air of each part to the air that layers it best, shape (p, n).

        Args:
            turns: turns of each gate, shape (N, n).
            depth, throw: bed depth and throw number, each (n,).
            material: the material that is fed.
        """
        need = np.array(self.air_need)
        parts = math.lcm(len(turns), len(need))
        excess = self._air_excess(turns, depth, throw, material)
        return np.asarray(
            np.repeat(excess, parts // len(turns), axis=0)
            - np.repeat(need, parts // len(need))[:, None]
        )

    def _air_excess(
        self, turns: Floats, depth: Floats, throw: Floats, material: Material
    ) -> Floats:
        """ln of the ratio of the air of each gate to the air that layers this bed best, where the
        need is average; shape (N, n), hugely below 0 without air."""
        onset = physics.wen_yu_velocity(material.size, material.mean_density)
        onset *= 1.0 + CLING_AIR * (material.moisture - DRY_MOISTURE)
        deeper = (depth / self.reference_depth) ** self.air_depth
        best = self.best_air * onset * (1.0 - VIBRATION_RELIEF * throw) * deeper
        velocity = self.air_velocity(turns, depth, material)
        return np.log(np.maximum(velocity / best, np.finfo(float).tiny))

    def _pull_over_lift(self, side_tilt: Floats, rpm: Floats, air: Floats, depth: Floats) -> Floats:
        """Balance of the tilt's pull on the floating layer and the speed's lift, shape (n,)."""
        log_ratio = (
            np.log(np.sin(np.radians(side_tilt)) / np.sin(np.radians(self.balance_tilt)))
            - self.speed_exponent * np.log(rpm / self.balance_speed)
            + self.air_pull * air
            + self.depth_pull * np.log(depth / self.reference_depth)
        )
        return self.laws.balance(log_ratio)

    def _chances(self, parts: Floats, layers: Floats, depth: Floats) -> Floats:
        """Chance of each bed state, (n, 5), from the air of its parts, (p, n); borders are soft,
        and a bed inside all borders is even."""
        beyond = np.column_stack(
            [
                np.zeros_like(depth),
                parts.max(axis=0) - np.log(self.boiling_at),
                np.log(self.sluggish_at) - parts.min(axis=0),
                np.log(self.least_layers / layers),
                np.log(depth / self.most_depth),
            ]
        )
        return np.asarray(softmax(beyond / BORDER, axis=1))

    def _split(self, latent: _Latent, material: Material) -> Response:
        """Recovery p_w, grade f p_w / yield, and yield f p_w + (1 - f) p_u of each run."""
        wanted, unwanted = (
            self.bypass
            + (1.0 - 2.0 * self.bypass)
            * physics.share_to_heavy(
                self.laws.partition, mean, spread, latent.cut, latent.probable_error
            )
            for mean, spread in (
                (material.wanted_density, material.wanted_spread),
                (material.unwanted_density, material.unwanted_spread),
            )
        )
        product = material.feed_grade * wanted
        yield_ = product + (1.0 - material.feed_grade) * unwanted
        return Response(
            wanted, product / yield_, yield_, latent.cut, latent.probable_error, latent.chance
        )
