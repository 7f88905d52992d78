"""The surrogate: replicates, known noise, honest intervals, few runs."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit, logit

from optimizer.gaussian_process.estimation import Estimated, Given
from optimizer.gaussian_process.kernel import BETWEEN_LINES, Kernel
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.process import GaussianProcess
from optimizer.gaussian_process.replicates import collapse
from optimizer.history.snapshot import Snapshot
from optimizer.measurement import RunReadings
from optimizer.measurement.counting import logit_reading_of
from optimizer.model.coordinates import (
    chance_moments,
    from_latent,
    guess_feed_odds,
    log_odds,
    log_unwanted,
    to_latent,
    unwanted_limit,
)
from optimizer.model.deck_coordinates import deck_coordinates_of
from optimizer.model.deck_state import DeckState
from optimizer.model.surrogate import Surrogate
from optimizer.planning.acquisition import ConstrainedImprovement
from optimizer.planning.situation import situation_of
from optimizer.plant.settings import GRAVITY_TABLE
from tests.benchmarks.trials.decks import REGION, problem
from tests.benchmarks.trials.task import Task

FEED_ODDS = float(logit(0.9))


def surface(X):
    sharpness = 4.5 - 6 * np.sum((X[:, :2] - 0.4) ** 2, axis=1) - 2 * (X[:, 2] - 0.5) ** 2
    balance = 2.0 + 3 * (X[:, 3] - 0.5) - 3 * (X[:, 4] - 0.5)
    return sharpness, balance


def readings(n, noise=0.1, seed=0):
    rng = np.random.default_rng(seed)
    X = rng.random((n, 5))
    S, C = surface(X)
    S, C = S + noise * rng.standard_normal(n), C + noise * rng.standard_normal(n)
    grade, recovery = from_latent(S, C, FEED_ODDS)
    return X, logit(grade), logit(recovery)


# ------------------------------------------------------------------ coordinates


@given(p_w=st.floats(0.02, 0.999), p_u=st.floats(0.001, 0.95), feed=st.floats(0.05, 0.99))
def test_readings_to_latent_and_back(p_w, p_u, feed):
    odds = float(logit(feed))
    grade = feed * p_w / (feed * p_w + (1 - feed) * p_u)
    S, C, _, _ = to_latent(logit(grade), logit(p_w), 0.0, 0.0, odds)
    assert pytest.approx(logit(p_w) - logit(p_u), abs=1e-6) == S
    assert pytest.approx(logit(p_w) + logit(p_u), abs=1e-6) == C
    back = from_latent(S, C, odds)
    assert back == (pytest.approx(grade, abs=1e-9), pytest.approx(p_w, abs=1e-9))


@given(a=st.floats(-4, 6), min_grade=st.floats(0.5, 0.999), feed=st.floats(0.3, 0.95))
def test_the_limit_on_unwanted_is_where_the_grade_is_just_met(a, min_grade, feed):
    odds = float(logit(feed))
    b = float(unwanted_limit(np.array(a), min_grade, odds))
    if np.isinf(b):
        # Even with all of the unwanted material the product would be good enough.
        assert from_latent(np.array(a - 30.0), np.array(a + 30.0), odds)[0] >= min_grade - 1e-9
    else:
        assert from_latent(np.array(a - b), np.array(a + b), odds)[0] == pytest.approx(min_grade)


def test_first_order_variances_agree_with_simulation():
    """200,000 draws, seed 0: standard error of a variance is 0.3 %, tolerance 3 %."""
    rng = np.random.default_rng(0)
    grade, recovery, vg, vr = 1.5 + logit(0.9), 2.0, 0.01, 0.02
    draws = to_latent(
        grade + np.sqrt(vg) * rng.standard_normal(200_000),
        recovery + np.sqrt(vr) * rng.standard_normal(200_000),
        0.0,
        0.0,
        FEED_ODDS,
    )
    _, _, vs, vc = to_latent(grade, recovery, vg, vr, FEED_ODDS)
    assert vs == pytest.approx(draws[0].var(), rel=0.03)
    assert vc == pytest.approx(draws[1].var(), rel=0.03)


def test_a_guessed_feed_grade_makes_every_reading_possible():
    grade, recovery = logit(np.array([0.95, 0.99, 0.9])), logit(np.array([0.5, 0.9, 0.99]))
    odds = guess_feed_odds(grade, recovery)
    assert np.all(log_unwanted(grade, recovery, odds) <= np.log(0.6) + 1e-12)


def test_readings_of_exactly_one_stay_finite():
    assert np.all(np.isfinite(log_odds(np.array([0.0, 1.0]))))


# ------------------------------------------------------------------ process


@pytest.mark.parametrize(
    "kernel",
    [Kernel(), Kernel(additive=0.8), Kernel(correlation=BETWEEN_LINES, additive=0.5)],
)
def test_gradient_of_the_likelihood_agrees_with_differences(kernel):
    rng = np.random.default_rng(0)
    X, y = rng.random((20, 3)), rng.standard_normal(20)
    if kernel.by_line:
        X[:, 2] = rng.integers(0, 2, 20)
    # Five in either case: one more length scale, or the correlation between lines.
    gp = GaussianProcess(kernel, Mean("quadratic"), hyperparameters=Given((0.0,) * 5)).fit(
        X, y, known_variance=np.full(20, 0.1), counts=np.arange(1, 21), scatter=np.ones(20)
    )
    theta = np.array([0.2, -0.4, 0.9, 0.3, -1.0])
    _, gradient = gp.log_marginal_likelihood(theta, eval_gradient=True)
    steps = 1e-6 * np.eye(5)
    numeric = [
        (gp.log_marginal_likelihood(theta + s) - gp.log_marginal_likelihood(theta - s)) / 2e-6
        for s in steps
    ]
    np.testing.assert_allclose(gradient, numeric, rtol=1e-5, atol=1e-6)


def test_lines_that_agree_teach_each_other_and_others_do_not():
    """One quantity on two lines, the second with eight readings of its own."""
    rng = np.random.default_rng(5)
    X = np.column_stack([rng.random((60, 2)), np.ones(60)])
    own = np.column_stack([rng.random((8, 2)), np.zeros(8)])
    unseen = np.column_stack([rng.random((100, 2)), np.zeros(100)])

    def line(A, shift=0.0):
        return 3.0 * np.sin(4 * A[:, 0] + shift) + 2.0 * A[:, 1]

    def error(A, y):
        kernel = Kernel(correlation=BETWEEN_LINES if A.shape[1] == 3 else None)
        parts = {"scale": "center", "hyperparameters": Estimated(8)}
        gp = GaussianProcess(kernel, Mean("constant"), **parts)
        mean = gp.fit(A, y, np.full(len(y), 0.0025)).predict(unseen[:, : A.shape[1]])
        return np.sqrt(np.mean((line(unseen) - mean) ** 2))

    both, mine = np.vstack([X, own]), line(own) + 0.05 * rng.standard_normal(8)
    cold = error(own[:, :2], mine)
    kin = error(both, np.concatenate([line(X, 0.2), mine]))
    other = error(both, np.concatenate([line(X, np.pi / 2), mine]))
    assert kin < 0.5 * cold
    assert other < 1.2 * cold


@settings(max_examples=25)
@given(seed=st.integers(0, 2**31), n=st.integers(1, 40))
def test_collapse_keeps_sums(seed, n):
    rng = np.random.default_rng(seed)
    X = rng.integers(0, 3, (n, 2)).astype(float)
    y, v = rng.standard_normal(n), rng.random(n)
    points, mean, variance, count, scatter = collapse(X, y, v)
    assert count.sum() == n
    assert len(np.unique(points, axis=0)) == len(points)
    np.testing.assert_allclose((count * mean).sum(), y.sum(), atol=1e-9)
    np.testing.assert_allclose((count * variance).sum(), v.sum())
    np.testing.assert_allclose((scatter + count * mean**2).sum(), (y**2).sum(), atol=1e-9)


def test_a_reading_with_a_large_known_error_counts_for_less():
    X = np.array([[0.2], [0.5], [0.8]])
    pulls = []
    for variance in (0.01, 4.0):
        given = Given((-0.5, 0.0, -6.0))
        gp = GaussianProcess(mean=Mean("constant"), scale="none", hyperparameters=given)
        gp.fit(X, np.array([0.0, 1.0, 0.0]), known_variance=[0.01, variance, 0.01])
        pulls.append(gp.predict([[0.5]])[0])
    assert pulls[0] > 0.8
    assert pulls[1] < 0.2


@pytest.mark.parametrize("n", [1, 2, 3, 5])
def test_a_fit_to_few_runs_has_wide_intervals(n):
    X, grade, recovery = readings(n)
    model = Surrogate().fit(X, RunReadings.from_logits(grade, recovery), FEED_ODDS)
    far = model.predict(np.full((1, 5), 0.95), FEED_ODDS).recovery
    assert far.high[0] - far.low[0] > 0.1


def test_constant_readings_and_constant_columns_fit():
    X = np.full((6, 5), 0.5)
    X[:, 0] = np.linspace(0, 1, 6)
    readings = RunReadings.from_logits(np.full(6, 4.0), np.full(6, 2.0))
    model = Surrogate().fit(X, readings, FEED_ODDS)
    prediction = model.predict(X[:1], FEED_ODDS)
    assert prediction.recovery.mean[0] == pytest.approx(expit(2.0), abs=0.02)


def test_intervals_cover_the_truth_on_simulated_decks():
    """90 % intervals of grade and recovery on 16 decks x 300 unseen settings, 30 runs each (seeds
    9000-9003), on the simulation's three families and with the outsider. Settings of one deck hang
    together, so the band is wide."""
    from tests.benchmarks.surrogate import VIEWS, case

    found = {
        f: [case(f, 9000 + k, "spread", 30, VIEWS["coupled coordinates"]) for k in range(4)]
        for f in ("beans", "grain", "ores", "outsider")
    }
    every = [one for cases in found.values() for one in cases]
    simulated = every[:12]
    for cases in (simulated, every):
        for name in ("grade", "recovery"):
            assert 0.80 < np.mean([c[f"{name} cover"] for c in cases]) < 0.98
        assert np.mean([c["recovery rmse"] for c in cases]) < 0.16


def test_chance_of_grade_agrees_with_drawn_predictions():
    """100,000 draws per point, seed 0: standard error at most 0.0016, tolerance 0.01."""
    X, grade, recovery = readings(25)
    model = Surrogate().fit(X, RunReadings.from_logits(grade, recovery), FEED_ODDS)
    A = np.random.default_rng(5).random((20, 5))
    chance = model.chance_of_grade(A, 0.97, FEED_ODDS)
    found = model.latent(A)
    rng = np.random.default_rng(0)
    hits = np.zeros(20)
    for mean, (s, c), cut in zip(found.mean, np.sqrt(found.variance), found.cut, strict=True):
        off, own = rng.standard_normal((2, 12_500, 20)) * np.stack([s, c])[:, None]
        drawn = from_latent(mean[0] + off, mean[1] + cut * off + own, FEED_ODDS)
        hits += (drawn[0] >= 0.97).mean(axis=0) / len(found.mean)
    np.testing.assert_allclose(chance, hits, atol=0.01)
    assert np.ptp(chance) > 0.5


def test_chance_moments_agree_with_simulation():
    """Moments of a and b of 400,000 draws, seed 0: within 1 %."""
    S, own = np.random.default_rng(0).standard_normal((2, 400_000)) * [[0.7], [0.4]]
    for cut in (-0.8, 0.0, 0.9):
        C = cut * S + own
        a, b = 0.5 * (C + S), 0.5 * (C - S)
        slope = np.mean(a * b) / np.mean(a * a)
        drawn = np.std(a), slope, np.std(b - slope * a)
        np.testing.assert_allclose(chance_moments(0.49, 0.16, cut), drawn, rtol=0.01, atol=0.005)


def test_a_balance_coupled_to_the_sharpness_predicts_the_grade_better(monkeypatch):
    """Mean log score of the chance of grade at unseen settings, 8 simulated decks, 20 runs each."""
    scores = {"with": [], "without": []}
    for k, family in enumerate(("beans", "grain", "ores", "outsider") * 2):
        task = Task(problem(family, "moderate", 300 + k), 20)
        p, planned = (
            task.problem,
            situation_of(Snapshot.of_table(task.table()), brief=task.brief(), seed=k),
        )
        values = GRAVITY_TABLE.values(REGION.sample(600, np.random.default_rng(k)))
        truth = p.deck.run(values, p.material)
        even = truth.failure < 0.3
        A = planned.evidence.inputs_today(GRAVITY_TABLE.nearest_index(values[even]))
        met = truth.grade[even] >= p.min_grade
        for name in scores:
            with monkeypatch.context() as patch:
                if name == "without":
                    patch.setattr("optimizer.model.joint.cut_of", lambda gp, S, C: np.zeros_like(S))
                chance = planned.surrogate.chance_of_grade(
                    A, p.min_grade, planned.evidence.feed_odds_today
                )
            score = np.log(np.clip(np.where(met, chance, 1.0 - chance), 1e-3, 1.0))
            scores[name].append(score.mean())
    assert np.mean(scores["with"]) > np.mean(scores["without"]) + 0.004


@pytest.mark.parametrize("errors", ["of the share", "of the logit"])
@pytest.mark.parametrize("true", [0.97, 0.987])
def test_readings_near_one_agree_with_either_kind_of_error(errors, true):
    """Where a dozen readings settle when read anew, 2,000 times over, errors of 0.008.

    Off by at most half of the standard error of their mean, whether the errors are normal in the
    share, and cut off at 1, or in the logit. By the share alone the mean settles 1.5 off at 0.987
    where they are normal in the logit.
    """
    se, rng = 0.008, np.random.default_rng(4)
    error = se * rng.standard_normal((2_000, 12))
    if errors == "of the share":
        share = np.clip(true + error, 0.0, 1.0)
    else:
        share = expit(logit(true) + error / (true * (1.0 - true)))
    off = {}
    for name in ("ours", "share"):
        eta = np.full((2_000, 1), 2.5)
        for _ in range(4):
            reading, variance = logit_reading_of(share, se, np.broadcast_to(eta, share.shape))
            if name == "share":
                slope = 1.0 / (expit(eta) * expit(-eta))
                reading = eta + slope * (share - expit(eta))
            # A prior of one unit about 3, so that a mean is always held somewhere.
            weight = (1.0 / variance).sum(axis=1, keepdims=True)
            eta = ((reading / variance).sum(axis=1, keepdims=True) + 3.0) / (weight + 1.0)
        off[name] = np.mean((eta - logit(true)) * np.sqrt(weight + 1.0))
    assert abs(off["ours"]) < 0.5
    if errors == "of the logit" and true == 0.987:
        assert off["share"] < -1.0


def test_a_reading_far_from_its_expectation_is_finite():
    """100 % with an error of 0.1 to 5 points, where next to nothing was expected, and the other
    way round; the farther off the expectation, the farther off the reading, and no jump where the
    tail beyond the end is too small for a double."""
    eta = np.linspace(-9.0, 9.0, 400)
    for se in (0.001, 0.008, 0.05):
        reading, variance = logit_reading_of(np.ones(400), np.full(400, se), eta)
        assert np.all(np.isfinite(reading))
        assert np.all(variance > 0.0)
        assert np.all(reading > eta)
        off = (reading - eta) / np.sqrt(variance)
        assert np.max(np.abs(np.diff(off)) / (1.0 + off[1:])) < 0.1
        mirrored, _ = logit_reading_of(np.zeros(400), np.full(400, se), -eta)
        np.testing.assert_allclose(mirrored, -reading)


@pytest.mark.parametrize("recovery", [[0.0, 1.0], [1.0], [1e-60, 1.0, 0.5]])
@pytest.mark.parametrize("count", [3, 100_000])
def test_contradictory_readings_are_fitted(recovery, count):
    X = readings(24)[0]
    values = np.resize(recovery, 24)
    grades = np.resize([0.3, 1.0], 24)
    read = RunReadings.from_shares(grades, values, recovery_se=0.008, grade_count=float(count))
    model = Surrogate(GRAVITY_TABLE.names, coordinates=deck_coordinates_of(GRAVITY_TABLE))
    model.fit(X, read, FEED_ODDS)
    found = model.predict(X, FEED_ODDS)
    for estimate in (found.grade, found.recovery):
        assert np.all(np.isfinite([estimate.mean, estimate.low, estimate.high]))


# ------------------------------------------------------------------ acquisition


def test_a_tried_point_is_worth_less_than_the_best_new_one_and_picks_spread():
    X, grade, recovery = readings(25)
    model = Surrogate().fit(X, RunReadings.from_logits(grade, recovery), FEED_ODDS)
    worth = ConstrainedImprovement(model, X, 0.97, FEED_ODDS, room=2)
    A = np.random.default_rng(6).random((500, 5))
    gain = worth.log_gain(A)
    assert np.all(np.isfinite(gain))
    best = A[[np.argmax(gain)]]
    assert gain.max() > worth.log_gain(X).max()
    worth.extend(best)
    assert worth.log_gain(best)[0] < gain.max() - 1.0


def test_deck_state_learns_where_the_deck_fails():
    rng = np.random.default_rng(2)
    X = rng.random((60, 5))
    model = DeckState().fit(X, X[:, 4] < 0.6)
    A = rng.random((400, 5))
    chance = model.chance_even(A)
    assert chance[A[:, 4] < 0.4].mean() > 0.8
    assert chance[A[:, 4] > 0.8].mean() < 0.3


def test_readings_near_one_given_their_expectations_are_fitted_with_less_bias():
    """Recoveries of 0.95 to 1, each read with an error of 0.01 and none above 1.

    By its own logit a reading near 1 is far off and unsure, one below the truth near and sure,
    and a fit leans to the latter. 4 seasons of 60 runs; the logits of their errors differ by
    0.03 from season to season.
    """
    bias, error = {"own": [], "anew": []}, {"own": [], "anew": []}
    for seed in range(4):
        rng = np.random.default_rng(seed)
        X, unseen = rng.random((60, 5)), rng.random((200, 5))
        (S, C), (s, c) = surface(X), surface(unseen)
        grade, recovery = from_latent(S + 2.0, C + 1.0, FEED_ODDS)
        grade = rng.binomial(1000, grade) / 1000
        recovery = np.clip(recovery + 0.01 * rng.standard_normal(60), 0, 1)
        found = RunReadings.from_shares(grade, recovery, recovery_se=0.01, grade_count=1000)
        # Readings stated as logits stay as they are.
        own = RunReadings.from_logits(
            found.grade_logit, found.recovery_logit, found.grade_variance, found.recovery_variance
        )
        for name, read in (("own", own), ("anew", found)):
            model = Surrogate(members=1).fit(X, read, FEED_ODDS)
            miss = 0.5 * (sum(gp.predict(unseen) for gp in model.processes) - s - c - 3.0)
            bias[name].append(miss.mean())
            error[name].append(np.sqrt(np.mean(miss**2)))
    assert abs(np.mean(bias["anew"])) < 0.6 * abs(np.mean(bias["own"]))
    assert np.mean(error["anew"]) < 0.85 * np.mean(error["own"])
