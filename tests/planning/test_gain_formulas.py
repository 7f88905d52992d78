"""Expected gains against integrals over the distributions that they are the means of."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import expit, logit
from scipy.stats import norm

from optimizer.planning.acquisition import (
    GRADES,
    Outlook,
    _grades_above,
    _log_recovery_gain,
    _log_softplus,
    expected_improvement,
    log_constrained_gain,
    log_constrained_improvement,
    log_expected_improvement,
)

ODDS = float(logit(0.9))


@pytest.mark.parametrize(
    ("mean", "sd", "best"), [(1.0, 2.0, 0.5), (-1.0, 0.5, 0.2), (0.0, 1.0, 1.5), (0.3, 0.1, 0.0)]
)
def test_expected_improvement_is_the_mean_of_the_gain(mean, sd, best):
    exact = quad(lambda y: (y - best) * norm.pdf(y, mean, sd), best, mean + 12 * sd)[0]
    assert expected_improvement(mean, sd, best) == pytest.approx(exact, rel=1e-6)
    assert log_expected_improvement(mean, sd, best) == pytest.approx(np.log(exact), abs=1e-6)


def test_far_below_the_best_the_logarithm_of_the_improvement_stays_smooth():
    """h(z) tends to phi(z) / z^2 far below 0 (Mills' ratio)."""
    for z in (-40.0, -1e5, -1e9):
        expected = -0.5 * z * z - 0.5 * np.log(2 * np.pi) - 2 * np.log(-z)
        assert log_expected_improvement(z, 1.0, 0.0) == pytest.approx(expected, rel=1e-3)
    z = np.linspace(-1.2, -0.8, 41)
    found = log_expected_improvement(z, 1.0, 0.0)
    assert np.all(np.diff(found) > 0.0)
    assert np.abs(np.diff(found, 2)).max() < 1e-3


def outlook(s, c, s_variance, c_variance, slope):
    """One candidate and one draw."""
    each = (np.array([[value]]) for value in (s, c, s_variance, c_variance, slope))
    return Outlook(*each)


def density(a, b, s, c, s_variance, c_variance, slope):
    """Density of a = (C + S)/2 and b = (C - S)/2, where C = c + slope (S - s) + noise."""
    S, C = a - b, a + b
    of_s = norm.pdf(S, s, np.sqrt(s_variance))
    return 2.0 * of_s * norm.pdf(C, c + slope * (S - s), np.sqrt(c_variance))


CASES = [
    (4.0, -0.2, 0.3, 0.2, 0.0, 0.985, 0.8),
    (4.0, 0.3, 0.2, 0.3, 0.4, 0.98, 0.85),
    (5.0, 0.0, 0.3, 0.2, -0.3, 0.98, 0.9),
]


def integral(gain, asked, *law):
    """Mean of a gain where the grade is met, as a sum over a fine grid of a and b."""
    s, c, *variances, _ = law
    spread = 4.0 * np.sqrt(sum(variances))
    steps = np.linspace(-spread, spread, 501)
    a, b = 0.5 * (c + s) + steps[:, None], 0.5 * (c - s) + steps
    grade = expit(ODDS + np.log(expit(a)) - np.log(expit(b)))
    mass = density(a, b, *law) * (steps[1] - steps[0]) ** 2
    assert mass.sum() == pytest.approx(1.0, abs=1e-3)
    return float(np.sum(mass * np.maximum(gain(a, b), 0.0) * (grade >= asked)))


@pytest.mark.parametrize("case", CASES)
def test_the_constrained_improvement_is_the_mean_gain_where_the_grade_is_met(case):
    *law, asked, best = case
    exact = integral(lambda a, b: expit(a) - best + 0.0 * b, asked, *law)
    found = log_constrained_improvement(
        outlook(*law), np.array([logit(best)]), asked, ODDS, nodes=16
    )
    assert np.exp(found[0, 0]) == pytest.approx(exact, rel=0.02)


@pytest.mark.parametrize("case", CASES)
def test_the_gain_of_any_worth_is_its_mean_where_the_grade_is_met(case):
    """The worth is recovery less half of p_u; six and four nodes leave an error of some percent."""
    *law, asked, best = case
    best -= 0.05

    def worth(S, C):
        return expit(0.5 * (C + S)) - 0.5 * expit(0.5 * (C - S))

    exact = integral(lambda a, b: worth(a - b, a + b) - best, asked, *law)
    found = log_constrained_gain(worth, outlook(*law), np.array([best]), 1.0, asked, ODDS)
    assert np.exp(found[0, 0]) == pytest.approx(exact, rel=0.1)


def test_a_gain_in_recovery_is_its_difference_without_cancellation():
    a, floor = np.array([2.0, 0.5, 3.0 + 1e-9]), np.array([1.0, -1.0, 3.0])
    expected = np.log(expit(a[:2]) - expit(floor[:2]))
    assert _log_recovery_gain(a, floor.copy())[:2] == pytest.approx(expected)
    tiny = np.log(1e-9 * expit(3.0) * (1 - expit(3.0)))
    assert _log_recovery_gain(a, floor.copy())[2] == pytest.approx(tiny, abs=1e-5)


def test_the_softened_corner_is_the_identity_above_and_vanishes_below():
    assert np.exp(_log_softplus(np.array([50.0, 0.0]))) == pytest.approx([50.0, np.log(2.0)])
    assert _log_softplus(np.array([-100.0]))[0] == -100.0
    x = np.linspace(-25.0, 5.0, 61)
    assert _log_softplus(x) == pytest.approx(np.log(np.log1p(np.exp(x))), abs=1e-9)
    below = np.array([-30.0 - 1e-9, -30.0 + 1e-9])
    assert _log_softplus(below) == pytest.approx(below, abs=1e-6)


def test_grades_are_spread_evenly_between_the_reference_and_one():
    found = _grades_above(0.9, 64)
    assert len(found) == GRADES
    assert sum(weight for _, weight in found) == pytest.approx(1.0)
    every = np.sort(np.concatenate([grades[:, 0] for grades, _ in found]))
    assert (every.min() > 0.9, every.max() < 1.0) == (True, True)
    assert np.diff(every).max() < 4 * 0.1 / len(every)
    assert every.mean() == pytest.approx(0.95, abs=1e-3)
