"""Effects of time against the joint normal distribution of readings and effects, by plain numpy.

Three set-points, eight runs, three occasions. With the prior covariance of the deck at the runs,
the errors, and the effects written as one covariance each, every result follows from densities and
conditional moments of normals (``scipy.stats.multivariate_normal``, ``numpy.linalg``).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from optimizer.gaussian_process.replicates import Groups
from optimizer.time_effects import effects, spread, unknown_days
from optimizer.time_effects.effects import TimeEffects, Unsure, root_of, time_effects
from optimizer.time_effects.information import Information, ReadMeans, mean_effects
from optimizer.time_effects.occasions import DAY, SLOW, Occasions
from optimizer.time_effects.spread import (
    LEAST_RAISE,
    WIDER,
    Search,
    Spread,
    days_are_settings,
    spread_of,
)
from optimizer.time_effects.unknown_days import with_unknown_days
from optimizer.time_effects.variance_test import variance_test


@pytest.fixture(autouse=True)
def constants(monkeypatch):
    """The examples are worked out for these values, which are choices and may change."""
    monkeypatch.setattr("optimizer.time_effects.effects.KEPT", 0.999)


RNG = np.random.default_rng(12)
POINT = np.array([0, 0, 1, 1, 1, 2, 2, 0])
DAYS = np.array([0, 1, 0, 1, 2, 2, 2, 2])
GROUPS = Groups.of(POINT[:, None].astype(float), np.array([1.0, 0.5, 1.0, 1.0, 0.2, 1.0, 1.0, 1.0]))
READ = RNG.standard_normal((2, 8))
PRIOR_MEANS = RNG.standard_normal((2, 3))
DECK = (lambda root: root @ root.T)(RNG.standard_normal((6, 6)))
OF_ONE = np.array([np.diag([0.5, 0.8]) + 0.1 * k for k in (1, 2, 3)])
"""Covariance of the errors of one reading of weight 1 at each set-point."""


def dense() -> tuple[np.ndarray, np.ndarray]:
    """Prior mean, (16,), and covariance, (16, 16), of all readings: sharpness, then balance."""
    rows = np.concatenate([POINT, 3 + POINT])
    covariance = DECK[np.ix_(rows, rows)]
    for i in range(8):
        own = np.ix_([i, 8 + i], [i, 8 + i])
        covariance[own] += OF_ONE[POINT[i]] / GROUPS.weight[i]
    return PRIOR_MEANS[:, POINT].ravel(), covariance


def said() -> Information:
    mean = np.array([GROUPS.mean(each) for each in READ])
    noise = OF_ONE / GROUPS.count[:, None, None]
    covariance = DECK.copy()
    for k in range(3):
        covariance[np.ix_([k, 3 + k], [k, 3 + k])] += noise[k]
    precision = np.linalg.inv(covariance)
    means = ReadMeans(mean, noise, precision, precision @ (mean - PRIOR_MEANS).ravel())
    return Information.of(means, GROUPS, READ, DAYS)


INFORMATION = said()
MEAN, COVARIANCE = dense()
CELLS = Occasions(DAYS + 0.5, DAYS, np.full(8, -1), 3.0, 3).cells
SEEN = np.kron(np.eye(2), np.eye(3)[DAYS])
"""Which occasion's effect is in which reading, (16, 6)."""


def test_readings_say_of_effects_what_their_density_says():
    h = RNG.standard_normal(6)
    with_effects = stats.multivariate_normal.logpdf(READ.ravel(), MEAN + SEEN @ h, COVARIANCE)
    without = stats.multivariate_normal.logpdf(READ.ravel(), MEAN, COVARIANCE)
    found = INFORMATION.pull @ h - 0.5 * h @ INFORMATION.precision @ h
    assert found == pytest.approx(with_effects - without, rel=1e-9)


def test_what_they_would_say_of_a_known_deck_is_the_sum_of_their_precisions():
    weights = GROUPS.weight
    for day in range(3):
        runs = np.flatnonzero(day == DAYS)
        wanted = sum(weights[i] * np.linalg.inv(OF_ONE[POINT[i]]) for i in runs)
        np.testing.assert_allclose(INFORMATION.alone[day], wanted)


def test_the_share_of_an_occasion_in_a_mean_is_by_weight():
    """Set-point 0 was run on day 0, on day 1 with weight 1/2, and on day 2: 2.5 in all."""
    found = mean_effects(GROUPS, DAYS, 4)
    np.testing.assert_allclose(found[0], [0.4, 0.2, 0.4, 0.0])
    np.testing.assert_allclose(found.sum(axis=1), 1.0)


