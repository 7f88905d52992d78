"""Draws of a pair, pairs by inducing points, and stacks of the members of a surrogate.

``test_joint_normal`` compares pairs with dense normals.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logit

from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.solvers import EXACT, InducingPoints
from optimizer.measurement import RunReadings
from optimizer.model.coordinates import from_latent
from optimizer.model.deck_prior import descriptions_of
from optimizer.model.inducing_pair import InducingPair
from optimizer.model.joint import JointPair
from optimizer.model.pair_draws import PairDraws, draw_pairs
from optimizer.model.surrogate import Surrogate
from optimizer.planning.acquisition import ConstrainedImprovement
from optimizer.plant.settings import GRAVITY_TABLE
from tests.model.fitted_pairs import COUPLED

FEED_ODDS = float(logit(0.9))


@pytest.fixture(params=["coupled", "single", "shares"])
def name(request, monkeypatch):
    """Name of a description; surrogates that are fitted in the test know no other."""
    monkeypatch.setattr(
        "optimizer.model.averaging.descriptions_of",
        lambda frame: tuple(d for d in descriptions_of(frame) if d.name == request.param),
    )
    return request.param


def surrogate(solver=EXACT, members=1):
    """A surrogate fitted to 25 readings of a smooth deck, one reading per set-point."""
    rng = np.random.default_rng(0)
    X = rng.random((25, 5))
    S = 4.5 - 6 * np.sum((X[:, :2] - 0.4) ** 2, axis=1) - 2 * (X[:, 2] - 0.5) ** 2
    C = 2.0 + 3 * (X[:, 3] - 0.5) - 3 * (X[:, 4] - 0.5)
    S, C = S + 0.1 * rng.standard_normal(25), C + 0.1 * rng.standard_normal(25)
    grade, recovery = from_latent(S, C, FEED_ODDS)
    read = RunReadings.from_logits(logit(grade), logit(recovery), 0.01, 0.02)
    model = Surrogate(GRAVITY_TABLE.names, members, coordinates=COUPLED, solver=solver)
    return model.fit(X, read, FEED_ODDS)


def test_inducing_points_for_all_but_one_set_point_hardly_change_each_process(name):
    """Posterior means of each process differ by less than a fifth of a standard deviation."""
    exact = surrogate().pairs_[0]
    few = surrogate(InducingPoints(24)).pairs_[0]
    assert type(exact) is JointPair
    assert type(few) is InducingPair
    ask = Inputs(np.random.default_rng(2).random((9, 5)))
    sd = np.sqrt(exact.variance(exact.moments(ask))[0])
    for one, other in zip(exact.moments(ask).mean, few.moments(ask).mean, strict=True):
        assert np.max(np.abs(one - other) / sd) < 0.2


def test_conditional_moments_given_draws_have_the_posterior_variance_on_average(name):
    """40,000 draws, seed 0: a variance has a standard error of 0.7 %; the tolerance is 4 %."""
    pair = surrogate().pairs_[0]
    base, ask = np.split(np.random.default_rng(3).random((14, 5)), [8])
    normals = np.random.default_rng(0).standard_normal((40_000, 14, 2))
    drawn = PairDraws(pair, Inputs(base), normals)
    S, C, s, own, slope = drawn.conditional(Inputs(ask))
    # Law of total variance: variance of the conditional means plus the conditional variance.
    variance, whole_slope, whole_own = pair.variance(pair.moments(ask))
    np.testing.assert_allclose(S.var(axis=0) + s, variance, rtol=0.04)
    np.testing.assert_allclose(
        C.var(axis=0) + own + slope**2 * s, whole_own + whole_slope**2 * variance, rtol=0.04
    )
    # Extending a draw by a point adds its value there and keeps the values drawn before.
    more = drawn.extend(ask[:1])
    for before, after in zip(drawn.values, more.values, strict=True):
        np.testing.assert_allclose(after[:, :8], before, atol=1e-8)
    again = more.conditional(Inputs(ask[:1]))
    for at, value in zip(again[:2], more.values, strict=True):
        np.testing.assert_allclose(at[:, 0], value[:, 8], atol=1e-6)


@pytest.mark.parametrize("solver", [EXACT, InducingPoints(15)])
def test_a_stack_of_members_equals_each_member_alone(solver, name):
    model = surrogate(solver, members=4)
    base, ask = (Inputs(part) for part in np.split(np.random.default_rng(3).random((11, 5)), [6]))
    normals = np.random.default_rng(0).standard_normal((4, 8, 7, 2))
    assert [p.stacked for p in model.pairs()] == ([True] if solver is EXACT else [False] * 4)
    compare_members(model, base, ask, normals)
    worth = ConstrainedImprovement(model, base.values, 0.96, FEED_ODDS, room=1)
    for coarse in (False, True):
        assert np.all(np.isfinite(worth.log_gain(ask, coarse)))


def test_stacks_of_several_descriptions_equal_each_member_alone(monkeypatch):
    """Two descriptions of equal weight share eight members, and every second and fourth too."""
    pick = ("coupled", "shares")
    monkeypatch.setattr(
        "optimizer.model.averaging.descriptions_of",
        lambda frame: tuple(d for d in descriptions_of(frame) if d.name in pick),
    )
    monkeypatch.setattr("optimizer.model.averaging.weights_of", lambda *given: np.array([0.5, 0.5]))
    model = surrogate(members=8)
    for step in (1, 2, 4):
        assert [pair.members for pair in model.pairs(step)] == [4 // step] * 2
    assert [pair.apart for pair in model.pairs_] == [False] * 4 + [True] * 4
    base, ask = (Inputs(part) for part in np.split(np.random.default_rng(3).random((11, 5)), [6]))
    normals = np.random.default_rng(0).standard_normal((8, 8, 7, 2))
    compare_members(model, base, ask, normals)
    coarse, every = model.latent(ask, coarse=True), model.latent(ask)
    np.testing.assert_allclose(coarse.mean, every.mean[[0, 4]], rtol=1e-9)


def compare_members(model, base, ask, normals):
    """Moments and conditional draws of stacked members against those of each member."""
    members = len(model.pairs_)
    together = [d.extend(ask.values[:1]) for d in draw_pairs(model.pairs(), base, normals)]
    found = [
        np.concatenate([np.reshape(x, (-1, *np.shape(x)[-n:])) for x in parts])
        for n, parts in zip(
            (2, 2, 1, 1, 1), zip(*(d.conditional(ask) for d in together), strict=True), strict=True
        )
    ]
    known = model.latent(ask)
    for k, (pair, z) in enumerate(zip(model.pairs_, normals, strict=True)):
        at = pair.moments(Inputs(ask.values))
        np.testing.assert_allclose(known.mean[k], at.mean, rtol=1e-9)
        np.testing.assert_allclose(known.cut[k], pair.variance(at)[1], rtol=1e-7)
        alone = PairDraws(pair, Inputs(base.values), z).extend(ask.values[:1]).conditional(ask)
        for several, one in zip(found, alone, strict=True):
            assert several.shape == (members, *one.shape)
            np.testing.assert_allclose(several[k], one, rtol=1e-6, atol=1e-9)
