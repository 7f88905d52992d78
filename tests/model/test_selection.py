"""The chance of chosen settings: the part of a prediction that errors of readings decide."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit

from optimizer.gaussian_process.inputs import Inputs
from optimizer.model import selection
from optimizer.model.coordinates import logit_slopes
from optimizer.model.selection import chance_after_selection, noise_of_grade, raised
from tests.model.fitted_pairs import NAMES, POINTS, case, dense
from tests.model.test_unstated_errors import FEED_ODDS, fitted


@pytest.mark.parametrize("name", NAMES)
def test_the_noise_of_a_mean_is_that_of_its_weighted_sum_of_readings(name):
    """A posterior mean is G y with the gain G of conditioning (Rasmussen & Williams, Gaussian
    Processes for Machine Learning, 2006, A.6), so errors of covariance N move it by G N G'."""
    made, ask = case(name), np.random.default_rng(3).random((6, 5))
    (pair,) = made.candidate.members
    known = dense(made, pair, ask)
    cross = known.covariance @ known.rows.T
    gain = cross @ np.linalg.inv(known.rows @ cross + known.noise)
    moved = gain @ known.noise @ gain.T
    mean, _ = known.conditioned()
    m = len(mean) // 2
    for k in range(len(ask)):
        s, c = POINTS + k, m + POINTS + k
        S, C = mean[s], mean[c]
        slope = np.array(logit_slopes(expit(0.5 * (C + S)), expit(0.5 * (C - S)))[0])
        expected = np.sqrt(slope @ moved[np.ix_([s, c], [s, c])] @ slope)
        found = noise_of_grade(pair, Inputs(ask[k : k + 1]), FEED_ODDS)
        assert found == pytest.approx(expected, rel=1e-5)


def test_selection_lowers_a_chance_where_readings_decide_it(monkeypatch):
    model = fitted(0.01, stated=True)
    near = np.array([[0.4, 0.5]])
    goal = model.predict(near, FEED_ODDS, level=0.6).grade.low[0]
    before = model.chance_of_grade(near, goal, FEED_ODDS)
    after = chance_after_selection(model, near, goal, FEED_ODDS)
    assert 0.05 < after < before - 0.02
    monkeypatch.setattr(selection, "INTENSITY", 0.0)
    same = chance_after_selection(model, near, goal, FEED_ODDS)
    # 512 quasi-random normals against a quadrature.
    assert same == pytest.approx(before, abs=0.01)


def test_a_search_aims_higher_until_the_chance_after_selection_is_reached():
    assert 0.9 < raised(0.9, 0.9, 0.85) < raised(0.9, 0.9, 0.7) < 1.0
    assert raised(0.9, 0.9, 0.0) <= selection.MOST_WANTED
    assert raised(1.0, 0.9, 0.5) <= selection.MOST_WANTED
