"""Predictions with effects of time against one dense normal that holds the effects.

Source of the reference: conditioning of a normal, Rasmussen & Williams, Gaussian Processes for
Machine Learning, 2006, A.6, by plain matrices of numpy.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.gaussian_process.likelihood import Likelihood
from optimizer.gaussian_process.replicates import Groups
from optimizer.model.inducing_pair import InducingPair
from optimizer.time_effects import effects as module
from optimizer.time_effects.effects import _mixed, root_of
from optimizer.time_effects.information import Information, mean_effects
from optimizer.time_effects.occasions import DAY, NONE, SLOW, Occasions
from optimizer.time_effects.spread import Spread
from tests.model.fitted_pairs import POINTS, case, dense

ASK = np.random.default_rng(2).random((6, 5))
K = len(ASK)
SPREAD = Spread({DAY: np.array([0.3, 0.2]), SLOW: np.array([0.4, 0.5])}, float(np.log(9.0)))


def occasions(n):
    """Two or three runs a day, in an order that mixes set-points and days."""
    day = np.random.default_rng(4).permutation(np.arange(n) * 2 // 5)
    return Occasions(day + 0.5, day, np.full(n, NONE), 16.0, int(day.max()))


def shifted(posterior, groups, off, level):
    """A posterior with the same hyperparameters whose readings are moved by ``off``, (n,), and its
    center by the level, as a fit would move it."""
    was = posterior.readings
    readings = replace(was, mean=was.mean + groups.mean(off), center=was.center + level)
    likelihood = Likelihood(posterior.prior, posterior.noise, readings)
    return posterior.solver.condition(likelihood, posterior.hyperparameters.vector)


def as_of_the_moment(pair, made, cells):
    """The pair on readings without effects, and beside it what is not known of them."""
    groups = made.groups
    read = np.array([made.latent.sharpness, made.latent.balance])
    means = pair.read_means(np.array([groups.mean(y) for y in read]))
    information = Information.of(means, groups, read, cells.which)
    mean, covariance = _mixed(information, cells, [(SPREAD, 1.0)])
    c = cells.count
    off = np.column_stack([-mean[:, cells.which], mean[:, c]])
    if pair.apart:
        off = np.array([0.5 * (off[1] + off[0]), 0.5 * (off[1] - off[0])])
    root = root_of(covariance[:, : c + 1, :, : c + 1])
    seen = mean_effects(groups, cells.which, c) @ root[:, :-1]
    first, second = (
        shifted(p, groups, o[:-1], o[-1])
        for p, o in zip((pair.first, pair.second), off, strict=True)
    )
    return replace(pair, first=first, second=second, unsure=module.Unsure(root[:, -1], seen))


def with_effects(known, cells):
    """Posterior of the asked values plus the effect at the moment, by one dense normal."""
    m, c = POINTS + K, cells.count
    H = SPREAD.covariance(cells)[:, : c + 1, : c + 1]
    at = np.eye(c + 1)[cells.which]
    n = len(at)
    noise = np.array(known.noise)
    ask = [q * m + np.arange(POINTS, m) for q in range(2)]
    rows = np.concatenate(ask)
    cross = known.covariance[rows] @ known.rows.T
    prior = known.covariance[np.ix_(rows, rows)].copy()
    for q in range(2):
        noise[q * n : (q + 1) * n, q * n : (q + 1) * n] += at @ H[q] @ at.T
        cross[q * K : (q + 1) * K, q * n : (q + 1) * n] += (at @ H[q])[:, -1]
        prior[q * K : (q + 1) * K, q * K : (q + 1) * K] += H[q, -1, -1]
    gain = cross @ np.linalg.inv(known.rows @ known.covariance @ known.rows.T + noise)
    mean = known.mean[rows] + gain @ (known.read - known.rows @ known.mean)
    return mean, prior - gain @ cross.T


@pytest.mark.parametrize("name", ["loose", "single", "joint", "shares"])
@pytest.mark.parametrize("weighted", [False, True])
def test_a_pair_equals_the_dense_normal_with_effects(monkeypatch, name, weighted):
    monkeypatch.setattr(module, "KEPT", 1.0 - 1e-13)
    made = case(name, weighted=weighted)
    (pair,) = made.candidate.members
    cells = occasions(len(made.X)).cells
    mean, covariance = with_effects(dense(made, pair, ASK), cells)
    found = as_of_the_moment(pair, made, cells)
    moments = found.moments(ASK)
    np.testing.assert_allclose(np.concatenate(moments.mean), mean, rtol=1e-5, atol=1e-5)
    np.testing.assert_allclose(found.covariance(moments, moments), covariance, rtol=1e-4, atol=1e-6)
    s, slope, own = found.variance(moments)
    np.testing.assert_allclose(s, np.diag(covariance)[:K], rtol=1e-4)
    np.testing.assert_allclose(slope * s, np.diag(covariance[:K, K:]), rtol=1e-3, atol=1e-6)
    np.testing.assert_allclose(own + slope**2 * s, np.diag(covariance)[K:], rtol=1e-4)


@pytest.mark.parametrize("name", ["loose", "shares"])
def test_a_pair_by_way_of_all_points_is_that_of_the_exact_pair(name):
    """The effects move both in the same way; without the cut no approximation is left."""
    made = case(name)
    (pair,) = made.candidate.members
    found = as_of_the_moment(pair, made, occasions(len(made.X)).cells)
    other = InducingPair(found.first, found.second, found.error, found.apart, found.unsure)
    here, there = found.moments(ASK), other.moments(ASK)
    np.testing.assert_allclose(
        other.covariance(there, there), found.covariance(here, here), rtol=1e-4, atol=1e-6
    )


def test_a_stack_moves_as_its_members():
    made = case("coupled", members=3)
    unsure = module.Unsure(
        np.array([[0.3, 0.0], [0.1, 0.2]]), np.random.default_rng(1).random((2, POINTS, 2))
    )
    candidate = replace(made.candidate, unsure=unsure)
    (stack,) = candidate.pair(range(3))
    together = stack.moments(ASK)
    for k, pair in enumerate(candidate.members):
        at = pair.moments(ASK)
        np.testing.assert_allclose(stack.variance(together)[0][k], pair.variance(at)[0], rtol=1e-6)
        whole = stack.covariance(together, together)[k]
        np.testing.assert_allclose(whole, pair.covariance(at, at), rtol=1e-6, atol=1e-9)
        # At each set the variances are those of the covariance.
        np.testing.assert_allclose(np.diag(whole)[:K], pair.variance(at)[0], rtol=1e-9)
    assert Groups.of(made.X).points.shape[0] == POINTS


def test_the_few_directions_that_matter_give_nearly_the_same_variances(monkeypatch):
    """Of the normals behind the occasions, those along which predictions hardly move are left out;
    more of them here than in use, since there are few occasions."""
    monkeypatch.setattr(module, "KEPT", 0.97)
    made = case("coupled")
    cells = occasions(len(made.X)).cells
    rng = np.random.default_rng(5)
    c = cells.count
    root = np.concatenate([0.3 * np.eye(c), 0.3 * np.eye(c)[-1:]])
    whole = module.Unsure(
        np.array([root[-1], 0.5 * root[-1]]),
        np.stack([mean_effects(made.groups, cells.which, c) @ root[:-1]] * 2),
    )
    pair = replace(made.candidate.members[0], unsure=whole)
    few = whole.along(pair.not_known(pair.moments(made.groups.points)))
    assert few.now.shape[1] < whole.now.shape[1]
    other = replace(pair, unsure=few)
    at = rng.random((50, 5))
    known = replace(pair, unsure=None).variance(pair.moments(at))
    for k in (0, 2):
        added, kept = (p.variance(p.moments(at))[k] - known[k] for p in (pair, other))
        np.testing.assert_allclose(kept, added, atol=0.15 * np.max(np.abs(added)))
