"""The classifier of the deck's state against what defines it; its average."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from optimizer.gaussian_process.mean import PER_UNIT
from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.model.deck_state import (
    COUPLED_SCALE,
    COUPLED_WEIGHT,
    EDGE_WEIGHT,
    SETTINGS_WEIGHT,
    AveragedDeckState,
    DeckState,
    deck_state_of,
)
from optimizer.plant.settings import GRAVITY_TABLE


@pytest.fixture(autouse=True)
def constants(monkeypatch):
    """The examples are worked out for these values, which are choices and may change."""
    monkeypatch.setattr("optimizer.model.deck_state.MOST_JUDGED", 400)
    monkeypatch.setattr("optimizer.model.deck_state.LEAST_WEIGHT", 0.001)


RNG = np.random.default_rng(31)


def kernel(member, P, Q):
    """Prior covariance of the latent values, written out."""
    d = P.shape[1] - len(member.contrasts)

    def features(Z):
        z = PER_UNIT * (Z - 0.5)
        one = np.ones(Z.shape[1])
        one[list(member.contrasts)] = 0.0
        square = (z**2 - one) / np.sqrt(0.8)
        return np.hstack([
            member.trend * z, member.trend * square, member.edge * z,
            np.full((len(Z), 1), member.edge),
        ])  # fmt: skip

    squared = ((P[:, None] - Q[None]) ** 2).sum(axis=2) / (member.lengthscale**2 * d)
    return member.deviation**2 * np.exp(-0.5 * squared) + features(P) @ features(Q).T


RUNS = RNG.random((14, 3))
EVEN = np.array(
    [True, True, False, True, True, False, True, True, True, False, True, True, True, True]
)


MEMBERS = [
    DeckState(),
    DeckState(0.4, 1.5, 0.5, contrasts=(1,)),
    DeckState(deviation=0.0, trend=0.0, edge=1.5),
]


@pytest.mark.parametrize("member", MEMBERS)
def test_each_latent_value_has_the_moments_that_its_run_gives_it(member):
    """The fixed point of expectation propagation (Rasmussen & Williams 2006, section 3.6), with a
    plain inverse and integrals on a grid."""
    found = member.fit(RUNS, EVEN)
    K, precision = kernel(member, found.X_, found.X_), found._root**2
    mean = found.level_ + K @ found.gradient_
    variance = np.diag(K - K @ np.linalg.solve(K + np.diag(1.0 / precision), K))
    pull = found.gradient_ + precision * mean  # gradient = pull - precision * mean
    order = [int(np.flatnonzero((x == RUNS).all(axis=1))[0]) for x in found.X_]
    for k, even in enumerate(EVEN[order]):
        without = 1.0 / (1.0 / variance[k] - precision[k])
        f = mean[k] + np.sqrt(without) * np.linspace(-12.0, 12.0, 20_001)
        middle = without * (mean[k] / variance[k] - pull[k])
        density = stats.norm.pdf(f, middle, np.sqrt(without)) * stats.norm.cdf(f if even else -f)
        density /= density.sum()
        assert density @ f == pytest.approx(mean[k], abs=2e-3)
        assert density @ (f - density @ f) ** 2 == pytest.approx(variance[k], rel=2e-3)


@pytest.mark.parametrize("shift", [0.0, 1e-3])
def test_many_runs_at_few_settings_settle(shift):
    """The chance at settings of so many runs is their rate, whose error is the binomial one."""
    X = np.repeat([[0.2, 0.3], [0.2 + shift, 0.3], [0.8, 0.9]], 2000, axis=0)
    even = np.arange(len(X)) % 10 < np.repeat([9, 9, 2], 2000)
    chance = DeckState().fit(X, even).chance_even([[0.2, 0.3], [0.8, 0.9]])
    np.testing.assert_allclose(chance, [0.9, 0.2], atol=0.02)


class Told:
    """A description of a given evidence and chance, which counts what it is fitted to."""

    def __init__(self, evidence, chance):
        self.log_evidence_, self.chance, self.fits = evidence, chance, []

    def fit(self, X, even):
        self.fits.append(len(X))
        return self

    def chance_even(self, B):
        return np.full(len(B), self.chance)


def test_descriptions_of_the_state_are_averaged_by_belief_times_evidence():
    made = AveragedDeckState([(0.6, Told(np.log(2.0), 0.5)), (0.4, Told(0.0, 1.0))])
    made.fit(np.zeros((3, 1)), [True] * 3)
    np.testing.assert_allclose(made.weights_, [0.75, 0.25])
    np.testing.assert_allclose(made.chance_even(np.zeros((2, 1))), [0.625, 0.625])
    # One of less weight than a thousandth is left out of predictions, the others count for it.
    made = AveragedDeckState([(0.5, Told(0.0, 0.5)), (0.5, Told(np.log(9e-4), 1.0))])
    assert made.fit(np.zeros((3, 1)), [True] * 3).chance_even(np.zeros((1, 1))) == 0.5


@pytest.mark.parametrize(
    ("runs", "first", "second"), [(400, 400, None), (401, 201, 401), (801, 267, 801)]
)
def test_many_runs_are_judged_by_a_part_and_then_by_all(runs, first, second):
    kept, dropped = Told(0.0, 0.5), Told(-99.0, 0.5)
    AveragedDeckState([(0.5, kept), (0.5, dropped)]).fit(np.zeros((runs, 1)), [True] * runs)
    assert dropped.fits == [first]
    assert kept.fits == [first] + ([] if second is None else [second])


def test_three_descriptions_of_the_state_compete_where_there_are_coupled_coordinates():
    plain = deck_state_of(None, (2,)).members
    assert [w for w, _ in plain] == [SETTINGS_WEIGHT, EDGE_WEIGHT]
    assert [(m.deviation > 0, m.edge > 0, m.contrasts) for _, m in plain] == [
        (True, False, (2,)), (False, True, (2,)),
    ]  # fmt: skip
    view = deck_coordinates_of(GRAVITY_TABLE)
    (weight, coupled), *others = deck_state_of(view, (7,)).members
    assert (weight, len(others), coupled.contrasts) == (COUPLED_WEIGHT, 2, (7,))
    assert coupled.coordinates == replace(view, scale=COUPLED_SCALE)


def test_a_deck_without_some_settings_is_classified_as_one_that_never_moves_them():
    """With all five at the middle but air and speed, and with air and speed alone."""
    two = ("eccentric_speed", "air")
    space = replace(
        GRAVITY_TABLE, settings=tuple(s for s in GRAVITY_TABLE.settings if s.name in two)
    )
    X = RNG.random((10, 2))
    whole = np.full((10, 5), 0.5)
    whole[:, [GRAVITY_TABLE.names.index(name) for name in two]] = X
    (_, few), (_, all_) = (
        deck_state_of(deck_coordinates_of(s)).members[0] for s in (space, GRAVITY_TABLE)
    )
    P, Q = (m._in_coordinates(x) for m, x in ((few, X), (all_, whole)))
    smooth = [
        replace_trend(m)._kernel(Z, Z, np.zeros((10, 1)), np.zeros((10, 1)))
        for m, Z in ((few, P), (all_, Q))
    ]
    np.testing.assert_allclose(smooth[0], smooth[1], rtol=1e-9)


def replace_trend(member):
    return member.set_params(trend=0.0)
