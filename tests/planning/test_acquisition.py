"""The expected gain of a trial against posterior draws, for every objective and growing batches.

Comparisons with published values, mpmath and quadrature are in
``tests/outside/test_acquisition_published.py`` and ``tests/outside/test_hypervolume.py``.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, logit

from optimizer.history.snapshot import Snapshot
from optimizer.planning.acquisition import (
    ConstrainedImprovement,
    Outlook,
    log_constrained_gain,
    log_constrained_improvement,
)
from optimizer.planning.objective import RECOVERY, Recovery, ValuePerHour
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief, Prices
from optimizer.plant.site import Site

FEED_ODDS = float(logit(0.9))
OBJECTIVES = {
    "recovery": RECOVERY,
    "trade-off": Recovery(0.95),
    "value": ValuePerHour(Prices(product=100.0, reject=20.0), FEED_ODDS, lambda A: 1.0 + A[:, 0]),
}


@pytest.fixture(scope="module")
def situation(season_table):
    wanted = Brief.from_dict({"line": "deck-1", "goal": {"min_grade": 0.985}})
    return situation_of(Snapshot.of_table(season_table.slice(0, 60)), Site(), wanted, seed=1)


@pytest.fixture(scope="module")
def candidates(situation):
    return situation.evidence.inputs_today(situation.limits.pool[:200])


def improvement_of(situation, objective=RECOVERY, base=6):
    inputs = situation.evidence.inputs_today(situation.tried[:base])
    return ConstrainedImprovement(
        situation.surrogate, inputs, 0.985, FEED_ODDS, room=2, seed=1, objective=objective
    )


def test_the_gain_of_every_worth_agrees_with_posterior_draws():
    """ln E[(worth - best)^+ 1{grade met}] by both rules against 400,000 normal draws, seed 0."""
    rng = np.random.default_rng(0)
    z = rng.standard_normal((2, 400_000))
    outlook = Outlook(*map(np.array, ([[4.2]], [[1.1]], [0.3], [0.2], [0.4])))
    S = 4.2 + np.sqrt(0.3) * z[0]
    C = 1.1 + 0.4 * (S - 4.2) + np.sqrt(0.2) * z[1]
    recovery, lost = expit(0.5 * (C + S)), expit(0.5 * (C - S))
    grade = expit(FEED_ODDS) * recovery
    grade = grade / (grade + (1.0 - expit(FEED_ODDS)) * lost)
    best = 0.93
    drawn = np.mean(np.maximum(recovery - best, 0.0) * (grade >= 0.985))
    by_integral = log_constrained_improvement(outlook, logit(np.array([best])), 0.985, FEED_ODDS)
    assert np.exp(by_integral).item() == pytest.approx(drawn, rel=0.02)
    by_nodes = log_constrained_gain(
        lambda s, c: expit(0.5 * (c + s)), outlook, np.array([best]), 0.1, 0.985, FEED_ODDS
    )
    assert np.exp(by_nodes).item() == pytest.approx(drawn, rel=0.06)


@pytest.mark.parametrize("name", OBJECTIVES)
def test_every_gain_is_finite_and_a_pick_is_worth_less_once_it_is_picked(
    situation, candidates, name
):
    improvement = improvement_of(situation, OBJECTIVES[name])
    gains = improvement.log_gain(candidates)
    assert np.all(np.isfinite(gains))
    best = candidates[[np.argmax(gains)]]
    improvement.extend(best)
    assert improvement.log_gain(best)[0] < gains.max() - 0.5


def test_a_tried_setting_is_worth_less_than_the_best_new_one(situation, candidates):
    improvement = improvement_of(situation)
    tried = situation.evidence.inputs_today(situation.tried[:6])
    assert improvement.log_gain(candidates).max() > improvement.log_gain(tried).max()


def test_a_coarse_gain_ranks_like_the_full_one(situation, candidates):
    improvement = improvement_of(situation)
    fine, coarse = (improvement.log_gain(candidates, rough) for rough in (False, True))
    ranks = [np.argsort(np.argsort(values)) for values in (fine, coarse)]
    assert np.corrcoef(ranks)[0, 1] > 0.9
    assert not np.array_equal(fine, coarse)


def test_more_settings_tried_leave_less_to_gain(situation, candidates):
    few, many = (improvement_of(situation, base=n) for n in (3, 30))
    gains = [np.exp(each.log_gain(candidates)).mean() for each in (few, many)]
    assert gains[1] < gains[0]
