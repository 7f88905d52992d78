"""The study of one line whose deck is known: which settings are better, and by how much.

The deck is that of ``tests.planning.test_wiring``: recovery rises with the air and the grade falls.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import expit

from optimizer.comparison import line_study
from optimizer.comparison.basis import Basis
from optimizer.gaussian_process.inputs import Inputs
from tests.planning.test_wiring import (
    AIR,
    ASKED,
    EVERY,
    FIXED,
    KNOWN,
    KnownDeck,
    a_of,
    chance_at,
    met_below,
    most_air,
    planned,
    without_errors_of_readings,
)

__all__ = ["without_errors_of_readings"]  # a fixture
BEST = most_air(met_below)


class Deck(KnownDeck):
    """A deck of which no labels are known."""

    agreement_ = None


def study(air=31.0, even=None, feed_rate=2.0, **goal):
    """The study of a line that runs at an air, at steps of the deck or beside them."""
    made = planned(tried=EVERY, variance=KNOWN)
    deck = Deck(EVERY, KNOWN)

    def surfaces(anchors, draws):
        def latent(inputs):
            S, C = deck.moments(Inputs.of(inputs))[0]
            return np.tile(S, (draws, 1)), np.tile(C, (draws, 1))

        return SimpleNamespace(latent=latent)

    def chance_even(index):
        values = made.evidence.space.values(index)
        return np.ones(len(index)) if even is None else even(values[:, AIR])

    model = SimpleNamespace(
        evidence=made.evidence, seed=1, surrogate=deck, surfaces=surfaces, chance_even=chance_even,
        recent_settings=np.array([*FIXED.values(), air]),
    )  # fmt: skip
    goal = {"min_grade": ASKED, "confidence": 0.8, **goal}
    basis = Basis({"feed_grade": 0.9}, feed_rate, **goal)
    return line_study._Study(model, made.limits.region, basis, ["untried"]).answer()


def test_the_better_settings_are_the_best_that_surely_meet_the_grade():
    found = study()
    assert found.better[AIR] == BEST
    assert np.delete(found.better, AIR).tolist() == list(FIXED.values())
    assert found.now[AIR] == 31.0
    assert (found.runs, found.set_points) == (len(EVERY), len(EVERY))
    assert found.names[AIR], found.units[AIR] == ("air", "turn")
    assert found.recovery_now.mean == pytest.approx(expit(a_of(31.0)), abs=1e-3)
    assert found.chance_now == pytest.approx(chance_at(31.0, KNOWN), abs=1e-3)
    assert found.chance_better == pytest.approx(1.0, abs=1e-3)
    assert found.warnings[-1] == "untried"
    assert found.middlings is None


def test_the_gap_is_that_of_the_setting_that_moved():
    found = study()
    assert len(found.now_draws) == len(found.reach_draws) == line_study.DRAWS
    assert np.median(found.now_draws) == pytest.approx(expit(a_of(31.0)), abs=2e-3)
    gap = found.gap_draws.mean()
    assert found.parts.sum() == pytest.approx(gap)
    assert np.flatnonzero(np.abs(found.parts) > 1e-12).tolist() == [AIR]
    # Between the settings found and the peak of what remains beyond them, which is near.
    assert gap == pytest.approx(expit(a_of(BEST)) - expit(a_of(31.0)), abs=0.02)
    assert gap > 0.0


def test_a_line_that_runs_at_its_best_has_no_gap():
    found = study(air=BEST)
    assert found.better[AIR] == found.now[AIR] == BEST
    assert np.array_equal(found.reach_draws, found.now_draws)
    assert found.parts == pytest.approx(np.zeros(5), abs=1e-12)


def test_settings_are_not_moved_for_a_gain_that_nobody_sees(monkeypatch):
    gain = expit(a_of(BEST)) - expit(a_of(BEST - 1.0))
    monkeypatch.setattr(line_study, "LEAST_GAIN", 1.01 * gain)
    assert study(air=BEST - 1.0).better[AIR] == BEST - 1.0
    monkeypatch.setattr(line_study, "LEAST_GAIN", 0.99 * gain)
    assert study(air=BEST - 1.0).better[AIR] == BEST


def test_practice_below_the_grade_is_credited_with_what_remains_at_the_grade():
    """At most air the grade is missed: less is credited than is recovered, and the better settings
    take air back."""
    found = study(air=50.0)
    assert found.recovery_now.mean == pytest.approx(expit(a_of(50.0)), abs=1e-3)
    assert np.mean(found.now_draws) < expit(a_of(50.0)) - 0.01
    assert found.chance_now < 0.01
    assert found.better[AIR] == BEST


def test_where_no_settings_are_sure_nothing_is_promised():
    found = study(min_grade=0.9999)
    assert found.better is found.reach_draws is found.parts is found.gap_draws is None
    assert found.chance_better < 0.8
    said = found.warnings[-1]
    assert said.key == "attainable_not_sure"
    assert said.values["chance"] == found.chance_better
    assert (said.values["confidence"], said.values["grade"]) == (0.8, 0.9999)


def test_sure_means_on_an_even_deck():
    found = study(even=lambda air: np.where(air > 33.0, 0.7, 1.0))
    assert found.better[AIR] == 33.0
    unsure = study(even=lambda air: np.full(len(air), 0.7))
    assert unsure.better is None
    assert unsure.chance_better == pytest.approx(0.7, abs=1e-3)
