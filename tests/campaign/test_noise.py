"""The scatter of one reading that is stored with a batch, against the formula by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import expit, logit

from optimizer.campaign.noise import reading_noise

# On the deck, 90 % of the wanted and 20 % of the unwanted material go to the product.
WANTED, UNWANTED, FEED = 0.9, 0.2, 0.8
A, B = logit(WANTED), logit(UNWANTED)


class Deck:
    """A model of two members that agree, and whose noise is of the sharpness S = a - b alone."""

    def latent(self, inputs):
        ones = np.ones(len(inputs))
        mean = np.stack([(A - B) * ones, (A + B) * ones])
        return SimpleNamespace(mean=np.stack([mean + 0.1, mean - 0.1]))

    def noise_covariance(self):
        return np.array([[0.04, 0.0], [0.0, 0.0]])


def situation(usual_grade=(), usual_recovery=()):
    readings = SimpleNamespace(
        grade_variance=np.array([9.0, *usual_grade]),
        recovery_variance=np.array([9.0, *usual_recovery]),
    )
    evidence = SimpleNamespace(
        space=SimpleNamespace(index_of=lambda *settings: np.array(settings)),
        feed_odds_today=logit(FEED),
        readings=readings,
        measured=np.array([False] + [True] * len(usual_grade)),
    )
    return SimpleNamespace(evidence=evidence, surrogate=Deck(), inputs=lambda index: index)


def plan(*orders):
    trials = [SimpleNamespace(order=k, settings=[1.0]) for k in orders]
    return SimpleNamespace(run_now=object(), recommendations=trials)


def grade(sharpness):
    """Grade by the two-product formula where the balance stays the same."""
    wanted, unwanted = expit(0.5 * (A + B + sharpness)), expit(0.5 * (A + B - sharpness))
    return FEED * wanted / (FEED * wanted + (1 - FEED) * unwanted)


def test_the_noise_of_the_deck_is_carried_to_grade_and_recovery():
    """Independent: differences of the two-product formula, times the deviation 0.2 of S."""
    found = reading_noise(situation(), plan(2, 1))
    assert list(found) == ["2", "1"]
    step, sharpness = 1e-5, A - B
    of_grade = (grade(sharpness + step) - grade(sharpness - step)) / (2 * step)
    of_recovery = 0.5 * WANTED * (1 - WANTED)
    assert found["1"]["grade"] == pytest.approx(0.2 * of_grade, abs=1e-6)
    assert found["1"]["recovery"] == pytest.approx(0.2 * of_recovery, abs=1e-6)


def test_the_usual_error_of_the_measured_readings_is_added_in_squares():
    """By hand on the logit scale: the median of the measured runs' variances."""
    deck = reading_noise(situation(), plan(1))["1"]
    found = reading_noise(situation((0.01, 0.02, 7.0), (0.03, 0.04, 0.06)), plan(1))["1"]
    share = grade(A - B)
    for name, at, variance in (("grade", share, 0.02), ("recovery", WANTED, 0.04)):
        expected = np.hypot(deck[name], at * (1 - at) * np.sqrt(variance))
        assert found[name] == pytest.approx(expected, abs=2e-6)


def test_a_plan_without_a_model_has_no_noise():
    assert reading_noise(None, SimpleNamespace(run_now=None)) == {}
