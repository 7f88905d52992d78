"""Whole fits: equal answers again, any order of runs, and inputs of every kind."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logit

from optimizer.gaussian_process.kernel import LINES
from optimizer.gaussian_process.solvers import EXACT, InducingPoints
from optimizer.measurement import RunReadings
from optimizer.model.coordinates import from_latent
from optimizer.model.surrogate import Surrogate
from optimizer.plant.settings import GRAVITY_TABLE
from tests.model.fitted_pairs import COUPLED
from tests.model.simulated_runs import FEED_ODDS, deck, fit, measured

ASK = np.random.default_rng(8).random((30, 5))


def replicated(n=24, seed=3):
    """Counted and weighed runs, up to four at the same settings; one of them is wrong."""
    rng = np.random.default_rng(seed)
    X = rng.random((n, 5))
    X = np.vstack([X, X[:6], X[:6], X[:3]])
    grade, recovery = measured(X, rng)
    recovery[9] *= 0.1
    return X, grade, recovery


def answers(model, A=ASK):
    """All figures that a plan takes from a model, in one array."""
    found, latent = model.predict(A, FEED_ODDS), model.latent(A)
    parts = [[e.mean, e.low, e.high] for e in (found.grade, found.recovery)] + [
        [model.chance_of_grade(A, 0.97, FEED_ODDS), model.mean_yield(A, FEED_ODDS)]
    ]
    whole = np.concatenate([np.ravel(part) for part in parts])
    return np.concatenate([whole, latent.mean.mean(axis=0).ravel(), np.ravel(model.reading_sd())])


def test_the_same_fit_again_gives_the_same_bytes():
    data = replicated(8)
    one, other = (fit(*data) for _ in range(2))
    assert len(one.favored_.each) > 1
    assert answers(one).tobytes() == answers(other).tobytes()
    assert one.favored_ == other.favored_
    assert one.run_weights_.tobytes() == other.run_weights_.tobytes()
    seeded = fit(*data, random_state=1)
    assert answers(seeded).tobytes() != answers(one).tobytes()


def test_the_order_of_runs_does_not_change_a_fit():
    """Sums over replicates are rounded in another order, and searches for hyperparameters may stop
    a little elsewhere: here answers differ by 3e-11."""
    X, grade, recovery = replicated()
    one = fit(X, grade, recovery)
    order = np.random.default_rng(0).permutation(len(X))
    other = fit(X[order], grade[order], recovery[order])
    np.testing.assert_allclose(answers(other), answers(one), atol=1e-6)
    np.testing.assert_allclose(other.run_weights_, one.run_weights_[order], atol=1e-6)
    assert [f.name for f in other.favored_.each] == [f.name for f in one.favored_.each]


def rmse(model, A, S, C):
    """Error of the mean recovery at inputs A of sharpness S and balance C, and its spread."""
    true = from_latent(S, C, FEED_ODDS)[1]
    found = model.predict(A, FEED_ODDS)
    for estimate in (found.grade, found.recovery):
        assert np.all(np.isfinite([estimate.mean, estimate.low, estimate.high]))
        assert np.all(estimate.low < estimate.high)
    weights = [f.weight for f in model.favored_.each]
    assert sum(weights) == pytest.approx(1.0)
    assert weights == sorted(weights, reverse=True)
    assert len(model.pairs_) == model.n_members_
    return np.sqrt(np.mean((found.recovery.mean - true) ** 2)), np.std(true)


def stated(S, C, seed=0):
    """Readings of sharpness and balance with known errors of 0.1 in each logit."""
    rng = np.random.default_rng(seed)
    grade, recovery = (logit(share) for share in from_latent(S, C, FEED_ODDS))
    noise = 0.1 * rng.standard_normal((2, len(S)))
    return RunReadings.from_logits(grade + noise[0], recovery + noise[1], 0.01, 0.01)


def test_three_settings_alone_are_fitted():
    rng = np.random.default_rng(1)
    names = ("feed_rate", "side_tilt", "air")
    X, A = rng.random((30, 3)), rng.random((50, 3))

    def truth(B):
        return 4.0 - 5.0 * (B[:, 0] - 0.4) ** 2, 2.0 + 2.0 * B[:, 1] - 2.0 * B[:, 2]

    model = Surrogate(names).fit(X, stated(*truth(X)), FEED_ODDS)
    assert {f.name for f in model.favored_.each} <= {"single", "joint", "shares"}
    error, spread = rmse(model, A, *truth(A))
    assert error < 0.4 * spread


def test_material_inputs_are_learned():
    """Two inputs besides the settings, one of which changes the balance."""
    rng = np.random.default_rng(2)
    X, A = rng.random((50, 7)), rng.random((60, 7))

    def truth(B):
        S, C = deck(B[:, :5])
        return S, C + 2.0 * (B[:, 5] - 0.5)

    model = Surrogate(GRAVITY_TABLE.names, coordinates=COUPLED)
    model.fit(X, stated(*truth(X)), FEED_ODDS)
    error, spread = rmse(model, A, *truth(A))
    assert error < 0.5 * spread
    wet, dry = np.array(A), np.array(A)
    wet[:, 5], dry[:, 5] = 0.9, 0.1
    more = model.latent(wet).mean.mean(axis=0)[1] - model.latent(dry).mean.mean(axis=0)[1]
    assert np.mean(more) == pytest.approx(1.6, abs=0.3)


@pytest.mark.parametrize("solver", [EXACT, InducingPoints(20)])
def test_lines_and_inducing_points_are_fitted(solver):
    """Two lines of which the second sends more to the product, each with 25 set-points."""
    rng = np.random.default_rng(5)
    X = np.column_stack([rng.random((50, 5)), np.repeat([0.0, 1.0], 25)])
    A = np.column_stack([rng.random((50, 5)), np.zeros(50)])

    def truth(B):
        S, C = deck(B[:, :5])
        return S, C + 1.0 * B[:, 5]

    model = Surrogate(GRAVITY_TABLE.names, groupings=(LINES,), solver=solver, coordinates=COUPLED)
    model.fit(X, stated(*truth(X)), FEED_ODDS)
    assert not model.exact
    error, spread = rmse(model, A, *truth(A))
    assert error < 0.6 * spread
    other = np.column_stack([A[:, :5], np.ones(50)])
    more = model.latent(other).mean.mean(axis=0)[1] - model.latent(A).mean.mean(axis=0)[1]
    assert 0.4 < np.mean(more) < 1.6


@pytest.mark.parametrize(("n", "solver"), [(80, EXACT), (80, InducingPoints(40)), (30, EXACT)])
def test_many_set_points_are_screened_and_fitted(n, solver):
    """Descriptions are compared on 60 of the set-points; inducing points stand for all."""
    rng = np.random.default_rng(6)
    X, A = rng.random((n, 5)), rng.random((60, 5))
    model = Surrogate(GRAVITY_TABLE.names, coordinates=COUPLED, solver=solver)
    model.fit(X, stated(*deck(X)), FEED_ODDS)
    assert model.exact == (solver is EXACT)
    assert all(len(p.first.points) == (n if solver is EXACT else 40) for p in model.pairs_)
    error, spread = rmse(model, A, *deck(A))
    assert error < 0.5 * spread
