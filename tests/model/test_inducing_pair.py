"""Sharpness and balance conditioned by inducing points, against direct conditioning with numpy."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import logit

from optimizer.gaussian_process.estimation import Given
from optimizer.gaussian_process.hyperparameters import HyperparameterPrior
from optimizer.gaussian_process.inputs import Inputs
from optimizer.gaussian_process.replicates import Groups
from optimizer.gaussian_process.solvers import EXACT, InducingPoints
from optimizer.measurement import RunReadings
from optimizer.model.candidate import Candidate, candidate_of
from optimizer.model.coordinates import PairReadings, from_latent, latent_of
from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.model.deck_prior import (
    Frame,
    cut_of,
    descriptions_of,
    fit_pair,
    processes_of,
)
from optimizer.model.inducing_pair import InducingPair
from optimizer.model.joint import JointPair
from optimizer.model.left_out import runs_out
from optimizer.model.pair_draws import PairDraws, draw_pairs
from optimizer.model.shared_error import SharedError
from optimizer.model.surrogate import Surrogate
from optimizer.plant.settings import GRAVITY_TABLE

FEED_ODDS = float(logit(0.9))
NAMES, COORDINATES = GRAVITY_TABLE.names, deck_coordinates_of(GRAVITY_TABLE)
EACH = ("coupled", "single", "shares")
# Variances of the errors of grade and recovery on the logit scale, and their correlation.
ERRORS = (0.02, 0.03, -0.9)


def surface(X):
    """Sharpness and balance of a smooth deck at X, shape (n, 5)."""
    S = 4.5 - 6 * np.sum((X[:, :2] - 0.4) ** 2, axis=1) - 2 * (X[:, 2] - 0.5) ** 2
    return S, 2.0 + 3 * (X[:, 3] - 0.5) - 3 * (X[:, 4] - 0.5)


def rows(points, runs, seed=0):
    """``runs`` rows at ``points`` distinct settings, each of which occurs, shape (runs, 5)."""
    rng = np.random.default_rng(seed)
    which = np.concatenate([np.arange(points), rng.integers(0, points, runs - points)])
    return rng.random((points, 5))[which]


def readings_at(X, errors=ERRORS, seed=1):
    """Readings of the deck whose grade and recovery have correlated errors, as ``RunReadings``."""
    grade, recovery = (logit(part) for part in from_latent(*surface(X), FEED_ODDS))
    g, r, correlation = errors
    both = correlation * np.sqrt(g * r)
    off = np.random.default_rng(seed).multivariate_normal(
        np.zeros(2), [[g, both], [both, r]], len(X)
    )
    return RunReadings.from_logits(grade + off[:, 0], recovery + off[:, 1], g, r, both)


def description_of(name):
    frame = Frame(NAMES, 5, COORDINATES, (), EXACT, 0)
    (description,) = (d for d in descriptions_of(frame) if d.name == name)
    return description, frame


def prior_means(gp, noise):
    """A vector with the prior means of a process of 5 inputs, and a logarithm of the noise."""
    kernel = gp.kernel
    prior = HyperparameterPrior(5, kernel.length_scale, kernel.variance, gp.noise.prior)
    return (*prior.center[:-1].tolist(), noise)


def candidate(name, X, solver, noise=-4.0, correlation=-0.5, errors=ERRORS, vectors=None):
    """A description conditioned on readings at X, with given hyperparameters or prior means."""
    groups, latent = Groups.of(X), latent_of(readings_at(X, errors), np.full(len(X), FEED_ODDS))
    description, frame = description_of(name)
    processes = processes_of(description, replace(frame, solver=solver), 1)
    for k, gp in enumerate(processes):
        vector = prior_means(gp, noise) if vectors is None else vectors[k]
        gp.set_params(hyperparameters=Given(vector))
    read = PairReadings.of(latent, description.apart)
    fit_pair(description, processes, groups, read)
    scatter = groups.scatter(read.first, read.second)
    error = SharedError(groups.mean(read.covariance), scatter, correlation)
    return Candidate(description, processes, error, float(len(X))), groups, latent


def of_points(process, A, B):
    """Covariance of two arrays of settings that the inducing points of a process explain."""
    Z = process.points
    inner = np.linalg.inv(process.covariance(Z, Z) + 1e-12 * np.eye(len(Z)))
    return process.covariance(A, Z) @ inner @ process.covariance(Z, B)


class Dense:
    """The model of the inducing points written as one normal of S and C at u set-points and at k
    other settings. The covariance with a set-point is what the points explain, except for the
    variance of a set-point; the covariance of other settings is that of the prior."""

    def __init__(self, pair, ask):
        self.pair, self.u, self.k = pair, len(pair.first.readings.mean), len(ask)
        every = Inputs(np.vstack([pair.first.readings.X, ask]))
        n = len(every)
        parts = []
        for p in (pair.first, pair.second):
            K = of_points(p, every, every)
            K[np.diag_indices(n)] = p.variance(every)
            K[self.u :, self.u :] = p.covariance(Inputs(ask), Inputs(ask))
            parts.append(K)
        P0, Q0 = (
            c + p.mean(every) for c, p in zip(pair.centers, (pair.first, pair.second), strict=True)
        )
        cut = cut_of(pair.second.prior.kernel, P0, Q0)
        # First P, then C = Q + cut (P - P0), or Q where the processes are those of two shares.
        follow = np.block([[np.eye(n), np.zeros((n, n))], [np.diag(cut), np.eye(n)]])
        zero = np.zeros((n, n))
        covariance = follow @ np.block([[parts[0], zero], [zero, parts[1]]]) @ follow.T
        means = [
            c + p.expected(every)
            for c, p in zip(pair.centers, (pair.first, pair.second), strict=True)
        ]
        means[1] = means[1] + cut * (means[0] - P0)
        mean = np.concatenate(means)
        if pair.apart:
            turn = np.kron(np.array([[1.0, -1.0], [1.0, 1.0]]), np.eye(n))
            mean, covariance = turn @ mean, turn @ covariance @ turn.T
        self.mean, self.covariance = mean, covariance
        own = pair.own_precision()
        self.noise, self.read = own.noise, own.read
        first = np.arange(n) < self.u
        self.at_read = np.flatnonzero(np.tile(first, 2))
        self.at_ask = np.flatnonzero(np.tile(~first, 2))

    def whole(self, noise):
        """Covariance of the mean readings, shape (2 u, 2 u)."""
        whole, u = self.covariance[np.ix_(self.at_read, self.at_read)].copy(), self.u
        for i in range(2):
            for j in range(2):
                whole[i * u + np.arange(u), j * u + np.arange(u)] += noise[:, i, j]
        return whole

    def given(self, at, read, noise, keep):
        """Mean and covariance at positions ``at``, given the readings at positions ``keep``."""
        rows = self.at_read[keep]
        whole = self.whole(noise)[np.ix_(keep, keep)]
        gain = np.linalg.solve(whole, self.covariance[np.ix_(rows, at)]).T
        off = read.T.ravel()[keep] - self.mean[rows]
        left = self.covariance[np.ix_(at, at)] - gain @ self.covariance[np.ix_(rows, at)]
        return self.mean[at] + gain @ off, left

    def posterior(self):
        """Mean and covariance of sharpness, then balance, at the k other settings."""
        return self.given(self.at_ask, self.read, self.noise, np.arange(2 * self.u))


def both(pair, ask):
    """Mean and covariance of sharpness, then balance, at k settings, as a pair predicts them."""
    found, k = pair.moments(ask), len(ask)
    to_c = np.block([[np.eye(k), np.zeros((k, k))], [np.diag(found.cut), np.eye(k)]])
    return np.concatenate(found.mean), to_c @ pair.covariance(found, found) @ to_c.T


@pytest.mark.parametrize("name", EACH)
def test_with_all_set_points_as_inducing_points_a_pair_is_the_exact_one(name):
    """The fully independent training conditional is exact at its inducing points (Snelson &
    Ghahramani, NeurIPS 2006)."""
    (exact,) = candidate(name, rows(40, 60), EXACT)[0].members
    assert type(exact) is JointPair
    ask = np.random.default_rng(2).random((9, 5))
    pair = InducingPair(exact.first, exact.second, exact.error, exact.apart)
    for one, other in zip(both(pair, ask), both(exact, ask), strict=True):
        np.testing.assert_allclose(one, other, atol=1e-6)
    for one, other in zip(
        pair.variance(pair.moments(ask)), exact.variance(exact.moments(ask)), strict=True
    ):
        np.testing.assert_allclose(one, other, atol=1e-6)
    for one, other in zip(
        vars(pair.own_precision()).values(), vars(exact.own_precision()).values(), strict=True
    ):
        np.testing.assert_allclose(one, other, atol=1e-6 * np.max(np.abs(other)))


@pytest.mark.parametrize("name", EACH)
@pytest.mark.parametrize("exact", [(), (0,), (1,), (0, 1)])
def test_a_pair_equals_the_conditional_of_its_inducing_points_written_out(name, exact):
    """60 set-points, 20 inducing points of each process, or all for an exact one; dense matrices
    (Quinonero-Candela & Rasmussen, JMLR 6, 2005, section 6: training conditional fully independent,
    test conditional exact)."""
    X = rows(60, 90)
    few, whole = (candidate(name, X, s)[0].members[0] for s in (InducingPoints(20), EXACT))
    assert type(few) is InducingPair
    assert len(few.first.points) == len(few.second.points) == 20
    second = few.second
    if 1 in exact:
        second = EXACT.condition(_likelihood_of(few.second), few.second.hyperparameters.vector)
    pair = InducingPair(whole.first if 0 in exact else few.first, second, few.error, few.apart)
    ask = np.random.default_rng(2).random((9, 5))
    dense = Dense(pair, ask)
    mean, covariance = dense.posterior()
    found = both(pair, ask)
    np.testing.assert_allclose(found[0], mean, atol=1e-6)
    np.testing.assert_allclose(found[1], covariance, atol=1e-6)
    # The readings of one process inform the other.
    k = len(ask)
    assert np.max(np.abs(covariance[:k, k:])) > 1e-3


def _likelihood_of(posterior):
    from optimizer.gaussian_process.likelihood import Likelihood

    return Likelihood(posterior.prior, posterior.noise, posterior.readings)


@pytest.mark.parametrize("name", EACH)
def test_runs_left_out_equal_the_model_without_them(name):
    """Each of 60 runs at 40 set-points is left out of the dense matrices. The hyperparameters, the
    inducing points and the cut remain."""
    X = rows(40, 60)
    found, groups, latent = candidate(name, X, InducingPoints(15))
    (pair,), u = found.members, 40
    read = np.array([latent.sharpness, latent.balance])
    share = groups.weight / groups.count[groups.which]
    mean, remains = runs_out(pair.own_precision(), groups.which, share, read)
    dense = Dense(pair, np.empty((0, 5)))
    for run, i in enumerate(groups.which):
        others = np.flatnonzero((groups.which == i) & (np.arange(60) != run))
        values, noise = dense.read.copy(), dense.noise.copy()
        own = np.array([i, u + i])
        keep = np.arange(2 * u)
        if len(others):
            values[i] = read[:, others].mean(axis=1)
            noise[i] *= groups.count[i] / len(others)
        else:
            keep = np.setdiff1d(keep, own)
        expected = dense.given(dense.at_read[own], values, noise, keep)
        np.testing.assert_allclose(mean[:, run], expected[0], atol=1e-6)
        np.testing.assert_allclose(remains[run], expected[1], rtol=1e-5, atol=1e-7)


@pytest.mark.parametrize("correlation", [-1.0, 1.0])
def test_errors_in_proportion_are_conditioned_stably(correlation):
    """Errors of the two readings that are proportional, and hardly any other noise (e^-12, the
    smallest that is searched)."""
    X = rows(60, 90)
    (pair,) = candidate("coupled", X, InducingPoints(20), noise=-12.0)[0].members
    sds = np.sqrt(pair.first.readings.known_variance * pair.second.readings.known_variance)
    error = replace(pair.error, known=correlation * sds, correlation=correlation)
    pair = replace(pair, error=error)
    ask = np.random.default_rng(2).random((9, 5))
    mean, covariance = Dense(pair, ask).posterior()
    found = both(pair, ask)
    np.testing.assert_allclose(found[0], mean, atol=1e-5)
    np.testing.assert_allclose(found[1], covariance, atol=1e-5)
    assert np.linalg.eigvalsh(found[1]).min() > -1e-7


def recovery_logit(pair, ask):
    """Mean and standard deviation of logit recovery, half of sharpness and balance, each (k,)."""
    found = pair.moments(ask)
    s, slope, own = pair.variance(found)
    return 0.5 * sum(found.mean), 0.5 * np.sqrt((1.0 + slope) ** 2 * s + own)


def test_recovery_is_as_certain_as_by_the_exact_pair_at_set_points_that_were_repeated():
    """500 set-points, 100 of them with 8 readings, of an uncertain grade and a certain recovery, so
    that the errors of sharpness and balance are correlated by -0.92; seed 0. Without the covariance
    the intervals are 3.4 times as wide. Of 90 % intervals 78 to 97 % cover the truth,
    since neighbors are wrong together."""
    errors, rng = (0.1, 0.004, -0.3), np.random.default_rng(0)
    X = rng.random((500, 5))[np.concatenate([np.arange(500), np.repeat(np.arange(100), 7)])]
    description, frame = description_of("single")
    latent = latent_of(readings_at(X, errors), np.full(len(X), FEED_ODDS))
    groups = Groups.of(X)
    fitted = candidate_of(description, frame, groups, latent)
    (exact,) = fitted.members
    options = {"correlation": fitted.error.correlation, "errors": errors}
    few = candidate("single", X, InducingPoints(300), **options, vectors=fitted.vectors)[0]
    (pair,) = few.members
    assert type(pair) is InducingPair
    nothing = np.zeros(500)
    apart = replace(pair, error=SharedError(nothing, nothing, 0.0))
    ask = groups.points[groups.count > 1]
    truth = 0.5 * sum(surface(ask))
    mean, sd = recovery_logit(pair, ask)
    before, exact_sd = recovery_logit(exact, ask)
    assert 0.98 < np.median(sd / exact_sd) < 1.03
    assert np.median(recovery_logit(apart, ask)[1] / exact_sd) > 2.5
    assert np.sqrt(np.mean(((mean - before) / exact_sd) ** 2)) < 0.1
    assert 0.78 < np.mean(np.abs(truth - mean) < 1.645 * sd) < 0.97


def test_draws_of_several_members_have_the_moments_of_each():
    """20,000 draws, seed 0: a variance has a standard error of 1 %; the tolerance is 5 %."""
    model = Surrogate(NAMES, 3, solver=InducingPoints(15), coordinates=COORDINATES)
    model.fit(rows(40, 60), readings_at(rows(40, 60)), FEED_ODDS)
    assert [type(pair) for pair in model.pairs()] == [InducingPair] * 3
    assert not any(pair.stacked for pair in model.pairs())
    base, ask = (Inputs(part) for part in np.split(np.random.default_rng(3).random((11, 5)), [6]))
    normals = np.random.default_rng(0).standard_normal((3, 20_000, 7, 2))
    drawn = [d.extend(ask.values[:1]) for d in draw_pairs(model.pairs(), base, normals)]
    latent = model.latent(ask)
    for k, (pair, z, draws) in enumerate(zip(model.pairs_, normals, drawn, strict=True)):
        found = draws.conditional(ask)
        alone = PairDraws(pair, Inputs(base.values), z).extend(ask.values[:1]).conditional(ask)
        for one, other in zip(found, alone, strict=True):
            np.testing.assert_allclose(one, other, rtol=1e-9, atol=1e-9)
        S, C, s, own, slope = found
        variance, whole_slope, whole_own = pair.variance(pair.moments(ask))
        np.testing.assert_allclose(S.var(axis=0) + s, variance, rtol=0.05)
        both_of_them = whole_own + whole_slope**2 * variance
        np.testing.assert_allclose(C.var(axis=0) + own + slope**2 * s, both_of_them, rtol=0.05)
        np.testing.assert_allclose(latent.mean[k], pair.moments(ask).mean, rtol=1e-9)


def noisy_readings(X, correlation):
    """Grade and recovery whose sharpness and balance have noise of variance 0.04, correlated."""
    rng = np.random.default_rng(5)
    noise = 0.04 * np.array([[1.0, correlation], [correlation, 1.0]])
    S, C = np.array(surface(X)) + rng.multivariate_normal(np.zeros(2), noise, len(X)).T
    return from_latent(S, C, FEED_ODDS)


def fitted_to(X, grade, recovery):
    read = RunReadings.from_logits(logit(grade), logit(recovery), 1e-6, 1e-6)
    model = Surrogate(NAMES, 1, solver=InducingPoints(80), coordinates=COORDINATES)
    return model.fit(X, read, FEED_ODDS)


@pytest.mark.parametrize("correlation", [-0.9, 0.6])
def test_a_fit_by_inducing_points_estimates_the_correlation_of_the_noise(correlation):
    """350 set-points, more than are searched, with two runs each. On the scale of Fisher's
    transform 600 pairs have a standard error of 0.04, and the compared values are 0.4 apart."""
    X = rows(350, 700, 4)
    model = fitted_to(X, *noisy_readings(X, correlation))
    assert not model.exact
    # No run is so doubtful that descriptions are compared again.
    assert np.all(model.run_weights_ > 0.5)
    (s, both), (_, c) = model.noise_covariance()
    assert abs(np.arctanh(both / np.sqrt(s * c)) - np.arctanh(correlation)) < 0.4


def test_a_fit_by_inducing_points_finds_the_wrong_run():
    """150 set-points with two runs each, and one recovery of which the decimal point is wrong (98.2
    % as 9.82 %)."""
    X, wrong = rows(150, 300, 4), 70
    grade, recovery = noisy_readings(X, -0.9)
    recovery[wrong] *= 0.1
    model = fitted_to(X, grade, recovery)
    assert not model.exact
    assert model.run_weights_[wrong] < 0.01
    assert np.mean(np.delete(model.run_weights_, wrong) > 0.9) > 0.97
