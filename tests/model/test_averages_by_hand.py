"""What is said by several members, descriptions and runs together, by hand from stubs."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats
from scipy.special import expit, logit

from optimizer.gaussian_process.kernel import LABELS, LINES
from optimizer.gaussian_process.replicates import Groups
from optimizer.model import candidate as candidates
from optimizer.model import surrogate as surrogates
from optimizer.model.candidate import Candidate
from optimizer.model.coordinates import from_latent
from optimizer.model.selection import INTENSITY, chance_after_selection, sure_after_selection
from optimizer.model.shared_error import MOST_SHARED, SharedError
from optimizer.model.surrogate import Surrogate
from optimizer.time_effects.occasions import NONE, Occasions


@pytest.fixture(autouse=True)
def constants(monkeypatch):
    """The examples are worked out for these values, which are choices and may change."""
    monkeypatch.setattr("optimizer.model.surrogate.MEMBERS", ((40, 16), (100, 8), (300, 4)))
    monkeypatch.setattr("optimizer.model.selection.MOST_SEARCHES", 5)
    monkeypatch.setattr("optimizer.model.candidate.FISHER_SD", 0.8)
    monkeypatch.setattr("optimizer.model.candidate.LEAST_CURVATURE", 0.1)
    monkeypatch.setattr(
        "optimizer.model.candidate.CORRELATIONS", np.tanh(np.linspace(-2.4, 2.4, 13))
    )


RNG = np.random.default_rng(31)


# -- predictions of a surrogate -------------------------------------------------------------------


class Known:
    """A pair, or a stack of pairs, whose moments are known."""

    def __init__(self, S, C, s, own, cut):
        self.parts = [np.atleast_2d(x) for x in (S, C, s, own, cut)]

    def moments(self, inputs):
        S, C, *_ = self.parts
        return SimpleNamespace(mean=(S, C))

    def variance(self, moments):
        _, _, s, own, cut = self.parts
        return s, cut, own


ONE = Known([[3.0, 2.0]], [[1.0, 2.0]], [[0.3, 0.2]], [[0.1, 0.4]], [[0.2, -0.3]])
OTHER = Known([[2.0, 4.0]], [[0.5, 1.0]], [[0.1, 0.5]], [[0.2, 0.3]], [[0.0, 0.4]])
A = np.array([[0.2, 0.3], [0.6, 0.1]])
ODDS = 1.1


def surrogate(*pairs, coarse=()):
    made = Surrogate()
    made._stacks = {1: list(pairs), surrogates.COARSE: list(coarse or pairs)}
    uniform = stats.qmc.Sobol(2, rng=1).random_base2(12)
    made.normals_ = stats.norm.ppf(uniform)
    return made


def normal(pair, j):
    """Mean and covariance of sharpness and balance at one input."""
    S, C, s, own, cut = (x[0, j] for x in pair.parts)
    return np.array([S, C]), np.array([[s, cut * s], [cut * s, own + cut**2 * s]])


def test_what_is_latent_is_stacked_by_member():
    found = surrogate(ONE, OTHER).latent(A)
    np.testing.assert_allclose(found.mean[1], [[2.0, 4.0], [0.5, 1.0]])
    np.testing.assert_allclose(found.variance[0], [[0.3, 0.2], [0.1, 0.4]])
    np.testing.assert_allclose(found.cut, [[0.2, -0.3], [0.0, 0.4]])


def test_draws_of_a_member_have_its_moments():
    made = surrogate(ONE, OTHER)
    for pair, member in zip((ONE, OTHER), made.latent(A).members, strict=True):
        S, C = member.draws(made.normals_)
        for j in range(2):
            mean, covariance = normal(pair, j)
            np.testing.assert_allclose([S[:, j].mean(), C[:, j].mean()], mean, atol=0.01)
            np.testing.assert_allclose(np.cov(S[:, j], C[:, j]), covariance, atol=0.01)


def test_the_chance_of_the_grade_and_the_recovery_are_integrals_over_both_members():
    """Sums over a fine grid of six standard deviations to either side (``scipy.stats``)."""
    made = surrogate(ONE, OTHER)
    least = 0.93
    chance, recovery = made.outlook(A, least, ODDS)
    np.testing.assert_allclose(made.chance_of_grade(A, least, ODDS), chance)
    for j in range(2):
        wanted = np.zeros(2)
        for pair in (ONE, OTHER):
            mean, covariance = normal(pair, j)
            density = stats.multivariate_normal(mean, covariance)
            sd = np.sqrt(np.diag(covariance))
            grid = [np.linspace(m - 6 * d, m + 6 * d, 301) for m, d in zip(mean, sd, strict=True)]
            S, C = np.meshgrid(*grid, indexing="ij")
            p = density.pdf(np.stack([S, C], axis=-1))
            p /= p.sum()
            g, r = from_latent(S, C, ODDS)
            wanted += [np.sum(p * (g >= least)) / 2, np.sum(p * r) / 2]
        assert chance[j] == pytest.approx(wanted[0], abs=0.003)
        assert recovery[j] == pytest.approx(wanted[1], abs=1e-4)
    low = made.outlook(A, 0.5, ODDS)[0]
    np.testing.assert_allclose(low, [1.0, 1.0])  # the feed itself is better


def test_a_coarse_answer_is_of_fewer_members():
    made = surrogate(ONE, OTHER, coarse=(OTHER,))
    few, whole = made.outlook(A, 0.93, ODDS, coarse=True), surrogate(OTHER).outlook(A, 0.93, ODDS)
    np.testing.assert_allclose(few, whole, atol=2e-3)
    mean = made.expect(lambda S, C, X: S, A, coarse=True)
    np.testing.assert_allclose(mean, [2.0, 4.0], atol=0.2)


def test_predictions_are_means_and_quantiles_of_draws_of_all_members():
    made = surrogate(ONE, OTHER)
    found = made.predict(A, ODDS, 0.8)
    draws = [m.draws(made.normals_) for m in made.latent(A).members]
    grade, recovery = from_latent(*(np.vstack(x) for x in zip(*draws, strict=True)), ODDS)
    for told, values in ((found.grade, grade), (found.recovery, recovery)):
        np.testing.assert_allclose(told.mean, values.mean(axis=0))
        np.testing.assert_allclose(told.low, np.quantile(values, 0.1, axis=0))
        np.testing.assert_allclose(told.high, np.quantile(values, 0.9, axis=0))


def test_an_expectation_is_over_the_first_draws_of_each_member():
    made = surrogate(ONE, OTHER)
    first = made.normals_[: surrogates.EXPECTATION_DRAWS]
    found = made.expect(lambda S, C, X: S * C + X[:, 0], A)
    wanted = A[:, 0]
    for member in made.latent(A).members:
        S, C = member.draws(first)
        wanted = wanted + (S * C).mean(axis=0) / 2
    np.testing.assert_allclose(found, wanted)


def test_the_yield_is_what_the_balance_of_wanted_particles_says():
    """Yield = feed grade x recovery / grade, at most all of the feed."""
    made = surrogate(ONE, OTHER)
    wanted = np.zeros(2)
    for pair in (ONE, OTHER):
        S, C = pair.parts[0][0], pair.parts[1][0]
        w, u = expit(0.5 * (C + S)), expit(0.5 * (C - S))
        wanted += (expit(ODDS) * w + (1.0 - expit(ODDS)) * u) / 2
    np.testing.assert_allclose(made.mean_yield(A, ODDS), wanted)


def test_the_noise_of_a_reading_is_averaged_by_members_and_has_the_learned_errors_in_it():
    made = surrogate()
    made.candidates_ = {
        k: SimpleNamespace(noise_covariance=lambda k=k: k * np.eye(2), members=[0] * n)
        for k, n in ((0.5, 3), (0.9, 1))
    }
    made.learned_error_ = np.array([[0.04, 0.01], [0.01, 0.24]])
    np.testing.assert_allclose(made.noise_covariance(), [[0.64, 0.01], [0.01, 0.84]])
    assert made.reading_sd() == pytest.approx((0.8, np.sqrt(0.84)))


def test_the_number_of_members_falls_with_the_set_points():
    made = Surrogate()
    assert [made._members(n) for n in (40, 41, 100, 101, 300, 301)] == [16, 8, 8, 4, 4, 1]
    assert Surrogate(members=3)._members(1000) == 3


def test_members_of_each_description_are_picked_by_their_number_in_the_average():
    """Eight members of two descriptions; every fourth are the members 0 and 4."""
    made = Surrogate()
    made._stacks, made._of_member = {}, np.array([0, 1, 0, 0, 1, 0, 1, 0])
    made.candidates_ = {
        k: SimpleNamespace(pair=lambda picked, k=k: [(k, picked.tolist())]) for k in (0, 1)
    }
    assert made.pairs() == [(0, [0, 1, 2, 3, 4]), (1, [0, 1, 2])]
    assert made.pairs(4) == [(0, [0]), (1, [1])]
    assert made.pairs(8) == [(0, [0])]
    assert made.pairs(4) is made.pairs(4)


@pytest.mark.parametrize(
    ("groupings", "first", "second", "exact"),
    [((), True, True, True), ((), True, False, False), ((LINES,), True, True, False),
     ((LABELS,), True, True, True)],
)  # fmt: skip
def test_only_one_line_held_at_every_set_point_is_exact(groupings, first, second, exact):
    made = Surrogate(groupings=groupings)
    pair = SimpleNamespace(
        first=SimpleNamespace(exact=first, agreement=0.2),
        second=SimpleNamespace(exact=second, agreement=0.6),
    )
    made.pairs_ = [pair]
    assert made.exact is exact
    assert made.agreement_ == (pytest.approx(0.4) if groupings else None)


def test_descriptions_are_compared_by_all_runs_at_some_set_points(monkeypatch):
    monkeypatch.setattr(surrogates, "COMPARED_POINTS", 2)
    groups = Groups.of(np.array([[0.0], [1.0], [2.0], [0.0], [1.0], [2.0]]))
    found = Surrogate()._compared(groups)
    assert found.sum() == 4
    assert found[:3].tolist() == found[3:].tolist()
    made = Surrogate(("air",), groupings=(LINES,), random_state=4)._frame(5)
    assert (made.settings, made.inputs, made.groupings, made.seed) == (("air",), 4, (LINES,), 4)


# -- a description fitted to readings ----------------------------------------------------------


def fitted(apart=False, correlation=0.5, **more):
    gps = [
        SimpleNamespace(noise_variance=lambda v=v: v, posteriors_=[SimpleNamespace(exact=True)])
        for v in (0.04, 0.09)
    ]
    description = SimpleNamespace(apart=apart, name="a", says="b")
    return Candidate(description, gps, SimpleNamespace(correlation=correlation), 7.0, **more)


def test_noise_of_shares_becomes_that_of_sharpness_and_balance():
    np.testing.assert_allclose(fitted().noise_covariance(), [[0.04, 0.03], [0.03, 0.09]])
    turn = np.array([[1.0, -1.0], [1.0, 1.0]])
    wanted = turn @ fitted().noise_covariance() @ turn.T
    np.testing.assert_allclose(fitted(apart=True).noise_covariance(), wanted)


def test_expected_logits_hold_the_effects_of_time():
    made = fitted()
    moments = SimpleNamespace(mean=(np.array([3.0, 2.0]), np.array([1.0, 0.5])))
    vars(made)["members"] = [SimpleNamespace(moments=lambda X: moments)]
    groups = SimpleNamespace(which=np.array([0, 1, 0]), points=np.zeros((2, 1)))
    off = SimpleNamespace(of_runs=np.array([[0.1, 0.2, 0.3], [-0.1, 0.4, 0.0]]))
    for effects, S, C in (
        (None, [3.0, 2.0, 3.0], [1.0, 0.5, 1.0]),
        (off, [3.1, 2.2, 3.3], [0.9, 0.9, 1.0]),
    ):
        grade, recovery = made.expected_logits(groups, np.array([1.0, 1.5, 2.0]), effects)
        shares = from_latent(np.array(S), np.array(C), np.array([1.0, 1.5, 2.0]))
        np.testing.assert_allclose(expit(grade), shares[0])
        np.testing.assert_allclose(expit(recovery), shares[1])


def test_days_are_told_apart_where_set_points_were_repeated(monkeypatch):
    made, asked = fitted(), []
    monkeypatch.setattr(
        candidates, "days_are_settings", lambda *given: (asked.append(given), True)[1]
    )
    monkeypatch.setattr(Candidate, "information", lambda self, g, latent, occasions: occasions)
    day = np.array([0, 1, 2])
    when = Occasions(day + 0.5, day, np.array([4, 4, 5]), 3.0, 2)
    single, repeated = (SimpleNamespace(which=np.array(w)) for w in ([0, 1, 2], [0, 1, 0]))
    assert made.told_apart(single, None, when) is when
    assert made.told_apart(repeated, None, when).by_day is False
    ((days, cells, points, same),) = asked
    assert (days, cells) == (when, when.cells)
    assert (points.day.tolist(), points.lot.tolist(), points.day_now) == (
        [0, 1, 0],
        [NONE] * 3,
        NONE,
    )
    assert same is points.cells
    monkeypatch.setattr(candidates, "days_are_settings", lambda *given: False)
    assert made.told_apart(repeated, None, when).by_day is True
    habit = replace(when, by_habit=True)
    assert made.told_apart(single, None, habit).by_day is False


def test_the_volume_about_a_mode_is_that_of_a_normal():
    """Prior N(0, 2^2) of each of two, and a posterior with the curvatures 4 and 0.01, of which the
    second counts as 0.1: ln N(mode) + ln sqrt((2 pi)^2 / (4 x 0.1)), by hand."""
    mode = np.array([0.5, -1.0])
    curvature = np.diag([4.0, 0.01])
    density = SimpleNamespace(
        negative=lambda x: (0.0, curvature @ (x - mode) + 7.0),
        prior=SimpleNamespace(
            log_density=lambda x: (-0.5 * float(np.sum((x / 2.0) ** 2)), None),
            sd=np.array([2.0, 2.0]),
        ),
    )
    gp = SimpleNamespace(
        hyperparameter_posterior=lambda: density,
        posteriors_=[SimpleNamespace(hyperparameters=SimpleNamespace(vector=mode))],
    )
    prior = stats.norm(0.0, 2.0).logpdf(mode).sum()
    wanted = prior + np.log(2.0 * np.pi) - 0.5 * np.log(4.0 * 0.1)
    assert candidates._log_volume(gp) == pytest.approx(wanted, abs=1e-6)


def test_the_correlation_of_noise_is_that_of_highest_density(monkeypatch):
    """A likelihood that rises by 4 for each unit of the Fisher transform z: the prior of deviation
    0.8 ends at z = 4 x 0.64 = 2.56, beyond the largest that is tried, 2.4; of 1 it ends at 0.64."""
    rises = [4.0]
    monkeypatch.setattr(
        candidates,
        "JointPair",
        lambda first, second, error: SimpleNamespace(
            log_likelihood=rises[0] * np.arctanh(error.correlation)
        ),
    )
    posterior = SimpleNamespace(exact=True)
    processes = [SimpleNamespace(posteriors_=[posterior])] * 2
    error = SharedError(np.zeros(4), np.zeros(4))
    assert candidates._correlation(processes, error, 0) == pytest.approx(np.tanh(2.4))
    rises[0] = 1.0
    tried = np.linspace(-2.4, 2.4, 13)
    nearest = tried[np.argmin(np.abs(tried - 0.64))]
    assert candidates._correlation(processes, error, 0) == pytest.approx(np.tanh(nearest))
    rises[0] = 0.0
    assert candidates._correlation(processes, error, 0) == pytest.approx(0.0)


def test_the_errors_of_two_readings_are_shared_up_to_a_limit():
    """Estimated noises 0.04 and 0.09 with a correlation of 0.5, and a known covariance."""
    first = SimpleNamespace(
        hyperparameters=SimpleNamespace(noise=np.array(0.04)),
        noise_of_readings=np.array([0.05, 0.05]),
        readings=SimpleNamespace(counts=np.array([1.0, 4.0])),
    )
    second = SimpleNamespace(
        hyperparameters=SimpleNamespace(noise=np.array(0.09)),
        noise_of_readings=np.array([0.1, 0.1]),
    )
    error = SharedError(np.array([0.01, -0.5]), np.zeros(2), 0.5)
    most = MOST_SHARED * np.sqrt(0.05 * 0.1)
    np.testing.assert_allclose(error.of_readings(first, second), [0.04, -most])
    np.testing.assert_allclose(error.of_means(first, second), [0.04, -most / 4.0])
    part = error.of_subset(np.array([1]))
    assert (part.known.tolist(), part.correlation) == ([-0.5], 0.5)
    assert error.correlated(0.1) != error
    assert error != "another"


# -- selection ------------------------------------------------------------------------------------


def test_selection_takes_half_a_deviation_of_the_noise_from_the_grade(monkeypatch):
    made = surrogate(ONE, OTHER)
    made.pairs_ = ["one", "other"]
    noises = {"one": np.array([0.4, 0.0]), "other": np.array([0.2, 0.6])}
    monkeypatch.setattr(
        "optimizer.model.selection.noise_of_grade", lambda pair, inputs, odds: noises[pair]
    )
    found = chance_after_selection(made, A, 0.93, ODDS)
    wanted = np.zeros(2)
    for name, member in zip(made.pairs_, made.latent(A).members, strict=True):
        grade, _ = from_latent(*member.draws(made.normals_), ODDS)
        wanted += np.mean(logit(grade) - INTENSITY * noises[name] >= logit(0.93), axis=0) / 2
    np.testing.assert_allclose(found, wanted)


def test_a_search_ends_where_the_chance_is_just_reached_or_after_five():
    asked = []

    def search(wanted):
        asked.append(wanted)
        return len(asked)

    assert sure_after_selection(search, lambda k: (0.95, 0.9), 0.9) == 1
    assert asked == [0.9]
    asked.clear()
    assert sure_after_selection(search, lambda k: (0.95, 0.89), 0.9) is None
    assert len(asked) == 5
    assert asked[0] < asked[1]
    assert sure_after_selection(lambda wanted: None, lambda k: (1.0, 1.0), 0.9) is None
