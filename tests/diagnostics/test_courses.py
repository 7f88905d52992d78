"""Trends, steps and shared errors against plain generalized least squares, and what is said of
them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from optimizer.diagnostics import drift, serial_correlation, trend_and_steps
from optimizer.diagnostics.drift import ChangePoint, Drift, drifts, known_of, latest
from optimizer.diagnostics.serial_correlation import (
    FADING,
    SHARES,
    blocks,
    restricted,
    shared_between_days,
)
from optimizer.diagnostics.trend_and_steps import (
    BETTER_BY,
    Known,
    Step,
    Trend,
    better_explained,
    candidate_dates,
    inflation,
    power,
    steps,
    trend,
)
from optimizer.gaussian_process.estimation import Given
from optimizer.gaussian_process.mean import Mean
from optimizer.gaussian_process.process import GaussianProcess


@pytest.fixture(autouse=True)
def constants(monkeypatch):
    """The examples are worked out for these values, which are choices and may change."""
    monkeypatch.setattr("optimizer.diagnostics.trend_and_steps.FEWEST_GROUPS", 10)
    monkeypatch.setattr("optimizer.diagnostics.trend_and_steps.EDGE", 0.05)
    monkeypatch.setattr("optimizer.diagnostics.drift.FEWEST_RUNS", 20)
    monkeypatch.setattr("optimizer.diagnostics.drift.FEWEST_DAYS", 8)
    monkeypatch.setattr("optimizer.diagnostics.drift.LEVEL", 0.05)


RNG = np.random.default_rng(21)
N = 30
TIME = np.sort(RNG.uniform(0.0, 24.0, N))
DAY = np.floor(TIME).astype(np.int64)
ROOT = RNG.standard_normal((N, N)) * 0.2
COVARIANCE = ROOT @ ROOT.T + np.diag(RNG.uniform(0.5, 2.0, N))
ONES = np.ones((N, 1))
INVERSE = np.linalg.inv(COVARIANCE)
P = INVERSE - INVERSE @ ONES @ np.linalg.inv(ONES.T @ INVERSE @ ONES) @ ONES.T @ INVERSE
NOISE = RNG.uniform(0.5, 2.0, N)
KNOWN = Known(lambda u: P @ u, NOISE, np.full(N, 0.9))
Y = RNG.standard_normal(N)


def gls(y, h):
    """Size and variance of a course beside an unknown level, by generalized least squares."""
    H = np.column_stack([np.ones(N), h])
    inner = np.linalg.inv(H.T @ INVERSE @ H)
    return float((inner @ H.T @ INVERSE @ y)[1]), float(inner[1, 1])


def test_a_trend_is_the_slope_of_generalized_least_squares():
    found = trend(Y, TIME, KNOWN, np.zeros(N, np.int64))
    slope, variance = gls(Y, TIME)
    assert (found.slope, found.se, found.wider) == pytest.approx((slope, variance**0.5, 1.0))
    assert found.z == pytest.approx(slope / variance**0.5)
    assert found.p_value == pytest.approx(2.0 * stats.norm.sf(abs(found.z)))


def test_errors_shared_by_days_widen_a_trend(monkeypatch):
    """The sandwich over days, with residuals scaled up for what the fit has followed, and the
    covariance between days, both written as sums over days."""
    between = 0.1 * np.ones((len(np.unique(DAY)),) * 2)
    asked = []
    monkeypatch.setattr(
        trend_and_steps,
        "shared_between_days",
        lambda error, course, day: (asked.append((error, course, day)), between)[1],
    )
    h = TIME - TIME.mean()
    found = trend(Y, TIME, KNOWN, DAY)
    weighed, left = P @ h, Y - found.slope * h
    information = h @ weighed
    kept = np.maximum(0.9 - NOISE * weighed**2 / information, trend_and_steps.LEAST_KEPT)
    residual = NOISE * (P @ left) / np.sqrt(kept)
    days = np.unique(DAY)
    score = [sum(weighed[d == DAY] * residual[d == DAY]) for d in days]
    lever = [sum(weighed[d == DAY] * np.sqrt(NOISE[d == DAY])) for d in days]
    within = np.sum(np.square(score)) * len(days) / (len(days) - 1) / information
    wanted = max(1.0, within) + 0.1 * np.sum(lever) ** 2 / information
    assert found.wider == pytest.approx(wanted)
    assert found.se == pytest.approx(np.sqrt(wanted / information))
    ((error, course, day),) = asked
    np.testing.assert_allclose(error, residual / np.sqrt(NOISE))
    np.testing.assert_array_equal(course, h)
    np.testing.assert_array_equal(day, DAY - DAY.min())


@pytest.mark.parametrize(("groups", "judged"), [(9, False), (10, True)])
def test_shared_errors_are_judged_from_ten_days_on(groups, judged):
    """Ten days of errors that are all alike within a day."""
    day = np.repeat(np.arange(groups), 3)
    y = 5.0 * np.repeat(np.random.default_rng(1).standard_normal(groups), 3)
    n = len(y)
    known = Known(lambda u: u - u.mean(axis=0), np.ones(n), np.full(n, 1.0 - 1.0 / n))
    h = day - day.mean()
    found = inflation(y, h, h, known, 1000 * day)
    assert bool(found > 1.3) is judged
    assert judged or found == 1.0


def test_a_step_is_found_at_its_date_with_its_size():
    """Of four units after half of the time; the date of the largest z of least squares."""
    y = Y * 0.3 + 4.0 * (TIME[14] <= TIME) + 7.0
    (first, *_) = steps(y, np.floor(TIME), KNOWN)
    dates = candidate_dates(np.floor(TIME))
    each = [gls(y, (date <= np.floor(TIME)).astype(float)) for date in dates]
    best = int(np.argmax([abs(size) / variance**0.5 for size, variance in each]))
    assert first.at == dates[best] == np.floor(TIME[14])
    size, variance = each[best]
    assert first.size == pytest.approx(size)
    assert first.se == pytest.approx(np.sqrt(first.wider * variance))
    assert first.z == pytest.approx(size / first.se)
    assert first.p_value == pytest.approx(1.0 / (trend_and_steps.SIMULATIONS + 1.0))


def test_of_two_steps_the_second_is_that_beside_the_first():
    n = 60
    time = np.arange(float(n))
    known = Known(lambda u: u - u.mean(axis=0), np.ones(n), np.full(n, 1.0 - 1.0 / n))
    y = 0.3 * np.random.default_rng(2).standard_normal(n)
    y += 9.0 * (time >= 40) - 5.0 * (time >= 15)
    found = steps(y, time, known)
    assert [step.at for step in found] == [40.0, 15.0]
    assert [step.size > 0 for step in found] == [True, False]
    H = np.column_stack([np.ones(n), time >= 40, time >= 15]).astype(float)
    wanted = np.linalg.lstsq(H, y, rcond=None)[0][2]
    assert found[1].size == pytest.approx(wanted)
    assert steps(np.zeros(n), time, known) == []
    assert steps(y[:2], np.zeros(2), Known(known.weigh, np.ones(2), np.ones(2))) == []


def test_the_chance_of_one_date_is_that_of_a_normal():
    """Of a single date: P(|z| >= 1.5), simulated; five standard errors."""
    found = trend_and_steps._largest_by_chance(np.array([[4.0]]), 1.5, 0)
    wanted = 2.0 * stats.norm.sf(1.5)
    draws = trend_and_steps.SIMULATIONS
    assert found == pytest.approx(wanted, abs=5.0 * np.sqrt(wanted / draws))
    # Of two dates that do not share anything: 1 - (1 - p)^2.
    both = trend_and_steps._largest_by_chance(np.diag([4.0, 9.0]), 1.5, 0)
    assert both == pytest.approx(1.0 - (1.0 - wanted) ** 2, abs=5.0 * np.sqrt(2 * wanted / draws))
    assert trend_and_steps._largest_by_chance(np.eye(1), 99.0, 0) == 1.0 / (draws + 1.0)


def test_steps_are_not_sought_near_either_end(monkeypatch):
    """Of 0 ... 100 the quantiles of 5 % and 95 % are 5 and 95: dates above 5, up to 95."""
    found = candidate_dates(np.arange(101.0))
    assert (found[0], found[-1], len(found)) == (6.0, 95.0, 90)
    assert candidate_dates(np.array([3.0, 3.0, 8.0, 8.0])).tolist() == [8.0]
    monkeypatch.setattr(trend_and_steps, "MOST_DATES", 10)
    few = candidate_dates(np.arange(101.0))
    assert (few[0], few[-1], len(few)) == (6.0, 95.0, 10)


def test_long_histories_try_fewer_dates(monkeypatch):
    asked = []
    known = Known(
        lambda u: (asked.append(u.shape), u - u.mean(axis=0))[1], np.ones(101), np.ones(101)
    )
    for cells, dates in ((101 * 12, 12), (101 * 3, 5), (10**9, 90)):
        monkeypatch.setattr(trend_and_steps, "FEWEST_DATES", 5)
        monkeypatch.setattr(trend_and_steps, "MOST_CELLS", cells)
        asked.clear()
        steps(np.random.default_rng(0).standard_normal(101), np.arange(101.0), known)
        assert asked[0] == (101, dates)


def test_the_power_is_that_of_a_two_sided_test():
    bar = stats.norm.ppf(0.95)
    wanted = stats.norm.sf(bar - 1.5) + stats.norm.cdf(-bar - 1.5)
    assert power(3.0, 2.0, 0.1) == pytest.approx(wanted)
    assert power(0.0, 1.0) == pytest.approx(0.05)


@pytest.mark.parametrize(("z2", "better"), [(9.0 + BETTER_BY, False), (9.1 + BETTER_BY, True)])
def test_a_step_must_explain_more_than_a_trend_by_the_smaller_inflation(z2, better):
    """A trend of z = 1.5 and inflation 4 has z^2 of 9 without it; the step has none."""
    step = Step(1.0, 1.0, 1.0, np.sqrt(z2), 0.001, 1.0)
    assert better_explained(step, Trend(1.5, 1.0, 0.1, 4.0)) == better
    # With inflations of 2 and 3 the sum of 4 counts twice.
    assert not better_explained(Step(1.0, 1.0, 1.0, 3.0, 0.1, 2.0), Trend(1.83, 1.0, 0.1, 3.0))
    assert better_explained(Step(1.0, 1.0, 1.0, 3.1, 0.1, 2.0), Trend(1.0, 1.0, 0.1, 3.0))


# -- serial correlation ---------------------------------------------------------------------------


def test_days_are_joined_only_where_there_are_too_many(monkeypatch):
    monkeypatch.setattr(serial_correlation, "MOST_DAYS", 3)
    assert blocks(np.array([5, 7, 9])).tolist() == [0, 2, 4]
    assert blocks(np.array([5, 6, 7, 8])).tolist() == [0, 0, 1, 1]
    assert blocks(np.array([5, 5, 6, 7, 8, 9, 10, 11])).tolist() == [0, 0, 0, 0, 1, 1, 1, 2]


def test_the_errors_of_days_share_what_is_most_likely():
    """The best of all pairs of a correlation and a share, by the restricted likelihood of plain
    matrices (Harville, Biometrika 61, 1974, 383)."""
    day = np.repeat(np.arange(25), 2) * 2
    rng = np.random.default_rng(5)
    walk = np.zeros(25)
    for k in range(1, 25):
        walk[k] = 0.85 * walk[k - 1] + rng.standard_normal()
    error = np.repeat(walk, 2) + 0.3 * rng.standard_normal(50)
    course = day - day.mean()
    mean = error.reshape(25, 2).mean(axis=1)
    H = np.column_stack([np.ones(25), course[::2]])
    apart = np.abs(np.subtract.outer(np.arange(25) * 2.0, np.arange(25) * 2.0))

    def likelihood(covariance):
        inverse = np.linalg.inv(covariance)
        inner = H.T @ inverse @ H
        project = inverse - inverse @ H @ np.linalg.inv(inner) @ H.T @ inverse
        scale = mean @ project @ mean / 23
        logs = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(inner)[1]
        return -0.5 * (23 * np.log(scale) + logs), scale

    options = {
        (phi, s): likelihood(s * phi**apart + (1.0 - s) * np.eye(25) / 2.0)
        for phi in FADING
        for s in SHARES
    }
    (phi, s), (_, scale) = max(options.items(), key=lambda each: each[1][0])
    wanted = scale * s * phi**apart
    np.fill_diagonal(wanted, 0.0)
    np.testing.assert_allclose(shared_between_days(error, course, day), wanted, atol=1e-9)
    assert phi > 0.0
    value, found = restricted(mean, np.eye(25) / 2.0, H)
    assert (value, found) == pytest.approx(likelihood(np.eye(25) / 2.0))


def test_errors_that_are_independent_or_nothing_share_nothing():
    day = np.arange(20)
    alternating = np.tile([1.0, -1.0], 10)
    assert not shared_between_days(alternating, day - 9.5, day).any()
    assert not shared_between_days(np.zeros(20), day - 9.5, day).any()


# -- drift ----------------------------------------------------------------------------------------


def test_known_influences_are_projected_out_as_by_plain_matrices():
    """P is the inverse of the covariance of all readings under the fitted process."""
    rng = np.random.default_rng(4)
    X = rng.random((6, 2))[[0, 0, 1, 2, 3, 3, 3, 4, 5]]
    gp = GaussianProcess(mean=Mean("linear"), hyperparameters=Given((0.0, 0.1, 0.2, -1.0)))
    gp.fit(X, rng.standard_normal(9), np.linspace(0.1, 0.3, 6)[[0, 0, 1, 2, 3, 3, 3, 4, 5]])
    known = known_of(gp, X)
    (posterior,) = gp.posteriors_
    A = posterior.points
    which = [int(np.flatnonzero((A.values == x).all(axis=1))[0]) for x in X]
    w = posterior.noise_of_readings[which]
    whole = posterior.covariance(A, A)[np.ix_(which, which)] + np.diag(w)
    inverse = np.linalg.inv(whole)
    u = rng.standard_normal((9, 2))
    np.testing.assert_allclose(known.weigh(u), inverse @ u, atol=1e-9)
    np.testing.assert_allclose(known.weigh(u[:, 0]), inverse @ u[:, 0], atol=1e-9)
    np.testing.assert_allclose(known.noise, w)
    np.testing.assert_allclose(known.kept, w * np.diag(inverse), atol=1e-9)


class Evidence(SimpleNamespace):
    """Runs of a line, one each half day, in reverse; the last has no time."""

    def take(self, rows):
        return rows


def runs(number=20, days=None):
    day = np.arange(number)[::-1] / 2.0 if days is None else days
    started = (day * 86_400_000_000).astype("datetime64[us]")
    n = number + 1
    logits = np.linspace(1.0, 2.0, n)
    return Evidence(
        line="deck-1",
        grade=np.zeros(n),
        started_by_clock=np.append(started, np.datetime64("NaT")),
        started=np.append(started, np.datetime64("NaT")),
        measured=np.ones(n, bool),
        feed_odds=np.full(n, 0.25),
        feed_grade_known=True,
        quantities=np.arange(n)[:, None] / n,
        readings=SimpleNamespace(
            grade_logit=logits,
            recovery_logit=logits + 1.0,
            grade_variance=np.full(n, 0.01),
            recovery_variance=np.full(n, 0.02),
        ),
    )


@pytest.fixture
def told(monkeypatch):
    """What the search for a trend and for steps is given; it answers 0.5 a day and one step."""
    asked = []

    class Process:
        def __init__(self, kernel, mean, random_state):
            self.seed = random_state

        def fit(self, X, y, variance):
            asked.append({"X": X, "y": y, "variance": variance, "seed": self.seed})
            self.readings_ = SimpleNamespace(spread=2.0, center=1.0)

    def slope(y, time, known, day):
        asked[-1].update(scaled=y, time=time, day=day)
        return Trend(0.5, 0.1, 0.06, 1.0)

    def sudden(y, time, known, seed):
        assert (seed, time.tolist()) == (3, np.floor(asked[-1]["time"]).tolist())
        np.testing.assert_array_equal(y, asked[-1]["scaled"])
        return [Step(5.0, -0.25, 0.1, 9.0, 0.001, 1.0), Step(6.0, 0.0001, 0.1, 9.0, 0.001, 1.0)]

    monkeypatch.setattr(drift, "GaussianProcess", Process)
    known = Known(lambda u: u * 0.5, np.full(20, 4.0), np.ones(20))
    monkeypatch.setattr(drift, "known_of", lambda gp, X: known)
    monkeypatch.setattr(drift, "trend", slope)
    monkeypatch.setattr(drift, "steps", sudden)
    return asked


def test_the_drift_of_each_quantity_is_told_in_fractions(told, monkeypatch):
    daily = []
    monkeypatch.setattr(
        drift, "out_of_line", lambda values: (daily.append(values), values == values.max())[1]
    )
    e = runs()
    grade, recovery = drifts(SimpleNamespace(evidence=e, seed=3))
    assert (grade.quantity, recovery.quantity) == ("grade", "recovery")
    order = np.arange(20)[::-1]  # the earliest first
    first, second = told
    np.testing.assert_allclose(first["y"], e.readings.grade_logit[order] - 0.25)
    np.testing.assert_allclose(second["y"], e.readings.recovery_logit[order])
    assert (first["variance"][0], second["variance"][0], first["seed"]) == (0.01, 0.02, 3)
    np.testing.assert_allclose(first["scaled"], (first["y"] - 1.0) / 2.0)
    np.testing.assert_allclose(first["time"], np.arange(20) / 2.0)
    assert first["day"].tolist() == [k // 2 for k in range(20)]
    np.testing.assert_allclose(first["X"], e.quantities[order])
    for found, logits in (
        (grade, e.readings.grade_logit[:20]), (recovery, e.readings.recovery_logit[:20]),
    ):  # fmt: skip
        mean = np.mean(1.0 / (1.0 + np.exp(-logits)))
        points = mean * (1.0 - mean) * 2.0
        assert found.per_day == pytest.approx(0.5 * points)
        assert found.per_day_se == pytest.approx(0.1 * points)
        assert found.visible_per_week == pytest.approx(7.0 * 2.8016 * 0.1 * points)
        assert found.power == pytest.approx(power(0.002 / 7.0, 0.1 * points))
        # A step that rounds to nothing is left out.
        assert found.steps == (ChangePoint("1970-01-06", pytest.approx(-0.25 * points), 0.001),)
        assert (found.pattern, found.p_value) == ("step", 0.06)
        assert found.checks == drift.CHECKS["both fall"]
    residual = 4.0 * 0.5 * first["scaled"]
    np.testing.assert_allclose(daily[0], residual.reshape(10, 2).sum(axis=1) / np.sqrt(2.0))
    assert grade.days_out_of_line == (drift.iso_day(int(np.argmax(daily[0]))),)
    e.feed_grade_known = False
    told.clear()
    drifts(SimpleNamespace(evidence=e, seed=3))
    np.testing.assert_allclose(told[0]["y"], e.readings.grade_logit[order])


@pytest.mark.parametrize(
    ("number", "days", "enough"),
    [
        (20, np.arange(20) % 8, True),
        (19, np.arange(19) % 8, False),
        (20, np.arange(20) % 7, False),
    ],
)
def test_twenty_runs_of_eight_days_are_enough(told, number, days, enough):
    found = drifts(SimpleNamespace(evidence=runs(number, days.astype(float)), seed=3))
    assert bool(found) is enough


@pytest.mark.parametrize(
    ("p", "sudden", "z", "pattern"),
    [
        (0.05, True, 0.0, "step"),
        (0.04, True, 3.0, "trend"),
        (0.04, True, 9.0, "step"),
        (0.049, False, 0.0, "trend"),
        (0.05, False, 0.0, "none"),
    ],
)
def test_a_step_a_trend_or_neither(p, sudden, z, pattern):
    found = [Step(1.0, 1.0, 1.0, z, 0.001, 1.0)] if sudden else []
    assert drift._pattern(Trend(2.5, 1.0, p, 1.0), found) == pattern


def one(quantity="grade", pattern="trend", per_day=0.001, changes=()):
    return Drift(None, quantity, pattern, per_day, 0.0, 0.0, tuple(changes), 0.0, 0.0, ())


FALL = ChangePoint("2025-03-01", -0.02, 0.001)


def test_what_to_check_depends_on_what_fell():
    def kinds(grade, recovery):
        found = drift._with_checks([grade, recovery])
        names = {checks: kind for kind, checks in drift.CHECKS.items()}
        return [names.get(d.checks) for d in found]

    down, up = one(per_day=-0.001), one("recovery")
    assert kinds(down, one("recovery", per_day=-0.001)) == ["both fall"] * 2
    assert kinds(down, up) == ["one falls"] * 2
    assert kinds(one(), up) == ["rises"] * 2
    assert kinds(one(pattern="none", per_day=-0.1), up) == [None, "rises"]
    # Where there is a step, its direction counts, not that of the slope.
    assert kinds(one(pattern="step", changes=[FALL]), one("recovery", "none")) == [
        "one falls",
        None,
    ]


def test_a_drift_is_told_by_week_or_by_date_and_direction():
    at_once = str(drift._change(one(pattern="step", changes=[FALL])))
    assert "fell by 2.0 points" in at_once
    assert "2025-03-01" in at_once
    assert "rose by 0.7 points a week" in str(drift._change(one()))
    assert "fell by 0.7 points a week" in str(drift._change(one(per_day=-0.001)))
    assert drift.season_sentence(()) == ""


def test_only_drifts_that_are_found_are_told_of_a_season(monkeypatch):
    asked = []
    monkeypatch.setattr(drift, "LineModel", lambda *given: given)
    monkeypatch.setattr(drift, "latest", lambda evidence: f"latest of {evidence}")
    monkeypatch.setattr(
        drift, "drifts", lambda model: (asked.append(model), (one(pattern="none"), one()))[1]
    )
    assert drift.season_drifts("runs", 5) == (one(),)
    assert asked == [("latest of runs", 5)]


def test_of_many_set_points_the_latest_are_kept_with_all_their_runs(monkeypatch):
    """Eight runs at set-points 0 1 0 2 1 3 and, without a reading or a time, at 9: the latest two
    set-points are 3 and 1; the run at 2 before them is left out."""
    monkeypatch.setattr(drift, "MOST_SET_POINTS", 2)
    point = np.array([0, 1, 0, 2, 1, 3, 9, 9])
    started = np.arange(8).astype("datetime64[us]")
    started[7] = np.datetime64("NaT")
    evidence = Evidence(
        set_points=5,
        measured=np.arange(8) != 6,
        started=started,
        quantities=point[:, None].astype(float),
        grade=np.zeros(8),
    )
    assert latest(evidence).tolist() == [False, False, False, False, True, True, False, False]
    monkeypatch.setattr(drift, "MOST_SET_POINTS", 3)
    assert np.flatnonzero(latest(evidence)).tolist() == [3, 4, 5]
    monkeypatch.setattr(drift, "MOST_SET_POINTS", 4)
    assert np.flatnonzero(latest(evidence)).tolist() == [0, 1, 2, 3, 4, 5]
    evidence.set_points = 4
    assert latest(evidence) is evidence
