"""Gy's fundamental sampling error: the error of a sample of broken material.

s² = C d³ (1 / M_sample - 1 / M_lot), C = f g l m: s is the RELATIVE standard error of the assay, d
the top size in cm (the sieve that 95 % passes), masses in g, densities in g/cm³. Careful
sampling does not reduce this error.

Source of all formulas: P. M. Gy's theory as in F. F. Pitard, Pierre Gy's Sampling Theory and
Sampling Practice, and B. A. Wills and J. A. Finch, Mineral Processing Technology, 8th ed. 2016,
chapter 3 (both from memory); factor tables as in the course notes CM3820, Michigan Technological
University 2009.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri

from optimizer.errors import InputError
from optimizer.measurement.counting import CONFIDENCE
from optimizer.measurement.propagation import FloatArray

SHAPE_FACTOR = 0.5
SHAPE_FACTOR_FLAKY = 0.2


def mineral_factor(
    share: ArrayLike, mineral_density: ArrayLike, gangue_density: ArrayLike
) -> FloatArray:
    """Mineral factor m = (1 - a) / a ((1 - a) r + a t), in g/cm³.

    Args:
        share: share a of the mineral, not of the metal: 5 % Pb is 5.8 % galena.
        mineral_density, gangue_density: densities r and t, g/cm³.

    >>> round(float(mineral_factor(0.058, 7.5, 2.65)), 2)
    117.24
    """
    a, r, t = (np.asarray(part, dtype=float) for part in (share, mineral_density, gangue_density))
    return np.asarray((1.0 - a) / a * ((1.0 - a) * r + a * t))


def liberation_factor(liberation_size: ArrayLike, top_size: ArrayLike) -> FloatArray:
    """Liberation factor l = √(L / d), at most 1.

    Args:
        liberation_size: size L below which the mineral is free.
        top_size: top size d, in the same unit.

    >>> round(float(liberation_factor(0.015, 2.5)), 5)
    0.07746
    """
    size, d = np.asarray(liberation_size, dtype=float), np.asarray(top_size, dtype=float)
    return np.asarray(np.minimum(1.0, np.sqrt(size / d)))


def size_range_factor(ratio: ArrayLike) -> FloatArray:
    """Size range factor g from the ratio of top to bottom size.

    It is 1 for a ratio of 1, 0.75 for ratios up to 2, 0.5 up to 4, and 0.25 above.

    >>> size_range_factor([1, 1.5, 3, 10]).tolist()
    [1.0, 0.75, 0.5, 0.25]
    """
    r = np.asarray(ratio, dtype=float)
    return np.select([r <= 1.0, r <= 2.0, r <= 4.0, r > 4.0], [1.0, 0.75, 0.5, 0.25], np.nan)


def sampling_constant(
    shape: ArrayLike, size_range: ArrayLike, liberation: ArrayLike, mineral: ArrayLike
) -> FloatArray:
    """Sampling constant C = f g l m, in g/cm³.

    Args:
        shape, size_range, liberation: factors f, g and l.
        mineral: mineral factor m, g/cm³.

    >>> round(float(sampling_constant(0.5, 0.25, liberation_factor(0.015, 2.5), 117.24)), 4)
    1.1352
    """
    factors = (np.asarray(part, dtype=float) for part in (shape, size_range, liberation, mineral))
    return np.asarray(math.prod(factors))


def fundamental_error(
    constant: ArrayLike, top_size: ArrayLike, sample_mass: ArrayLike, lot_mass: ArrayLike = np.inf
) -> FloatArray:
    """Relative standard error of the assay: s = √(C d³ (1 / M - 1 / M_lot)).

    Raises:
        InputError: the mass of the sample is not above zero, or above that of the lot.

    >>> round(float(fundamental_error(1.1352, 2.5, 177_375.0)), 5)
    0.01
    """
    c, d = np.asarray(constant, dtype=float), np.asarray(top_size, dtype=float)
    sample, lot = np.asarray(sample_mass, dtype=float), np.asarray(lot_mass, dtype=float)
    if np.any(sample <= 0) or np.any(sample > lot):
        raise InputError(
            "the mass of the sample must be above zero and no more than that of the lot.",
            code="sample-mass",
        )
    return np.asarray(np.sqrt(c * d**3 * (1.0 / sample - 1.0 / lot)))


def sample_mass(
    constant: ArrayLike, top_size: ArrayLike, relative_se: ArrayLike, lot_mass: ArrayLike = np.inf
) -> FloatArray:
    """Mass of a sample, g, for a given relative standard error: 1 / M = s² / (C d³) + 1 / M_lot.

    ``relative_se`` is ONE standard error; the function `relative_se` computes it from a tolerance.

    >>> round(float(sample_mass(1.1352, 2.5, 0.01)) / 1000, 1)
    177.4
    """
    c, d = np.asarray(constant, dtype=float), np.asarray(top_size, dtype=float)
    s, lot = np.asarray(relative_se, dtype=float), np.asarray(lot_mass, dtype=float)
    return np.asarray(1.0 / (s**2 / (c * d**3) + 1.0 / lot))


def relative_se(
    tolerance: ArrayLike, value: ArrayLike, confidence: float = CONFIDENCE
) -> FloatArray:
    """Relative standard error that corresponds to a tolerance of ± ``tolerance`` on ``value``.

    The tolerance is the HALF width: 5 ± 0.1 % at 95 % is 0.1 / (1.96 x 5) = 0.0102. Taking it for
    the full width halves the error and requires four times the sample.

    >>> round(float(relative_se(0.1, 5.0)), 6)
    0.010204
    """
    half, level = np.asarray(tolerance, dtype=float), np.asarray(value, dtype=float)
    return np.asarray(half / (level * ndtri(0.5 + confidence / 2.0)))
