"""Sampling error of a purity from a count: k of n counted particles are wanted.

The error is binomial when the lot is large, and hypergeometric when the sample is a large part of
the lot. All shares are fractions, and all functions broadcast unless they say otherwise. The logit
moments give a Gaussian surrogate a measurement with known noise; they are finite also for 0 of n
and n of n.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import (
    betainc,
    betaincinv,
    betaln,
    expit,
    gammaln,
    log_expit,
    logit,
    ndtr,
    ndtri,
    polygamma,
    psi,
)

from optimizer.errors import InputError
from optimizer.measurement.propagation import FloatArray, packed

IntervalMethod: TypeAlias = Literal["exact", "jeffreys"]

# Half a particle is added to either kind: the Beta(1/2, 1/2) prior of Jeffreys.
HALF = 0.5
# Default confidence of an interval: common practice.
CONFIDENCE = 0.95
# Smallest tail probability that a reading can have: a less likely reading is a mistake, not chance.
LEAST_TAIL = 1e-9
# Beyond so many standard errors, the point that halves a tail is within a fiftieth of a standard
# error of its beginning.
FARTHEST = 35.0


def _counts(found: ArrayLike, count: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Broadcasts k and n, and refuses k outside 0 to n and n below 1."""
    k, n = np.moveaxis(packed(found, count), -1, 0)
    bad = (k < 0) | (k > n) | (n < 1)
    if np.any(bad):
        i = int(np.argmax(bad))
        raise InputError(
            f"{np.ravel(k)[i]:g} found of {np.ravel(n)[i]:g} counted.",
            code="count",
            hint="At least one particle must be counted, and no more found than counted.",
        )
    return k, n


def purity_se(share: ArrayLike, count: ArrayLike, population: ArrayLike = np.inf) -> FloatArray:
    """Standard error of a counted share: sqrt(p (1 - p) / n) sqrt((N - n) / (N - 1)).

    Zero at p = 0 and 1, where it is misleading: use `counted_se` for a weight or an error bar.

    Args:
        share: p, fraction.
        count: n, particles counted.
        population: N, particles in the lot; infinite gives the binomial error, n = N gives 0.

    Source: binomial and hypergeometric variance.

    >>> round(float(purity_se(0.9, 800)), 6)
    0.010607
    """
    p, n, lot = np.moveaxis(packed(share, count, population), -1, 0)
    with np.errstate(invalid="ignore"):
        correction = np.where(np.isinf(lot), 1.0, (lot - n) / (lot - 1.0))
    return np.asarray(np.sqrt(p * (1.0 - p) / n * np.clip(correction, 0.0, None)))


def counted_se(share: ArrayLike, count: ArrayLike) -> FloatArray:
    """Standard error of a counted share, which is above zero also for shares of 0 and 1.

    It is the standard deviation of Beta(k + 1/2, n - k + 1/2) with k = n p: close to `purity_se` in
    the middle, and about 0.7 / n when no or all particles are wanted.

    Args:
        share: p, fraction.
        count: n, particles counted.

    Source: L. D. Brown, T. T. Cai and A. DasGupta, Statistical Science 16 (2001) 101-133, on the
    Jeffreys prior (from memory).

    >>> round(float(counted_se(0.9, 800)), 6), round(float(counted_se(1.0, 800)), 6)
    (0.010617, 0.000882)
    """
    p, n = np.moveaxis(packed(share, count), -1, 0)
    a, b = n * p + HALF, n * (1.0 - p) + HALF
    return np.asarray(np.sqrt(a * b / (a + b + 1.0)) / (a + b))


