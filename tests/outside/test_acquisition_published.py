"""Expected improvement against published values, mpmath and quadrature."""

from __future__ import annotations

import mpmath
import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import expit, ndtr
from scipy.stats import norm

from optimizer.model.coordinates import unwanted_limit
from optimizer.planning.acquisition import (
    Outlook,
    expected_improvement,
    log_constrained_improvement,
    log_expected_improvement,
)


@pytest.mark.parametrize(
    ("mean", "value"),
    [(-0.5, 0.1977966), (0.0, 0.3989423), (0.5, 0.6977966)],
)
def test_published_values(mean, value):
    """BoTorch, test/acquisition/test_analytic.py: sd 1, best 0 (printed to five digits there)."""
    assert expected_improvement(mean, 1.0, 0.0) == pytest.approx(value, abs=1e-6)


@pytest.mark.parametrize("z", [5.0, 1.0, 0.0, -0.999, -1.001, -5.0, -12.0, -40.0, -3e4, -1e9])
def test_log_form_is_right_where_the_plain_form_underflows(z):
    """mpmath at 60 digits: ln(phi(z) + z Phi(z)), Ament et al., NeurIPS 2023, eq. 9."""
    with mpmath.workdps(60 + 2 * int(np.log10(abs(z) + 1))):
        x = mpmath.mpf(z)
        upper = mpmath.erfc(-x / mpmath.sqrt(2)) / 2
        exact = mpmath.log(mpmath.npdf(x) + x * upper)
    assert float(log_expected_improvement(z, 1.0, 0.0)) == pytest.approx(float(exact), rel=1e-9)


def test_log_form_is_smooth_and_rising_across_its_branches():
    z = np.linspace(-1.01, -0.99, 2001)
    slope = np.diff(log_expected_improvement(z, 1.0, 0.0))
    assert np.all(slope > 0)
    assert np.abs(np.diff(slope)).max() < 1e-6


def test_expected_improvement_against_quadrature():
    rng = np.random.default_rng(0)
    draws = np.column_stack([rng.normal(0, 1, 20), rng.uniform(0.1, 2, 20), rng.normal(0, 1, 20)])
    for mean, sd, best in draws:
        value = quad(
            lambda y, m=mean, s=sd, b=best: (y - b) * norm.pdf(y, m, s),
            best,
            max(mean, best) + 12 * sd,
            epsabs=1e-13,
        )[0]
        assert expected_improvement(mean, sd, best) == pytest.approx(value, rel=1e-6, abs=1e-12)


def constrained_by_quadrature(S, C, s, c, best, min_grade, feed_odds, cut):
    """The constrained expected improvement by adaptive quadrature (scipy), without logarithm."""
    # Moments of (S, C), then of (a, b) = ((C + S)/2, (C - S)/2), then of b given a.
    turn = np.array([[0.5, 0.5], [-0.5, 0.5]])
    V = turn @ np.array([[s, cut * s], [cut * s, c + cut**2 * s]]) @ turn.T
    mean, sd, mean_b = (S + C) / 2, np.sqrt(V[0, 0]), (C - S) / 2
    slope, spread = V[0, 1] / V[0, 0], np.sqrt(V[1, 1] - V[0, 1] ** 2 / V[0, 0])

    def integrand(a):
        limit = float(unwanted_limit(np.array(a), min_grade, feed_odds))
        met = ndtr((limit - mean_b - slope * (a - mean)) / spread)
        return (expit(a) - expit(best)) * met * norm.pdf(a, mean, sd)

    high = max(mean, best) + 9 * sd
    inside = [mean] if best < mean < high else None
    return quad(integrand, best, high, points=inside, limit=400, epsabs=0, epsrel=1e-9)[0]


def test_constrained_improvement_against_quadrature():
    rng = np.random.default_rng(1)
    large, small = [], []
    for _ in range(200):
        S, C, best = rng.normal(4, 1.5), rng.normal(1, 1.5), rng.normal(2, 1)
        s, c = rng.uniform(0.01, 1, 2)
        cut = rng.uniform(-1.2, 1.2)
        exact = constrained_by_quadrature(S, C, s, c, best, 0.98, np.log(9.0), cut)
        found = np.exp(
            log_constrained_improvement(
                Outlook(*map(np.array, ([[S]], [[C]], [s], [c], [cut]))),
                np.array([best]),
                0.98,
                np.log(9.0),
            )[0, 0]
        )
        if exact > 1e-4:
            (large if exact > 1e-3 else small).append(abs(found / exact - 1.0))
    # The largest errors are 3.5 % and, where a narrow edge of the grade cuts a tail, 29 %.
    assert len(large) > 100
    assert max(large) < 0.04
    assert len(small) > 10
    assert sorted(small)[-2] < 0.01
    assert max(small) < 0.3


def test_constraint_that_always_holds_leaves_the_improvement_of_recovery():
    """With a feed grade above the required grade the constraint always holds."""
    outlook = Outlook(np.array([[4.0]]), np.array([[1.0]]), np.array([0.3]), np.array([0.2]))
    free = log_constrained_improvement(outlook, np.array([1.5]), 0.5, np.log(1e6))[0, 0]
    mean, sd = 2.5, 0.5 * np.sqrt(0.5)
    exact = quad(lambda a: (expit(a) - expit(1.5)) * norm.pdf(a, mean, sd), 1.5, mean + 10 * sd)[0]
    assert np.exp(free) == pytest.approx(exact, rel=1e-3)