def blocks(H):
    return np.block([[H[0], np.zeros_like(H[0])], [np.zeros_like(H[1]), H[1]]])


def conditioned(H):
    """Mean and covariance of effects at all occasions, whose prior has two blocks, given readings
    at the first three."""
    size = H.shape[1]
    prior = blocks(H)
    first = np.concatenate([np.arange(3), size + np.arange(3)])
    cross = prior[:, first] @ SEEN.T
    whole = COVARIANCE + SEEN @ prior[np.ix_(first, first)] @ SEEN.T
    gained = cross @ np.linalg.inv(whole)
    return gained @ (READ.ravel() - MEAN), prior - gained @ cross.T


H = np.array([root @ root.T for root in RNG.standard_normal((2, 3, 3))])


def gain(H):
    with_effects = COVARIANCE + SEEN @ blocks(H) @ SEEN.T
    density = stats.multivariate_normal.logpdf
    return density(READ.ravel(), MEAN, with_effects) - density(READ.ravel(), MEAN, COVARIANCE)


def test_what_is_known_of_effects_is_their_distribution_given_the_readings():
    known = INFORMATION.known(H)
    assert known.gain == pytest.approx(gain(H), rel=1e-9)
    mean, covariance = conditioned(H)
    prior = blocks(H)
    np.testing.assert_allclose(prior @ known.pulled.ravel(), mean, atol=1e-9)
    found = prior - prior @ known.precision.reshape(6, 6) @ prior
    np.testing.assert_allclose(found, covariance, atol=1e-9)


@pytest.mark.parametrize("quantity", [0, 1])
def test_the_slope_of_the_gain_is_that_of_differences(quantity):
    change = np.zeros((2, 3, 3))
    change[quantity] = H[1 - quantity]
    slope = (gain(H + 1e-5 * change) - gain(H - 1e-5 * change)) / 2e-5
    found = INFORMATION.known(H).slope(change[quantity], quantity)
    assert found == pytest.approx(slope, rel=1e-6)


SPREAD = Spread({DAY: np.array([0.5, 0.3]), SLOW: np.array([0.4, 0.9])}, np.log(20.0))
OTHER = Spread({DAY: np.array([0.2, 0.6]), SLOW: np.array([0.1, 0.3])}, np.log(9.0))


def prior_of(made: Spread) -> np.ndarray:
    """Covariance of effects at three days, the moment (a day of its own), the slow component there,
    and the slow component 2.5 days before."""
    time = np.array([0.5, 1.5, 2.5, 3.0, 3.0, 0.5])
    slow = np.exp(-np.abs(time[:, None] - time) / np.exp(made.log_forgets))
    day = np.diag([1.0, 1.0, 1.0, 1.0, 0.0, 0.0])
    return np.array([made.sd[DAY][q] ** 2 * day + made.sd[SLOW][q] ** 2 * slow for q in (0, 1)])


def test_the_covariance_of_a_spread_is_the_sum_of_that_of_its_effects():
    np.testing.assert_allclose(SPREAD.covariance(CELLS), prior_of(SPREAD))


@pytest.fixture
def two_draws(monkeypatch):
    """The mode of the spread is as given, and there are two draws about it."""
    monkeypatch.setattr(Search, "mode", lambda self, start, by_log=0.0: (start, 9.0))
    monkeypatch.setattr(Search, "draws", lambda self, mode: [(mode, 0.7), (OTHER, 0.3)])


LIKE = TimeEffects(SPREAD, *[np.zeros(0)] * 3, np.zeros(0, int), None)


