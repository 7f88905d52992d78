"""What is said by several members, descriptions and runs together, by hand from stubs."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import optimize, stats
from scipy.special import expit, logit

from optimizer.gaussian_process.kernel import LABELS, LINES
from optimizer.gaussian_process.mean import PER_UNIT
from optimizer.gaussian_process.replicates import Groups
from optimizer.model import candidate as candidates
from optimizer.model import surrogate as surrogates
from optimizer.model import unstated_errors, wrong_readings
from optimizer.model.averaging import favored_of, weights_of
from optimizer.model.candidate import Candidate
from optimizer.model.coordinates import LatentReadings, from_latent
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
from optimizer.model.left_out import OwnPrecision, log_density
from optimizer.model.selection import INTENSITY, chance_after_selection, sure_after_selection
from optimizer.model.shared_error import MOST_SHARED, SharedError
from optimizer.model.surrogate import Surrogate
from optimizer.model.wrong_readings import weights_of_runs
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.time_effects.occasions import NONE, Occasions

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
            grid = [np.linspace(m - 6 * d, m + 6 * d, 601) for m, d in zip(mean, sd, strict=True)]
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


# -- weights --------------------------------------------------------------------------------------


def test_descriptions_are_weighed_by_how_often_they_are_ahead_and_by_their_evidence():
    """Of two that predict alike, the evidence to the power 0.2 decides: 5 ln 3 is a factor of 3."""
    alike = np.zeros((6, 2))
    np.testing.assert_allclose(weights_of([5.0 * np.log(3.0), 0.0], alike, 0), [0.75, 0.25])
    # A description that is far ahead at each set-point has its least rivals' probability, 0.001.
    ahead = np.column_stack([np.full(6, 50.0), np.zeros(6)])
    assert weights_of([0.0, 0.0], ahead, 0).tolist() == [1.0, 0.0]
    # 0.02 is enough to count: the power of the evidence makes 49 to 1.
    found = weights_of([5.0 * np.log(48.9), 0.0], alike, 0)
    np.testing.assert_allclose(found, [48.9 / 49.9, 1.0 / 49.9])
    assert weights_of([5.0 * np.log(49.1), 0.0], alike, 0).tolist() == [1.0, 0.0]


def test_a_description_is_favored_together_with_its_twin():
    def one(name, alone=False):
        return SimpleNamespace(
            description=SimpleNamespace(name=name, says=f"as {name}", alone=alone)
        )

    found = favored_of([(one("a"), 0.4), (one("b"), 0.35), (one("b", True), 0.25)])
    assert [(f.name, f.says, f.weight) for f in found.each] == [
        ("b", "as b", 0.6), ("a", "as a", 0.4),
    ]  # fmt: skip


def test_a_run_weighs_as_it_is_probable_that_it_is_not_wrong():
    """Nine runs at settings of their own. With certain predictions and errors of variance 1 of each
    quantity, readings off by (d, 0) are wrong with the odds 0.01 / 0.99 times the densities' ratio
    of normals of variance 17 and 1 (``scipy.stats``)."""
    n = 9
    off = np.linspace(0.0, 8.0, n)
    noise = np.tile(np.eye(2), (n, 1, 1))
    # A prediction of variance v from all others has the precision block 1 / (1 + v).
    v = 1e-6
    blocks = noise / (1.0 + v)
    read = np.column_stack([off, np.zeros(n)])
    known = OwnPrecision(read, noise, blocks, (blocks @ read[..., None])[..., 0])
    pair = SimpleNamespace(own_precision=lambda: known)
    latent = LatentReadings(off, np.zeros(n), *np.ones((3, n)))
    groups = Groups.of(np.arange(float(n))[:, None])
    found = weights_of_runs(pair, groups, latent)
    normal = stats.multivariate_normal
    for k in range(n):
        right = 0.99 * normal.pdf(read[k], cov=(1.0 + v) * np.eye(2))
        wrong = 0.01 * normal.pdf(read[k], cov=(17.0 + v) * np.eye(2))
        assert found[k] == pytest.approx(max(right / (right + wrong), 1e-3), rel=1e-3)
    few = Groups.of(np.arange(7.0)[:, None])
    np.testing.assert_array_equal(weights_of_runs(None, few, None), np.ones(7))
    eight = Groups.of(np.arange(8.0)[:, None])
    with pytest.raises(AttributeError):
        weights_of_runs(None, eight, None)


def test_a_fit_that_a_wrong_reading_spoiled_is_sharpened():
    """The usual median of the squared distance is 2 ln 2; half of it is no reason to doubt."""
    spread = np.tile(np.eye(2), (5, 1, 1))
    usual = 2.0 * np.log(2.0)
    off = np.zeros((5, 2))
    off[:, 0] = np.sqrt([0.1 * usual, 0.2 * usual, 0.3 * usual, 9.0, 9.0])
    weight = np.array([1.0, 1.0, 0.5, 0.49, 0.4])
    assert wrong_readings._shrinkage(off, spread, weight) == pytest.approx(0.2 / 0.5)
    assert wrong_readings._shrinkage(off, spread, np.ones(5)) == pytest.approx(0.3 / 0.5)
    assert wrong_readings._shrinkage(2.0 * off, spread, np.ones(5)) == 1.0
    least = wrong_readings._shrinkage(0.0 * off, spread, np.ones(5))
    assert least == pytest.approx(1e-3 / (0.5 * usual))


def test_the_density_of_two_is_that_of_a_normal():
    covariance = np.array([[[2.0, 0.5], [0.5, 1.0]]])
    found = log_density(np.array([[0.3, -0.7]]), covariance)
    wanted = stats.multivariate_normal.logpdf([0.3, -0.7], cov=covariance[0])
    assert found[0] == pytest.approx(wanted)


def test_errors_that_are_learned_are_told_by_their_median(monkeypatch):
    sides = {
        "more": LatentReadings(*np.zeros((2, 3)), *np.array([[3.0, 5, 9], [4, 5, 6], [1, 1, 7]])),
        "less": LatentReadings(*np.zeros((2, 3)), *np.array([[1.0, 1, 1], [1, 1, 1], [0, 3, 1]])),
    }
    monkeypatch.setattr(unstated_errors, "latent_of", lambda readings, odds: sides[readings])
    found = unstated_errors.typical_difference("more", "less", np.zeros(3))
    np.testing.assert_allclose(found, [[4.0, 1.0], [1.0, 4.0]])


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


# -- the state of the deck ------------------------------------------------------------------------


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
