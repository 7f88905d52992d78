"""Particles to count and runs to repeat so that a difference is significant."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import nctdtr, ndtr, ndtri, stdtrit

from optimizer.errors import InputError
from optimizer.measurement.counting import CONFIDENCE
from optimizer.measurement.propagation import FloatArray, packed
from optimizer.text.sentences import sentence

# Default power, the chance to detect a difference that exists: common practice.
POWER = 0.80
# Purity tolerances: a risk of 1 % and 1.1 times the binomial variance, for samples of 1,000 seeds.
# All inferred from the published table, which they reproduce (see the outside checks).
RANGE_CONFIDENCE = 0.99
RANGE_FACTOR = 1.1
RANGE_COUNT = 1000
# The trapezoidal rule over ±8 standard deviations integrates the smooth integrand to rounding.
NODES = np.linspace(-8.0, 8.0, 201)
# 40 halvings of a range of about ten reach 1e-11.
HALVINGS = 40


def zero_defect_count(share: ArrayLike, confidence: float = CONFIDENCE) -> NDArray[np.int64]:
    """Particles to count without a find to show a share below ``share``: ln(1 - conf) / ln(1 - p).

    Raises:
        InputError: a share not strictly between 0 and 1.

    Source: binomial distribution.

    >>> int(zero_defect_count(0.001))
    2995
    """
    p = np.asarray(share, dtype=float)
    _between(p, "the share to exclude")
    return _whole(np.log1p(-confidence) / np.log1p(-p))


def count_to_show_difference(
    share: ArrayLike,
    difference: ArrayLike,
    confidence: float = CONFIDENCE,
    power: float = POWER,
) -> NDArray[np.int64]:
    """Particles to count at EACH of two settings to detect a difference in purity.

    n = (z_a √(2 p̄ q̄) + z_b √(p₁ q₁ + p₂ q₂))² / (p₂ - p₁)², two-sided, with p̄ the mean share.
    This is for the counting error alone; for the scatter of the deck between repeats see
    `repeats_to_show_difference`.

    Args:
        share: purity at one setting, fraction.
        difference: purity at the other less ``share``, as a fraction (half a point is 0.005).
        confidence: 1 minus the chance of detecting a difference that does not exist.
        power: chance of detecting one that exists.

    Raises:
        InputError: a share, or share plus difference, not strictly between 0 and 1.

    Source: J. L. Fleiss, Statistical Methods for Rates and Proportions (from memory).

    >>> int(count_to_show_difference(0.98, 0.01))
    2319
    """
    p, d = np.moveaxis(packed(share, difference), -1, 0)
    _between(p, "the share")
    _between(p + d, "the share with the difference")
    mean = p + d / 2.0
    z_a, z_b = ndtri(0.5 + confidence / 2.0), ndtri(power)
    alike = np.sqrt(2.0 * mean * (1.0 - mean))
    apart = np.sqrt(p * (1.0 - p) + (p + d) * (1.0 - p - d))
    return _whole(np.square((z_a * alike + z_b * apart) / d))


@dataclass(frozen=True)
class SampleCount:
    """How many particles to count for a grade.

    Attributes:
        count: number of particles.
        difference: difference of grade between two settings that such counts show, fraction.
        why: what the count is good for, as the end of a sentence.
    """

    count: int
    difference: float
    why: str

    def as_dict(self) -> dict[str, Any]:
        """JSON form."""
        return asdict(self)


def count_for_grade(
    grade: float, difference: float, confidence: float = CONFIDENCE, power: float = POWER
) -> SampleCount | None:
    """Particles to count in each sample so that a difference of grade shows between two settings.

    The difference is taken towards a grade of one half, where counting errors are larger.

    Args:
        grade: expected grade, fraction.
        difference: to be shown, fraction.
        confidence, power: as in `count_to_show_difference`.

    Returns:
        The count, or None where the grade, or that other grade, is not between 0 and 1.

    >>> found = count_for_grade(0.985, 0.005)
    >>> found.count, found.why[:36]
    (10795, 'two such counts tell 98.5 from 98 % ')
    """
    other = grade - difference if grade > 0.5 else grade + difference
    if not (0.0 < grade < 1.0 and 0.0 < other < 1.0 and difference > 0.0):
        return None
    count = int(count_to_show_difference(grade, other - grade, confidence, power))
    why = sentence("count_tells", grade=grade, other=other, confidence=confidence, power=power)
    return SampleCount(count, difference, why)


def grams(count: ArrayLike, thousand_mass: ArrayLike) -> FloatArray:
    """Grams that hold ``count`` particles of which a thousand weigh ``thousand_mass`` grams.

    >>> float(grams(2500, 40.0))
    100.0
    """
    return np.asarray(np.asarray(count) * np.asarray(thousand_mass) / 1000.0)


def repeats_to_show_difference(
    sd: ArrayLike,
    difference: ArrayLike,
    confidence: float = CONFIDENCE,
    power: float = POWER,
) -> NDArray[np.int64]:
    """Runs to make at EACH of two settings to detect a difference in their means.

    The smallest n at which the two-sided t test on 2 n - 2 degrees of freedom has the given power.

    Args:
        sd: standard deviation of one run about its setting's mean, all sources together.
        difference: to be detected, in the unit of ``sd``.
        confidence, power: as in `count_to_show_difference`.

    Raises:
        InputError: a standard deviation that is not above zero, or a difference of zero.

    Source: noncentral t distribution.

    >>> int(repeats_to_show_difference(sd=1.0, difference=1.0))
    17
    """
    s, d = np.moveaxis(packed(sd, difference), -1, 0)
    if not (np.all(s > 0) and np.all(d != 0)):
        raise InputError(
            "repeats follow from a standard deviation above zero and a difference other than zero.",
            code="sample-size",
        )
    effect = np.abs(d) / s
    by_normal = 2.0 * np.square((ndtri(0.5 + confidence / 2.0) + ndtri(power)) / effect)
    # The normal approximation is too small by at most a few runs.
    n = np.maximum(2.0, np.ceil(by_normal))
    while np.any(short := _t_power(n, effect, confidence) < power):
        n = n + short
    return _whole(n)


def _t_power(n: FloatArray, effect: FloatArray, confidence: float) -> FloatArray:
    freedom, shift = 2.0 * n - 2.0, effect * np.sqrt(n / 2.0)
    limit = stdtrit(freedom, 0.5 + confidence / 2.0)
    power: FloatArray = nctdtr(freedom, shift, -limit) + 1.0 - nctdtr(freedom, shift, limit)
    return power


def purity_range_limit(
    purity: ArrayLike,
    samples: int,
    count: float = RANGE_COUNT,
    confidence: float = RANGE_CONFIDENCE,
    factor: float = RANGE_FACTOR,
) -> FloatArray:
    """Largest range to expect of ``samples`` purity tests of one homogeneous lot.

    q √(p (1 - p) F / n), q the upper point of the range of N standard normal values. A wider range
    indicates a heterogeneous lot, or tests that disagree; for two samples it is their tolerance.

    Args:
        purity: mean purity p, fraction.
        samples: N, at least 2.
        count: n, particles in each sample.
        confidence: chance that a homogeneous lot stays within the limit.
        factor: F, variance over that of the binomial.

    Returns:
        The limit, a fraction (times 100: points).

    Raises:
        InputError: fewer than two samples.

    Source: reproduces the R-value table of Czech decree 61/2011 Sb., annex 9.4, which mirrors the
    ISTA rules; the form, F and n were inferred from the match.

    >>> round(100 * float(purity_range_limit(0.99, 10)), 2)
    1.7
    """
    if samples < 2:
        raise InputError(f"a range needs at least two samples, got {samples}.", code="sample-size")
    p = np.asarray(purity, dtype=float)
    return _range_point(samples, confidence) * np.sqrt(p * (1.0 - p) * factor / count)


def _range_point(samples: int, confidence: float) -> float:
    """q with P(range of N standard normals <= q) = N ∫ φ(z) (Φ(z) - Φ(z - q))^(N-1) dz."""
    density = np.exp(-np.square(NODES) / 2.0) / np.sqrt(2.0 * np.pi)
    low, high = 0.0, 2.0 * float(NODES[-1])
    for _ in range(HALVINGS):
        q = (low + high) / 2.0
        inner = density * (ndtr(NODES) - ndtr(NODES - q)) ** (samples - 1)
        below = samples * np.trapezoid(inner, NODES) < confidence
        low, high = (q, high) if below else (low, q)
    return q


def _between(share: FloatArray, what: str) -> None:
    outside = ~((share > 0) & (share < 1))
    if np.any(outside):
        value = np.ravel(share)[int(np.argmax(outside))]
        raise InputError(
            f"{what} is {value:g}; it must lie strictly between 0 and 1.",
            code="sample-size",
            hint="Shares are fractions: half a point is 0.005.",
        )


def _whole(n: FloatArray) -> NDArray[np.int64]:
    whole: NDArray[np.int64] = np.ceil(n).astype(np.int64)
    return whole