@pytest.mark.parametrize("last", [False, True])
def test_effects_of_time_are_their_distribution_given_the_readings(two_draws, last):
    """Until the last fit of one spread, then of a mixture, by the law of total variance."""
    found = time_effects(INFORMATION, CELLS, LIKE, last)
    draws = [(SPREAD, 0.7), (OTHER, 0.3)] if last else [(SPREAD, 1.0)]
    each = [(*conditioned(prior_of(made)), weight) for made, weight in draws]
    mean = sum(weight * m for m, _, weight in each)
    covariance = sum(w * (own + np.outer(m - mean, m - mean)) for m, own, w in each)
    mean, covariance = mean.reshape(2, 6), covariance.reshape(2, 6, 2, 6)
    np.testing.assert_allclose(found.of_runs, mean[:, DAYS] - mean[:, 3:4], atol=1e-9)
    root = found.root.reshape(8, -1)
    wanted = covariance[:, :4, :, :4].reshape(8, 8)
    # Directions that hold a thousandth of the variance in all may be left out.
    left = wanted - root @ root.T
    assert np.linalg.eigvalsh(left).min() > -1e-9
    assert np.trace(left) <= 0.001 * np.trace(wanted)
    weeks = 2.5 / 7.0
    np.testing.assert_allclose(found.weekly.mean, (mean[:, 4] - mean[:, 5]) / weeks, atol=1e-9)
    change = np.zeros((2, 12))
    change[[0, 1], [4, 10]], change[[0, 1], [5, 11]] = 1.0 / weeks, -1.0 / weeks
    np.testing.assert_allclose(
        found.weekly.covariance, change @ covariance.reshape(12, 12) @ change.T, atol=1e-9
    )
    seen = covariance[:, :3, :, :3].reshape(6, 6)
    alone = np.zeros((6, 6))
    for day in range(3):
        alone[np.ix_([day, 3 + day], [day, 3 + day])] = INFORMATION.alone[day]
    ratio = np.trace(INFORMATION.precision @ seen) / np.trace(alone @ seen)
    for run in range(8):
        own = seen[np.ix_([DAYS[run], 3 + DAYS[run]], [DAYS[run], 3 + DAYS[run]])]
        np.testing.assert_allclose(found.doubt[run], own * ratio, atol=1e-9)
    np.testing.assert_array_equal(found.which, DAYS)


def test_what_is_not_known_at_set_points_is_the_mean_over_their_runs(two_draws):
    found = time_effects(INFORMATION, CELLS, LIKE)
    unsure = found.unsure(GROUPS)
    np.testing.assert_array_equal(unsure.now, found.root[:, 3])
    for q in range(2):
        np.testing.assert_allclose(
            unsure.at_points[q, 0], [0.4, 0.2, 0.4] @ found.root[q, :3], atol=1e-12
        )


def test_effects_start_from_those_found_before_else_from_those_that_pay(monkeypatch):
    asked = []
    monkeypatch.setattr(
        Search, "mode", lambda self, start, by_log=0.0: (asked.append(start), (start, 0.0))[1]
    )
    monkeypatch.setattr(effects, "spread_of", lambda information, cells: OTHER)
    assert time_effects(INFORMATION, CELLS, LIKE).spread is SPREAD
    assert time_effects(INFORMATION, CELLS).spread is OTHER
    assert asked == [SPREAD, OTHER]
    monkeypatch.setattr(effects, "spread_of", lambda information, cells: Spread())
    assert time_effects(INFORMATION, CELLS) is None


@pytest.mark.parametrize(
    ("variances", "kept"), [((998.0, 1.5, 0.5), 2), ((999.5, 0.3, 0.2), 1), ((5.0, 4.0, 3.0), 3)]
)
def test_as_few_directions_are_kept_as_hold_almost_all_variance(variances, kept):
    """Of a thousand, 999 must be held."""
    root = root_of(np.diag([*variances, 0.0]).reshape(2, 2, 2, 2))
    assert root.shape == (2, 2, kept)
    np.testing.assert_allclose(np.sum(root**2, axis=2).ravel()[:kept], variances[:kept], rtol=1e-12)
    unsure = Unsure(np.arange(8.0).reshape(2, 4), np.arange(16.0).reshape(2, 2, 4))
    axes = np.linalg.qr(RNG.standard_normal((4, 4)))[0]
    along = unsure.along(axes[:, :3] * np.sqrt(variances))
    chosen = axes[:, :kept]
    for found, all_ in ((along.now, unsure.now), (along.at_points, unsure.at_points)):
        assert found.shape[-1] == kept
        np.testing.assert_allclose(
            found @ np.swapaxes(found, -1, -2),
            all_ @ chosen @ chosen.T @ np.swapaxes(all_, -1, -2),
            atol=1e-9,
        )


def test_what_is_not_known_is_compared_by_value():
    one, same = (Unsure(np.ones((2, 1)), np.ones((2, 3, 1))) for _ in range(2))
    assert one == same
    assert hash(one) == hash(same)
    assert one != Unsure(np.ones((2, 1)), np.zeros((2, 3, 1)))
    assert one != "something else"


