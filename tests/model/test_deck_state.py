"""Where a deck runs even, learned from runs that failed."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.model.deck_state import EDGE, MOST_JUDGED, DeckState, deck_state_of
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import FAMILIES
from tests.benchmarks.trials.decks import draw

VIEW = deck_coordinates_of(GRAVITY_TABLE)
RUNS, UNSEEN = 30, 300


def spread(family: str, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """Unit settings anywhere, shape (n, 5), and whether a run there was even, on one drawn deck."""
    rng = np.random.default_rng((seed, 1))
    deck, material = draw(family, np.random.default_rng(seed))
    values = GRAVITY_TABLE.values(Region.whole(GRAVITY_TABLE).sample(RUNS + UNSEEN, rng))
    even = rng.random(len(values)) > deck.run(values, material).failure
    return GRAVITY_TABLE.to_unit(values), even


def losses(family: str, seed: int) -> tuple[float, float]:
    """Mean log loss at unseen settings, of the average and of the coupled description alone."""
    X, even = spread(family, seed)
    model = deck_state_of(VIEW).fit(X[:RUNS], even[:RUNS])
    found = []
    for chance in (model.chance_even(X[RUNS:]), model.members[0][1].chance_even(X[RUNS:])):
        right = np.where(even[RUNS:], chance, 1.0 - chance)
        found.append(-float(np.mean(np.log(np.clip(right, 1e-4, None)))))
    return found[0], found[1]


def test_deck_state_learns_where_the_deck_fails():
    rng = np.random.default_rng(2)
    X = rng.random((60, 5))
    model = DeckState().fit(X, X[:, 4] < 0.6)
    A = rng.random((400, 5))
    chance = model.chance_even(A)
    assert chance[A[:, 4] < 0.4].mean() > 0.8
    assert chance[A[:, 4] > 0.8].mean() < 0.3


@pytest.mark.parametrize("name", ["side_tilt", "end_raise"])
def test_an_edge_is_seen_that_the_coupled_coordinates_hide(name):
    """A deck that fails at the high end of the side tilt, or of the end raise."""
    rng = np.random.default_rng(3)
    j = GRAVITY_TABLE.names.index(name)
    X, A = rng.random((RUNS, 5)), rng.random((400, 5))
    model = deck_state_of(VIEW).fit(X, X[:, j] < 0.6)
    beyond, before = A[:, j] > 0.8, A[:, j] < 0.4
    assert model.chance_even(A[beyond]).mean() < 0.2
    assert model.chance_even(A[before]).mean() > 0.85
    coupled = model.members[0][1].chance_even
    assert coupled(A[beyond]).mean() > 2.0 * model.chance_even(A[beyond]).mean()


def test_a_border_in_any_direction_is_learned_better_than_by_the_coupled_coordinates():
    """Decks whose border lies across all settings; seeds 9000 to 9007."""
    found = np.array([losses("ridge", 9000 + k) for k in range(8)])
    assert found[:, 0].mean() < 0.75 * found[:, 1].mean()


def test_the_average_costs_nothing_where_the_coupled_coordinates_hold():
    """Simulated decks and those of the outsider family; seeds 9000 to 9003."""
    found = [losses(f, 9000 + k) for f in (*FAMILIES, "outsider") for k in range(4)]
    average, coupled = np.mean(found, axis=0)
    assert average < coupled + 0.005


def test_a_few_runs_leave_every_description_its_weight():
    X, even = np.full((3, 5), 0.5), np.array([True, True, False])
    model = deck_state_of(VIEW).fit(X, even)
    assert len(model.weights_) == 3
    assert model.weights_.sum() == pytest.approx(1.0, abs=1e-12)
    assert model.weights_.min() > 0.05
    # Without the five settings of a deck, there are no coupled coordinates to compete.
    fewer = deck_state_of(None).fit(X[:, :2], even)
    assert len(fewer.weights_) == 2
    assert fewer.weights_.sum() == pytest.approx(1.0, abs=1e-12)


def test_the_average_is_that_of_the_descriptions():
    X, even = spread("cliff", 9001)
    model = deck_state_of(VIEW).fit(X[:RUNS], even[:RUNS])
    chances = np.array([member.chance_even(X[RUNS:]) for _, member in model.members])
    # A description of less than a thousandth may be left out.
    difference = model.chance_even(X[RUNS:]) - model.weights_ @ chances
    assert np.abs(difference).max() < 2e-3


def test_of_many_runs_a_part_rules_out_descriptions():
    """The rest is fitted to all runs, and predicts as if nothing had been ruled out."""
    rng = np.random.default_rng(8)
    X = rng.random((MOST_JUDGED + 100, 5))
    even = X.sum(axis=1) + 0.1 * rng.standard_normal(len(X)) < 3.0
    model = deck_state_of(VIEW).fit(X, even)
    sizes = [len(member.X_) for _, member in model.members]
    assert sizes == [len(X) // 2, len(X) // 2, len(X)]
    assert model.weights_.tolist() == [0.0, 0.0, 1.0]
    A = rng.random((50, 5))
    alone = DeckState(deviation=0.0, trend=0.0, edge=EDGE).fit(X, even).chance_even(A)
    np.testing.assert_allclose(model.chance_even(A), alone, atol=1e-12)


def test_the_order_of_the_runs_has_no_effect():
    X, even = spread("grain", 9000)
    order = np.random.default_rng(5).permutation(RUNS)
    first = deck_state_of(VIEW).fit(X[:RUNS], even[:RUNS])
    second = deck_state_of(VIEW).fit(X[order], even[order])
    np.testing.assert_array_equal(first.chance_even(X[RUNS:]), second.chance_even(X[RUNS:]))


@pytest.mark.parametrize("edge", [2.0, 200.0])
def test_the_sites_settle_however_steep_the_edge(edge):
    """Where they have, each pull is the slope of ln of the chance that all other runs give the
    outcome (Rasmussen & Williams 2006, equations 3.56 and 3.58)."""
    rng = np.random.default_rng(7)
    X = rng.random((80, 5))
    state = DeckState(deviation=0.0, trend=0.0, edge=edge).fit(X, X.sum(axis=1) < 2.5)
    assert len(state.X_) == len(X)
    features = state._features(state.X_)
    K = state._kernel(state.X_, state.X_, features, features)
    root = state._root
    inner = np.linalg.solve(np.eye(80) + root[:, None] * K * root, root[:, None] * K)
    variance = np.diag(K) - np.sum(root[:, None] * K * inner, axis=0)
    others = 1.0 / (1.0 / variance - root**2)
    mean = state.level_ + K @ state.gradient_ - others * state.gradient_
    sign = np.where(state.X_.sum(axis=1) < 2.5, 1.0, -1.0)
    z = sign * mean / np.sqrt(1.0 + others)
    slope = sign * np.exp(norm.logpdf(z) - norm.logcdf(z)) / np.sqrt(1.0 + others)
    np.testing.assert_allclose(state.gradient_, slope, atol=5e-3)
