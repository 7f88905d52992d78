"""The classifier of the deck's state against Laplace's approximation written out; its average."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize, stats

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


def by_laplace(member, X, even):
    """Level, mode and evidence of the classifier by Rasmussen & Williams (2006), equations 3.15,
    3.21, 3.26 and 3.32, with a general optimizer and plain inverses."""
    d = X.shape[1] - len(member.contrasts)

    def kernel(P, Q):
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

    level = stats.norm.ppf((even.sum() + 1.0) / (len(even) + 2.0))
    sign = np.where(even, 1.0, -1.0)
    K = kernel(X, X) + 1e-10 * np.eye(len(X))
    root = np.linalg.cholesky(K)

    def negative(u):
        return 0.5 * u @ u - stats.norm.logcdf(sign * (level + root @ u)).sum()

    found = optimize.minimize(negative, np.zeros(len(X)), method="BFGS", options={"gtol": 1e-9})
    f = root @ found.x
    z = sign * (level + f)
    ratio = np.exp(stats.norm.logpdf(z) - stats.norm.logcdf(z))
    W = np.diag(ratio * (ratio + z))
    evidence = -found.fun - 0.5 * np.linalg.slogdet(np.eye(len(X)) + K @ W)[1]

    def chance(B):
        cross = kernel(X, B)
        mean = level + cross.T @ np.linalg.solve(K, f)
        variance = kernel(B, B) - cross.T @ np.linalg.solve(K + np.linalg.inv(W), cross)
        return stats.norm.cdf(mean / np.sqrt(1.0 + np.diag(variance)))

    return evidence, chance


RUNS = RNG.random((14, 3))
EVEN = np.array(
    [True, True, False, True, True, False, True, True, True, False, True, True, True, True]
)


@pytest.mark.parametrize(
    "member",
    [
        DeckState(),
        DeckState(0.4, 1.5, 0.5, contrasts=(1,)),
        DeckState(deviation=0.0, trend=0.0, edge=1.5),
    ],
)
def test_the_classifier_is_laplaces_approximation(member):
    evidence, chance = by_laplace(member, RUNS, EVEN)
    found = member.fit(RUNS, EVEN)
    assert found.log_evidence_ == pytest.approx(evidence, abs=1e-4)
    B = RNG.random((5, 3))
    np.testing.assert_allclose(found.chance_even(B), chance(B), atol=1e-4)


def test_repeated_runs_are_counted():
    twice = DeckState().fit(np.vstack([RUNS, RUNS]), np.concatenate([EVEN, EVEN]))
    apart = DeckState().fit(np.vstack([RUNS, RUNS + 1e-7]), np.concatenate([EVEN, EVEN]))
    assert twice.log_evidence_ == pytest.approx(apart.log_evidence_, abs=1e-3)
    assert len(twice.X_) == len(RUNS)


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