def logit_moments(found: ArrayLike, count: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Mean and variance of logit p given k of n, as a reading with noise for a Gaussian model.

    With a = k + 1/2, b = n - k + 1/2: mean ψ(a) - ψ(b), variance ψ'(a) + ψ'(b), the moments of
    logit p under Beta(a, b). Preferred to log(a / b) with 1/a + 1/b: readings averaged with the
    inverse of that variance drift inward, since lucky counts have the larger variance; these
    moments halve that drift (p 0.98, n 200, ten readings: -0.11 against -0.22).

    Args:
        found: k, wanted particles; it need not be a whole number (a grade times a count is not).
        count: n, particles counted.

    Source: N. L. Johnson, S. Kotz and N. Balakrishnan, Continuous Univariate Distributions, vol.
    2, on the log-odds of a beta variable (from memory).

    >>> mean, variance = logit_moments(800, 800)
    >>> round(float(mean), 4), round(float(variance), 4)
    (8.6481, 4.9361)
    """
    k, n = np.moveaxis(packed(found, count), -1, 0)
    a, b = k + HALF, n - k + HALF
    return psi(a) - psi(b), polygamma(1, a) + polygamma(1, b)


def logit_reading(
    found: ArrayLike, count: ArrayLike, expected: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Reading of logit p and its variance from k of n, given the logit that was expected.

    The variance of a reading's own logit is correlated with its error: a lucky count of few defects
    is high with a large variance, an unlucky one low with a small variance, and weighted averages
    are biased to the unlucky. Given an expected share p0, the variance is that of a count there,
    1 / (n p0 q0), and the reading lies as many standard deviations from p0 as the count does from
    its expectation, by its mid-p quantile. Fitting again with such readings is iteratively
    reweighted least squares for a generalized linear model.

    Args:
        found: k, wanted particles; it need not be a whole number.
        count: n, particles counted, above 0.
        expected: logit of the expected share p0.

    Source: P. McCullagh and J. A. Nelder, Generalized Linear Models (2nd ed. 1989), section 2.5,
    for the iteration; P. K. Dunn and G. K. Smyth, J. Comput. Graph. Stat. 5 (1996) 236-244, for
    quantile residuals. Both from memory.

    >>> reading, variance = logit_reading(800, 800, np.log(0.995 / 0.005))
    >>> round(float(reading), 2), round(float(variance), 2)
    (6.48, 0.25)
    """
    k, n, eta = np.moveaxis(packed(found, count, expected), -1, 0)
    p, q = expit(eta), expit(-eta)
    sd = 1.0 / np.sqrt(n * p * q)
    # The lower tail of the wanted or of the unwanted, whichever are fewer than expected: a tail
    # near one would be rounded. Half the probability of the count itself belongs to either side.
    short = np.where(k < n * p, k, n - k)
    eta_short = np.where(k < n * p, eta, -eta)
    tail = np.clip(_mid_at_most(short, n, eta_short), LEAST_TAIL, 1.0 - LEAST_TAIL)
    return eta + np.where(k < n * p, 1.0, -1.0) * ndtri(tail) * sd, sd**2


def logit_reading_of(
    share: ArrayLike, se: ArrayLike, expected: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """`logit_reading` of a share with a stated standard error instead of a count.

    About the expected share p0, an error of se in the share is one of se / (p0 q0) in the logit.
    The distribution of errors near 0 and 1 is not known. If they are normal in the share, and cut
    off at the end, the reading is logit p0 + (p - p0) / (p0 q0); if they are normal in the logit,
    it is logit p. A reading that is ordinary by one form can be an outlier by the other, so the
    reading nearer to p0 is used. The first form has no readings beyond the end, which would bias an
    average: a reading at the end is placed at the median of the tail beyond it (mid-p).

    Args:
        share: p, fraction.
        se: standard error of the share, above 0.
        expected: logit of the expected share p0.

    >>> reading, variance = logit_reading_of([1.0, 0.96], 0.01, np.log(0.98 / 0.02))
    >>> reading.round(2).tolist(), round(float(variance[0]), 2)
    ([5.05, 3.18], 0.26)
    """
    p, s, eta = np.moveaxis(packed(share, se, expected), -1, 0)
    expected_share = expit(eta)
    # An expected share nearer to an end than half an error does not determine the slope.
    near = np.clip(np.minimum(expected_share, expit(-eta)), np.minimum(0.5 * s, 0.5), None)
    slope = 1.0 / (near * (1.0 - near))
    in_share = slope * (p - expected_share)
    with np.errstate(divide="ignore"):
        in_logit = logit(p) - eta
        room = np.where(p > expected_share, expit(-eta), expected_share) / s
        half = np.where(room < FARTHEST, -ndtri(0.5 * ndtr(-room)), room)
        cut_off = half * s * slope
    size = np.minimum(np.abs(in_logit), np.maximum(np.abs(in_share), cut_off))
    return eta + np.sign(in_logit) * size, (s * slope) ** 2


def _mid_at_most(k: FloatArray, n: FloatArray, eta: FloatArray) -> FloatArray:
    """Probability of fewer than k of n plus half that of k, if each particle has logit eta.

    Between whole counts the value is interpolated linearly.
    """
    whole = np.minimum(np.floor(k), n)
    left = n - whole
    at_most = np.where(left <= 0, 1.0, betainc(np.maximum(left, 1e-12), whole + 1.0, expit(-eta)))
    chance = np.exp(
        gammaln(n + 1.0)
        - gammaln(whole + 1.0)
        - gammaln(left + 1.0)
        + whole * log_expit(eta)
        + left * log_expit(-eta)
    )
    chance_of_next = chance * left / (whole + 1.0) * np.exp(eta)
    return at_most - 0.5 * chance + 0.5 * (k - whole) * (chance + chance_of_next)


def purity_interval(
    found: ArrayLike,
    count: ArrayLike,
    confidence: float = CONFIDENCE,
    method: IntervalMethod = "exact",
) -> tuple[FloatArray, FloatArray]:
    """Two-sided confidence interval of the share, given k of n.

    The coverage of ``"exact"`` (Clopper and Pearson) is at least the confidence; the coverage of
    ``"jeffreys"`` equals the confidence on average. Both intervals end at 0 or 1 when k is 0 or n.

    Raises:
        InputError: k outside 0 to n, or n below 1.

    Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404-413; Brown, Cai and
    DasGupta 2001, as in `counted_se`.

    >>> low, high = purity_interval(10, 100)
    >>> round(float(low), 6), round(float(high), 6)
    (0.049005, 0.176223)
    """
    k, n = _counts(found, count)
    tail = (1.0 - confidence) / 2.0
    add = HALF if method == "jeffreys" else 0.0
    below, above = (HALF, HALF) if method == "jeffreys" else (1.0, 1.0)
    with np.errstate(invalid="ignore"):
        low = np.where(k == 0, 0.0, betaincinv(k + add, n - k + below, tail))
        high = np.where(k == n, 1.0, betaincinv(k + above, n - k + add, 1.0 - tail))
    return low, high


def upper_bound(found: ArrayLike, count: ArrayLike, confidence: float = CONFIDENCE) -> FloatArray:
    """One-sided exact upper bound of the share; with none found 1 - (1 - confidence)^(1/n).

    At 95 % and none found this is the rule of three, close to 3 / n.

    Raises:
        InputError: k outside 0 to n, or n below 1.

    Source: Clopper and Pearson 1934, as in `purity_interval`.

    >>> round(float(upper_bound(0, 2500)), 7)
    0.0011976
    """
    k, n = _counts(found, count)
    with np.errstate(invalid="ignore"):
        bound: FloatArray = np.where(k == n, 1.0, betaincinv(k + 1.0, n - k, confidence))
    return bound


def finite_interval(
    found: int, count: int, population: int, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Exact two-sided interval of the share in a lot of N, sampled without replacement.

    It holds the shares K / N for which neither tail of the hypergeometric distribution of k is
    below half of 1 - confidence.

    Raises:
        InputError: k outside 0 to n, or n outside 1 to N.

    Source: hypergeometric distribution; the finite form of Clopper and Pearson.

    >>> finite_interval(8, 10, 20)
    (0.55, 0.9)
    """
    _counts(found, count)
    if count > population:
        raise InputError(f"{count} counted of a lot of {population}.", code="count")
    tail = (1.0 - confidence) / 2.0
    low = _fewest_wanted(found, count, population, tail)
    most = population - _fewest_wanted(count - found, count, population, tail)
    return low / population, most / population


def _fewest_wanted(found: int, count: int, population: int, tail: float) -> int:
    """Smallest number of wanted in the lot with which a sample of ``found`` or more has a
    probability above ``tail``."""
    low, high = found, population - (count - found)
    while low < high:
        middle = (low + high) // 2
        if _chance_of_at_least(found, count, population, middle) > tail:
            high = middle
        else:
            low = middle + 1
    return low


def _chance_of_at_least(found: int, count: int, population: int, wanted: int) -> float:
    """Hypergeometric probability of ``found`` or more of ``wanted`` in a sample of ``count`` out of
    ``population``."""
    fewest = max(found, count - (population - wanted))
    i = np.arange(fewest, min(count, wanted) + 1)
    log_ways = _log_choose(wanted, i) + _log_choose(population - wanted, count - i)
    return float(np.exp(log_ways - _log_choose(population, count)).sum())


def _log_choose(n: ArrayLike, k: ArrayLike) -> FloatArray:
    n, k = np.asarray(n, dtype=float), np.asarray(k, dtype=float)
    logarithm: FloatArray = -np.log1p(n) - betaln(n - k + 1.0, k + 1.0)
    return logarithm
