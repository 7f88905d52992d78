"""Decks and materials for trying methods: the three decks of the demo mill, and random families.

The demo is an invented green-coffee dry mill. A family is a kind of deck with its own laws and its
own material, from which any number of decks can be drawn. A method that works well only on one
family has been fitted to the mathematics of that family.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from optimizer.errors import InputError, nearest
from optimizer.simulation import physics
from optimizer.simulation.deck import Deck, Material

# Green coffee: void fraction of a loose bed, which relates bulk density to bean density, and how
# much less dense defective beans (hollow, bored by insects, immature) are than sound beans.
# Invented.
COFFEE_VOIDAGE = 0.44
DEFECT_DEFICIT = 200.0  # kg/m3

DEMO_DECKS: Mapping[str, Deck] = {
    "deck-1": Deck(),
    "deck-2": Deck(
        length=2.2,
        width=1.0,
        amplitude=0.0045,
        conveying=2.0,
        open_velocity=2.05,
        shutoff_pressure=1700.0,
        best_throw=0.60,
        layering_time=58.0,
        balance_tilt=13.0,
        balance_speed=440.0,
        cut_noise=0.025,
        laws=physics.Laws(
            gate=physics.quick_gate,
            balance=physics.saturating_balance,
            partition=physics.normal_partition,
        ),
    ),
    "deck-3": Deck(
        length=3.0,
        width=1.5,
        amplitude=0.0055,
        conveying=1.4,
        open_velocity=2.5,
        gate_share=0.60,
        best_throw=0.80,
        layering_time=95.0,
        balance_speed=390.0,
        bypass=0.004,
        cut_noise=0.035,
        air_need=(0.12, 0.04, -0.04, -0.12),
        laws=physics.Laws(hump=physics.skewed_hump),
    ),
}
"""A medium deck; a small deck with a quick gate; a large deck on which some feed bypasses sorting,
and whose feed end needs more air than its discharge end."""


def demo_deck(line: str) -> Deck:
    """The simulated deck of a line of the demo season.

    Raises:
        InputError: when the demo mill has no such line.
    """
    if line not in DEMO_DECKS:
        raise InputError(f"the demo mill has no line '{line}'.", hint=nearest(line, DEMO_DECKS))
    return DEMO_DECKS[line]


def coffee(moisture: float, bulk_density: float, feed_grade: float) -> Material:
    """Green coffee with the properties that a mill measures of a lot.

    Args:
        moisture: % wet basis.
        bulk_density: bulk density, kg/m3, which determines the mean bean density.
        feed_grade: share of sound beans.
    """
    sound = bulk_density / (1.0 - COFFEE_VOIDAGE)
    return Material(
        feed_grade=feed_grade,
        wanted_density=sound,
        unwanted_density=sound - DEFECT_DEFICIT,
        wanted_spread=45.0,
        unwanted_spread=60.0,
        size=0.006,
        bulk_density=bulk_density,
        moisture=moisture,
    )


def demo_material() -> Material:
    """The material of the demo brief: a lot of washed coffee."""
    return coffee(moisture=11.3, bulk_density=692.0, feed_grade=0.930)


@dataclass(frozen=True)
class Family:
    """A kind of deck and the material that it is built for.

    Args:
        deck: typical deck of the family.
        material: typical material of the family.
        scatter: standard deviation of the logarithm of each drawn quantity.
    """

    deck: Deck
    material: Material
    scatter: float = 0.12


FAMILIES: Mapping[str, Family] = {
    # Coarse beans, mostly sound: the plainest laws.
    "beans": Family(Deck(open_velocity=2.3), coffee(11.3, 692.0, 0.93)),
    # Cereal, mostly sound: short tails, a steep boiling side, a gate that opens early.
    "grain": Family(
        Deck(
            open_velocity=1.5,
            balance_tilt=7.0,
            depth_exponent=0.6,
            speed_exponent=2.0,
            laws=physics.Laws(
                gate=physics.quick_gate,
                hump=physics.skewed_hump,
                partition=physics.normal_partition,
            ),
        ),
        Material(0.90, 1330.0, 1130.0, 40.0, 60.0, 0.0038, 760.0, 12.5),
    ),
    # Crushed mineral, mostly waste: heavy tails, some feed that slips by, more noise.
    "ores": Family(
        Deck(
            open_velocity=1.1,
            shutoff_pressure=2500.0,
            conveying=1.2,
            reference_depth=0.018,
            most_depth=0.045,
            least_layers=5.0,
            imperfection=0.035,
            balance_tilt=1.0,
            air_pull=1.5,
            speed_exponent=3.0,
            bypass=0.005,
            cut_noise=0.045,
            sharpness_noise=0.11,
            recovery_se=0.012,
            laws=physics.Laws(
                balance=physics.saturating_balance, partition=physics.arctan_partition
            ),
        ),
        Material(0.25, 3600.0, 2700.0, 150.0, 100.0, 0.0012, 1600.0, 11.0),
    ),
}

# Quantities that differ between two decks of a family; the other quantities are equal. The best
# settings of a deck vary by 10 to 20 %, and so do all widths and rates.
_DRAWN_OF_DECK = (
    *("length", "width", "amplitude", "conveying"),
    *("open_velocity", "shutoff_pressure", "gate_share", "best_air", "air_width"),
    *("best_throw", "throw_width", "layering_time", "imperfection"),
    *("balance_tilt", "balance_speed", "speed_exponent", "air_pull", "depth_pull", "cut_response"),
)
_DRAWN_OF_MATERIAL = ("wanted_spread", "unwanted_spread", "size", "bulk_density", "moisture")
# Densities and feed grade vary less, because otherwise the task becomes trivial or impossible.
_CALM = 0.3


# Parts of a deck that differ in the air that they need.
NEED_PARTS = 4


def with_tapered_need(deck: Deck, need: float) -> Deck:
    """A deck whose bed is deeper at the feed end, where it needs more air.

    Args:
        deck: the deck.
        need: ln of the air needed over that of the whole deck, at the feed end; it falls evenly to
            minus this number at the discharge end.
    """
    return replace(deck, air_need=tuple(np.linspace(need, -need, NEED_PARTS).tolist()))


def random_deck(rng: np.random.Generator, family: str = "beans") -> Deck:
    """A random deck of a family: each quantity is multiplied by a log-normal factor.

    Raises:
        InputError: when there is no such family.
    """
    kind = _family(family)
    factors = rng.lognormal(0.0, kind.scatter, len(_DRAWN_OF_DECK))
    drawn = {n: getattr(kind.deck, n) * f for n, f in zip(_DRAWN_OF_DECK, factors, strict=True)}
    return replace(kind.deck, **drawn)


def random_material(rng: np.random.Generator, family: str = "beans") -> Material:
    """A random material of a family, in which the contrast and the minority share also vary.

    Raises:
        InputError: when there is no such family.
    """
    kind = _family(family)
    typical, calm = kind.material, _CALM * kind.scatter
    factors = rng.lognormal(0.0, calm, len(_DRAWN_OF_MATERIAL))
    drawn = {n: getattr(typical, n) * f for n, f in zip(_DRAWN_OF_MATERIAL, factors, strict=True)}
    minority = min(typical.feed_grade, 1.0 - typical.feed_grade) * rng.lognormal(0.0, kind.scatter)
    contrast = typical.contrast * rng.lognormal(0.0, calm)
    return replace(
        typical,
        feed_grade=minority if typical.feed_grade < 0.5 else 1.0 - minority,
        unwanted_density=typical.wanted_density - contrast,
        **drawn,
    )


def _family(name: str) -> Family:
    if name not in FAMILIES:
        raise InputError(f"there is no family of decks '{name}'.", hint=nearest(name, FAMILIES))
    return FAMILIES[name]
