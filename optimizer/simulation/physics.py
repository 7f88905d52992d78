"""Physics of a deck as pure functions: published correlations, and laws that a deck may follow.

The first part is published and checked against its sources. The second part holds the functional
forms on which real decks can differ (gate, hump, balance, partition); a ``Laws`` names one form of
each kind, so that a benchmark can test a method on decks whose laws differ from those it was
developed with. All functions broadcast over NumPy arrays. Units are SI unless a name says
otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import expit, ndtr

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

GRAVITY = 9.81
AIR_DENSITY = 1.204  # kg/m3, dry air at 20 degC
AIR_VISCOSITY = 1.82e-5  # Pa s, dry air at 20 degC

# Nodes of the Gauss-Hermite rule that averages a partition over a density distribution. With Ep
# down to half the spread, which is sharper than any deck here, 32 nodes leave an error below 1e-6
# for the logistic and normal partitions and 2e-4 for the arctan partition.
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(32)
_WEIGHTS = _WEIGHTS / _WEIGHTS.sum()

# The normal quantile of 0.75, with which Ep of the normal partition is half its interquartile
# range.
NORMAL_QUARTILE = 0.674489750196082


def archimedes(
    size: float,
    density: float,
    gas_density: float = AIR_DENSITY,
    viscosity: float = AIR_VISCOSITY,
) -> float:
    """Archimedes number Ar = d³ρ(ρp - ρ)g/μ².

    Args:
        size: particle diameter d, m.
        density: particle density ρp, kg/m3.
        gas_density: density of the gas ρ, kg/m3.
        viscosity: viscosity of the gas μ, Pa s.
    """
    return size**3 * gas_density * (density - gas_density) * GRAVITY / viscosity**2


def wen_yu_velocity(
    size: float,
    density: float,
    gas_density: float = AIR_DENSITY,
    viscosity: float = AIR_VISCOSITY,
) -> float:
    """Superficial velocity of minimum fluidisation, m/s: Re = √(33.7² + 0.0408 Ar) - 33.7.

    Source: C. Y. Wen and Y. H. Yu, AIChE Journal 12 (1966) 610. The arguments are those of
    ``archimedes``.

    >>> round(wen_yu_velocity(0.006, 1250.0), 3)
    1.496
    """
    number = archimedes(size, density, gas_density, viscosity)
    reynolds = np.sqrt(33.7**2 + 0.0408 * number) - 33.7
    return float(reynolds * viscosity / (gas_density * size))


def ergun_velocity(
    size: float,
    density: float,
    voidage: float,
    sphericity: float = 1.0,
    gas_density: float = AIR_DENSITY,
    viscosity: float = AIR_VISCOSITY,
) -> float:
    """Superficial velocity at which the Ergun pressure drop carries the bed, m/s.

    Positive root of 1.75/(ε³φ) Re² + 150(1 - ε)/(ε³φ²) Re = Ar.
    Source: S. Ergun, Chemical Engineering Progress 48 (1952) 89.

    Args:
        voidage: void fraction ε of the bed.
        sphericity: sphericity φ of the particles, 1 for spheres.

    >>> round(ergun_velocity(0.006, 1250.0, 0.42), 3)
    1.546
    """
    square = 1.75 / (voidage**3 * sphericity)
    linear = 150.0 * (1.0 - voidage) / (voidage**3 * sphericity**2)
    number = archimedes(size, density, gas_density, viscosity)
    reynolds = (np.sqrt(linear**2 + 4.0 * square * number) - linear) / (2.0 * square)
    return float(reynolds * viscosity / (gas_density * size))


def throw_number(amplitude: float, rpm: Floats, drive_angle: float, slope: Floats) -> Floats:
    """Throw number Γ = aω² sin β/(g cos α) of a vibrating deck; below 1 nothing leaves the deck.

    Source: standard mechanics of vibratory conveying.

    Args:
        amplitude: half the stroke a, m.
        rpm: eccentric speed, turns a minute, shape (n,).
        drive_angle: angle β of the stroke against the deck, deg.
        slope: slope α of the deck, deg, shape (n,).
    """
    omega = np.asarray(rpm) * (2.0 * np.pi / 60.0)
    lift = amplitude * omega**2 * np.sin(np.radians(drive_angle))
    return np.asarray(lift / (GRAVITY * np.cos(np.radians(slope))))


# --- Partition curves: share of particles of a density that go to the heavy (high) side.
# ``z`` is (ρ - ρ50)/Ep. Each curve passes through 1/4, 1/2 and 3/4 at z = -1, 0, 1, which is the
# definition of the probable error Ep = (ρ75 - ρ25)/2 (K. F. Tromp's curve, ISO 923); they differ in
# the tails.


def logistic_partition(z: Floats) -> Floats:
    """P = 1/(1 + exp(-ln 3 · z)), the usual form in mineral processing."""
    return np.asarray(expit(np.log(3.0) * z))


def normal_partition(z: Floats) -> Floats:
    """P = Φ(0.6745 z): sharper tails, few misplaced particles far from the cut."""
    return np.asarray(ndtr(NORMAL_QUARTILE * z))


def arctan_partition(z: Floats) -> Floats:
    """P = 1/2 + arctan(z)/π: heavy tails, some particles misplaced however far from the cut."""
    return 0.5 + np.arctan(z) / np.pi


def share_to_heavy(
    partition: Callable[[Floats], Floats],
    mean: float,
    spread: float,
    cut: Floats,
    probable_error: Floats,
) -> Floats:
    """Share of a normal density distribution that a partition sends to the heavy side.

    E[P((ρ - ρ50)/Ep)] over ρ ~ N(mean, spread²) by Gauss-Hermite quadrature.

    Args:
        mean, spread: mean and standard deviation of the particle density, kg/m3.
        cut, probable_error: ρ50 and Ep, kg/m3, shape (n,).

    Returns:
        Shape (n,), in (0, 1).
    """
    density = mean + spread * _NODES
    z = (density - np.asarray(cut)[..., None]) / np.asarray(probable_error)[..., None]
    return np.asarray(partition(z) @ _WEIGHTS)


# --- Gates: share of the full opening that a share of the knob's turns uncovers.


def linear_gate(turned: Floats) -> Floats:
    """φ = x: a slide with a rectangular port."""
    return np.asarray(turned)


def quick_gate(turned: Floats) -> Floats:
    """φ = (1 - exp(-3x))/(1 - exp(-3)): a plug that opens most of its area early."""
    return np.asarray(np.expm1(-3.0 * turned) / np.expm1(-3.0))


# --- Humps: how well a bed stratifies against ``x``, the log of the air over the best air, in
# units of the hump's width. Each hump is 1 at 0 and decreases on both sides.


def gaussian_hump(x: Floats) -> Floats:
    """exp(-x²/2): a hump with equal sides."""
    return np.asarray(np.exp(-0.5 * x**2))


def skewed_hump(x: Floats) -> Floats:
    """A hump that falls slowly below the best air and steeply above it, where boiling destroys
    layers.

    1/(1 + x²/2) for x < 0, exp(-x²) for x ≥ 0.
    """
    return np.where(x < 0.0, 1.0 / (1.0 + 0.5 * x**2), np.exp(-(x**2)))


# --- Balances: how far the cut moves with the log ratio of the tilt's pull over the speed's lift.
# Each balance has slope 1 at 0.


def log_balance(ratio: Floats) -> Floats:
    """ln(pull/lift): each doubling of the ratio moves the cut by an equal density."""
    return np.asarray(ratio)


def saturating_balance(ratio: Floats) -> Floats:
    """2(pull - lift)/(pull + lift), which is bounded: far from balance no more layers can move."""
    return np.asarray(2.0 * np.tanh(0.5 * ratio))


@dataclass(frozen=True)
class Laws:
    """One functional form of each kind; the default is the simplest form of each kind."""

    gate: Callable[[Floats], Floats] = linear_gate
    hump: Callable[[Floats], Floats] = gaussian_hump
    balance: Callable[[Floats], Floats] = log_balance
    partition: Callable[[Floats], Floats] = logistic_partition
