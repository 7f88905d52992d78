"""Conversion between (grade, recovery) and (sharpness, balance), with errors and chances."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import logit

from optimizer.model.coordinates import (
    chance_moments,
    from_latent,
    guess_feed_odds,
    log_odds,
    log_unwanted,
    to_latent,
    unwanted_limit,
)

FEED_ODDS = float(logit(0.9))


@given(p_w=st.floats(0.02, 0.999), p_u=st.floats(0.001, 0.95), feed=st.floats(0.05, 0.99))
def test_readings_to_latent_and_back(p_w, p_u, feed):
    odds = float(logit(feed))
    grade = feed * p_w / (feed * p_w + (1 - feed) * p_u)
    S, C = to_latent(logit(grade), logit(p_w), odds)
    assert pytest.approx(logit(p_w) - logit(p_u), abs=1e-6) == S
    assert pytest.approx(logit(p_w) + logit(p_u), abs=1e-6) == C
    back = from_latent(S, C, odds)
    assert back == (pytest.approx(grade, abs=1e-9), pytest.approx(p_w, abs=1e-9))


@given(a=st.floats(-4, 6), min_grade=st.floats(0.5, 0.999), feed=st.floats(0.3, 0.95))
def test_at_the_limit_on_unwanted_the_grade_is_just_met(a, min_grade, feed):
    odds = float(logit(feed))
    b = float(unwanted_limit(np.array(a), min_grade, odds))
    if np.isinf(b):
        # A product with all of the unwanted material would still meet the grade.
        assert from_latent(np.array(a - 30.0), np.array(a + 30.0), odds)[0] >= min_grade - 1e-9
    else:
        assert from_latent(np.array(a - b), np.array(a + b), odds)[0] == pytest.approx(min_grade)


def test_a_guessed_feed_grade_is_compatible_with_every_reading():
    grade, recovery = logit(np.array([0.95, 0.99, 0.9])), logit(np.array([0.5, 0.9, 0.99]))
    odds = guess_feed_odds(grade, recovery)
    assert np.all(log_unwanted(grade, recovery, odds) <= np.log(0.6) + 1e-12)


def test_readings_of_exactly_one_stay_finite():
    assert np.all(np.isfinite(log_odds(np.array([0.0, 1.0]))))


def test_chance_moments_agree_with_simulation():
    """Moments of a and b agree with those of 400,000 draws, seed 0, within 1 %."""
    S, own = np.random.default_rng(0).standard_normal((2, 400_000)) * [[0.7], [0.4]]
    for cut in (-0.8, 0.0, 0.9):
        C = cut * S + own
        a, b = 0.5 * (C + S), 0.5 * (C - S)
        slope = np.mean(a * b) / np.mean(a * a)
        drawn = np.std(a), slope, np.std(b - slope * a)
        np.testing.assert_allclose(chance_moments(0.49, 0.16, cut), drawn, rtol=0.01, atol=0.005)