def test_the_density_of_a_spread_is_its_gain_times_its_priors():
    """Exponential priors of the standard deviations and a normal one of the logarithm of the days,
    from ``scipy.stats``; their constants cancel in a difference."""
    search = Search(INFORMATION, CELLS, (DAY, SLOW))

    def density(made, by_log):
        sd = np.concatenate(list(made.sd.values()))
        prior = stats.expon(scale=spread.SD_SCALE).logpdf(sd).sum()
        prior += stats.norm(spread.FORGETS, spread.FORGETS_SD).logpdf(made.log_forgets)
        return gain(prior_of(made)[:, :3, :3]) + prior + by_log * np.log(sd).sum()

    for by_log in (0.0, 1.0):
        found = [search.density(search.vector(made), by_log)[0] for made in (SPREAD, OTHER)]
        wanted = [density(made, by_log) for made in (SPREAD, OTHER)]
        assert found[0] - found[1] == pytest.approx(wanted[0] - wanted[1], rel=1e-8)


def test_the_slope_of_a_density_is_that_of_differences():
    search = Search(INFORMATION, CELLS, (DAY, SLOW))
    x = search.vector(SPREAD)
    for by_log in (0.0, 1.0):
        steps = 1e-6 * np.eye(5)
        wanted = [
            (search.density(x + s, by_log)[0] - search.density(x - s, by_log)[0]) / 2e-6
            for s in steps
        ]
        np.testing.assert_allclose(search.density(x, by_log)[1], wanted, rtol=1e-5, atol=1e-7)


def test_a_vector_holds_the_logarithms_of_a_spread_and_a_start_where_it_lacks_an_effect():
    search = Search(INFORMATION, CELLS, (DAY, SLOW))
    x = search.vector(SPREAD)
    np.testing.assert_allclose(np.exp(x), [0.5, 0.3, 0.4, 0.9, 20.0])
    again = search.spread(x)
    assert list(again.sd) == [DAY, SLOW]
    np.testing.assert_allclose(again.sd[SLOW], [0.4, 0.9])
    assert again.log_forgets == pytest.approx(np.log(20.0))
    start = search.vector(Spread({SLOW: np.array([0.4, 0.9])}, 2.0))
    np.testing.assert_allclose(np.exp(start[:2]), spread.FIRST_SD)
    assert start[-1] == 2.0


class Normal(Search):
    """A posterior of the logarithms that is normal about a vector."""

    center = np.array([-1.0, -2.0, 0.5, -1.5, 3.0])
    precision = np.diag([1.0, 4.0, 9.0, 2.0, 5.0]) + 0.5

    def density(self, x, by_log=0.0):
        off = x - self.center - (1.0 - by_log)  # elsewhere for the density by another measure
        return -0.5 * float(off @ self.precision @ off), -self.precision @ off


def test_draws_are_wider_than_the_posterior_and_their_weights_correct_for_it():
    """At z standard deviations of a proposal that is wider by a factor f, the log density is
    -(f z)^2 / 2, that of the proposal -z^2 / 2, and the weights are in proportion to the ratio."""
    search = Normal(INFORMATION, CELLS, (DAY, SLOW))
    mode, value = search.mode(SPREAD, 1.0)
    np.testing.assert_allclose(search.vector(mode), Normal.center, atol=1e-4)
    assert value == pytest.approx(0.0, abs=1e-6)
    draws = search.draws(mode)
    off = np.array([search.vector(each) for each, _ in draws]) - Normal.center
    z2 = np.einsum("ki,ij,kj->k", off, Normal.precision, off) / WIDER**2
    wanted = np.exp(-0.5 * (WIDER**2 - 1.0) * z2)
    np.testing.assert_allclose([w for _, w in draws], wanted / wanted.sum(), rtol=1e-3)
    # Evenly spread points: their mean is that of the proposal, their mean square nearly so.
    sd = WIDER * np.sqrt(np.diag(np.linalg.inv(Normal.precision)))
    assert np.max(np.abs(off.mean(axis=0) / sd)) < 0.2
    assert np.mean(z2) == pytest.approx(5.0, rel=0.2)


def test_a_mode_stays_within_the_bounds():
    class Beyond(Normal):
        center = np.full(5, 99.0)

    found = Beyond(INFORMATION, CELLS, (DAY, SLOW)).mode(Spread({}, -99.0))[0]
    assert found.log_forgets == pytest.approx(spread.LOG_FORGETS[1])
    np.testing.assert_allclose(np.log(found.sd[DAY]), spread.LOG_SD[1])


@pytest.mark.parametrize(("value", "pays"), [(LEAST_RAISE, True), (LEAST_RAISE - 1e-9, False)])
def test_effects_are_kept_where_they_pay_together(monkeypatch, value, pays):
    kinds = []

    def mode(self, start, by_log=0.0):
        kinds.append((self.kinds, start.sd, by_log))
        return SPREAD, value

    monkeypatch.setattr(Search, "mode", mode)
    assert (spread_of(INFORMATION, CELLS) is SPREAD) is pays
    assert kinds == [((DAY, SLOW), {}, 0.0)]


@pytest.mark.parametrize(
    ("days", "points", "settings"),
    [(5.0, 5.0 - LEAST_RAISE, False), (4.9, 5.0 - LEAST_RAISE, True)],
)
def test_days_must_explain_more_than_set_points_do(monkeypatch, days, points, settings):
    asked = []

    def mode(self, start, by_log=0.0):
        asked.append((self.information, self.cells, self.kinds))
        return start, self.information

    monkeypatch.setattr(Search, "mode", mode)
    assert days_are_settings(days, "days", points, "points") is settings
    assert asked == [(days, "days", (DAY,)), (points, "points", (DAY,))]


@pytest.mark.parametrize("before", [None, "effects"])
def test_days_that_nothing_is_known_of_add_the_mean_square_of_their_size(two_draws, before):
    """0.7 times the square of the mode (0.5 and 0.3) and 0.3 times that of the other draw."""
    found = time_effects(INFORMATION, CELLS, LIKE) if before else None
    spread_ = found.spread if found else replace(SPREAD)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Search, "mode", lambda self, start, by_log=0.0: (spread_, by_log))
        made = with_unknown_days(found, INFORMATION, CELLS)
    size = 0.7 * np.array([0.5, 0.3]) ** 2 + 0.3 * np.array([0.2, 0.6]) ** 2
    held = np.einsum("pir,qjr->piqj", made.root, made.root)
    was = np.einsum("pir,qjr->piqj", found.root, found.root) if found else np.zeros((2, 4, 2, 4))
    for q in range(2):
        np.testing.assert_allclose(
            held[q, :, q] - was[q, :, q], size[q] * np.eye(4), atol=0.02 if found else 1e-12
        )
    np.testing.assert_allclose(held[0, :, 1], was[0, :, 1], atol=0.01)
    if found is None:
        assert made.spread.sd == {}
        assert not made.of_runs.any()
        assert not made.doubt.any()
        assert (made.of_runs.shape, made.doubt.shape) == ((2, 8), (8, 2, 2))
        assert made.weekly.mean.tolist() == [0.0, 0.0]
        assert made.weekly.covariance.tolist() == [[0.0, 0.0], [0.0, 0.0]]
    else:
        kept = ("of_runs", "doubt", "weekly", "spread")
        assert all(getattr(made, name) is getattr(found, name) for name in kept)


def test_the_size_of_unknown_days_is_sought_beside_the_effects_that_readings_show(monkeypatch):
    asked = []

    def mode(self, start, by_log=0.0):
        asked.append((self.kinds, by_log))
        return SPREAD, 0.0

    monkeypatch.setattr(Search, "mode", mode)
    monkeypatch.setattr(Search, "draws", lambda self, mode: [(mode, 1.0)])
    found = unknown_days._variance(Spread({SLOW: np.ones(2)}), INFORMATION, CELLS)
    np.testing.assert_allclose(found, [0.25, 0.09])
    assert asked == [((DAY, SLOW), 1.0)]


def test_a_variance_is_tested_by_twice_the_rise_of_the_likelihood_beside_other_effects(
    monkeypatch,
):
    """A rise of 2: a half of the chi-square with one and a quarter of that with two degrees of
    freedom beyond 4 (``scipy.stats``)."""
    asked = []

    def mode(self, start, by_log=0.0):
        asked.append((self.kinds, self.sd_scale, start))
        return SPREAD, 7.0 if DAY in self.kinds else 5.0

    monkeypatch.setattr(Search, "mode", mode)
    found = variance_test(INFORMATION, CELLS, DAY)
    wanted = 0.5 * stats.chi2(1).sf(4.0) + 0.25 * stats.chi2(2).sf(4.0)
    assert found.p_value == pytest.approx(wanted)
    assert found.sd is SPREAD.sd[DAY]
    (first, scale, _), (second, _, start) = asked
    assert (first, second, scale, start) == ((SLOW,), (DAY, SLOW), np.inf, SPREAD)
