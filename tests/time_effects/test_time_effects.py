"""Occasions, the search for their spread, and what is said of them, on decks that are constant."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import check_grad

from optimizer.time_effects.effects import time_effects
from optimizer.time_effects.occasions import (
    DAY,
    LOT,
    NONE,
    SLOW,
    STEP,
    Occasions,
    run_by_habit,
)
from optimizer.time_effects.spread import Search, Spread, days_are_settings
from optimizer.time_effects.unknown_days import with_unknown_days
from optimizer.time_effects.variance_test import tail, variance_test
from tests.time_effects.cases import ERROR, by_day, constant_deck, readings


def drifting(days=60, change=(-0.8, -0.5)):
    """One run a day with a trend over all days, and none behind it."""
    day = np.arange(days)
    return readings(np.outer(change, day / days)), by_day(day)


def test_runs_of_a_day_and_lot_are_one_occasion():
    day, lot = np.array([0, 0, 0, 1]), np.array([0, 1, 1, 1])
    made = Occasions(np.array([0.1, 0.2, 0.4, 1.5]), day, lot, 2.0, 2, 1, (1.0,))
    cells = made.cells
    assert cells.count == 3
    np.testing.assert_allclose(cells.time[:4], [0.1, 0.3, 1.5, 2.0])
    assert cells.kinds == (DAY, LOT, SLOW, STEP)
    # The first two are of one day, the last two and the moment of one lot.
    np.testing.assert_array_equal(
        cells.correlation(DAY, 0.0)[:3, :3], [[1, 1, 0], [1, 1, 0], [0, 0, 1]]
    )
    np.testing.assert_array_equal(cells.correlation(LOT, 0.0)[3, :4], [0, 1, 1, 1])
    # The step at 1.0 is in what was before it, and not in the moment.
    np.testing.assert_array_equal(np.diag(cells.correlation(STEP, 0.0)), [1, 1, 0, 0, 0, 0])


def test_a_run_without_a_time_has_no_effect_of_time():
    made = Occasions(np.array([np.nan, 1.0, 2.0]), np.array([NONE, 0, 1]), np.full(3, NONE), 2.0, 1)
    for kind in (DAY, SLOW):
        assert not made.cells.correlation(kind, 3.0)[0].any()
    assert made.dated
    assert not made.enough


def test_the_slope_of_the_density_is_that_of_differences():
    """Source: ``scipy.optimize.check_grad``."""
    day = np.repeat(np.arange(20), 2)
    lot = np.repeat(np.arange(8), 5)
    made = Occasions(day + 0.5, day, lot, 20.0, 20, 7, (9.7,))
    read = readings(0.3 * np.random.default_rng(2).standard_normal((2, 20))[:, day])
    search = Search(constant_deck(read, ERROR, made.cells.which), made.cells, made.cells.kinds)
    x = np.append(np.random.default_rng(3).uniform(-3.0, -1.0, 8), 3.0)
    for value in (0.0, 1.0):

        def density(v, by_log=value):
            return search.density(v, by_log)

        off = check_grad(lambda v, f=density: f(v)[0], lambda v, f=density: f(v)[1], x)
        assert off < 1e-4


def test_a_drift_is_followed_and_one_of_nothing_is_not():
    read, made = drifting()
    found = time_effects(constant_deck(read, ERROR, made.cells.which), made.cells, last=True)
    assert found is not None
    # At the first runs sharpness was 0.8 above what it is at the last, within two errors of a mean
    # over a fortnight.
    early = found.of_runs[:, :7].mean(axis=1)
    np.testing.assert_allclose(early, [0.74, 0.46], atol=0.2)
    weekly, sd = found.weekly.mean, np.sqrt(np.diag(found.weekly.covariance))
    assert np.all(np.abs(weekly - 7.0 * np.array([-0.8, -0.5]) / 60.0) < 2.0 * sd)
    flat, _ = drifting(change=(0.0, 0.0))
    assert time_effects(constant_deck(flat, ERROR, made.cells.which), made.cells) is None


def test_what_is_not_known_of_the_spread_widens_the_effects():
    read, made = drifting(days=20)
    information = constant_deck(read, ERROR, made.cells.which)
    first = time_effects(information, made.cells)
    mixed = time_effects(information, made.cells, first, last=True)
    assert first is not None
    assert mixed is not None
    assert np.sum(mixed.root[:, -1] ** 2) > np.sum(first.root[:, -1] ** 2)


def test_the_weights_of_draws_add_to_one_and_their_mean_is_near_the_mode():
    read, made = drifting()
    search = Search(constant_deck(read, ERROR, made.cells.which), made.cells, made.cells.kinds)
    mode, _ = search.mode(Spread(), 1.0)
    draws = search.draws(mode)
    assert sum(weight for _, weight in draws) == pytest.approx(1.0)
    assert max(weight for _, weight in draws) < 0.5
    mean = sum(weight * draw.sd[SLOW] for draw, weight in draws)
    assert np.all(mean / mode.sd[SLOW] < 3.0)
    assert np.all(mean / mode.sd[SLOW] > 0.7)


def test_lots_that_differ_are_found_and_days_that_do_not_are_not():
    rng = np.random.default_rng(6)
    n = 160
    day, lot = np.arange(n) // 4, rng.integers(12, size=n)
    made = Occasions(day + 0.3, day, lot, 40.0, 40, 3)
    read = readings(0.3 * rng.standard_normal((2, 12))[:, lot])
    information = constant_deck(read, ERROR, made.cells.which)
    lots, days = (variance_test(information, made.cells, kind) for kind in (LOT, DAY))
    assert lots.p_value < 1e-6
    np.testing.assert_allclose(lots.sd, 0.3, atol=0.12)
    assert days.p_value > 0.05


def test_days_of_one_lot_each_are_tested_without_the_lots():
    day = np.repeat(np.arange(30), 4)
    made = Occasions(day + 0.3, day, day, 30.0, 30, 29)
    read = readings(0.3 * np.random.default_rng(1).standard_normal((2, 30))[:, day])
    information = constant_deck(read, ERROR, made.cells.which)
    for kind in (DAY, LOT):
        assert variance_test(information, made.cells, kind).p_value < 1e-3


def test_the_tail_is_that_of_the_mixture():
    """Source: the 95 % point 4.23 of a quarter, a half and a quarter of chi-squares with 0, 1 and 2
    degrees of freedom, from the densities of ``scipy.stats``."""
    for ratio in (0.5, 2.0, 4.23):
        expected = 0.5 * stats.chi2(1).sf(ratio) + 0.25 * stats.chi2(2).sf(ratio)
        assert tail(ratio) == pytest.approx(expected)
    assert tail(4.23) == pytest.approx(0.05, abs=0.001)
    assert tail(-1e-9) == 1.0


@pytest.mark.parametrize("crossed", [False, True])
def test_days_count_where_they_can_be_told_from_settings(crossed):
    """The same effects of days; either each day has settings of its own, or days share them."""
    day = np.repeat(np.arange(30), 4)
    point = np.tile(np.arange(4), 30) if crossed else day
    read = readings(0.3 * np.random.default_rng(1).standard_normal((2, 30))[:, day])
    each = [by_day(code, day + 0.5) for code in (day, point)]
    found = [(constant_deck(read, ERROR, made.cells.which), made.cells) for made in each]
    assert days_are_settings(*found[0], *found[1]) is not crossed
    assert DAY not in replace(each[0], by_day=False).cells.kinds


@pytest.mark.parametrize(
    ("day", "point", "habit"),
    [
        ([0, 0, 1, 1, 2, 2], [0, 0, 1, 1, 2, 2], True),  # a set-point for each day, repeated
        ([0, 0, 1, 1, 2, 2], [0, 0, 0, 0, 1, 1], False),  # the first is run again the next day
        ([0, 0, 1, 1, 2, 2], [0, 1, 2, 3, 4, 5], False),  # several in a day
        ([0, 1, 2, 3, 4, 5], [0, 1, 2, 3, 4, 5], False),  # nothing is repeated
        ([0, 0, 0, 0], [0, 0, 1, 1], False),  # one day alone
        ([NONE] * 4, [0, 0, 1, 1], False),  # no run has a time
    ],
)
def test_a_plant_runs_by_habit_where_each_set_point_has_a_day_of_its_own(day, point, habit):
    assert run_by_habit(np.array(day), np.array(point)) is habit


def habit_log(sd, days=30, a_day=4, seed=1):
    """What readings of one deck say, by which set-points and days are the same thing."""
    day = np.repeat(np.arange(days), a_day)
    effect = sd * np.random.default_rng(seed).standard_normal((2, days))[:, day]
    made = replace(by_day(day, day + 0.5), by_day=False, by_habit=True).cells
    return constant_deck(readings(effect), ERROR, made.which), made


def test_days_that_nobody_can_tell_from_settings_are_allowed_for():
    """The deck of this test is one constant, so that days explain all that differs between
    set-points: what is not known of a day is then as large as its effects are. Nothing is taken off
    the readings, and effects that the readings do show stay."""
    information, cells = habit_log(0.3)
    found = with_unknown_days(None, information, cells)
    now = np.sqrt(np.sum(found.root[:, -1] ** 2, axis=1))
    assert now == pytest.approx([0.3, 0.3], rel=0.26)  # of 30 days: two standard errors
    assert np.all(found.of_runs == 0.0)
    at_days = np.einsum("pir,qjr->piqj", found.root, found.root)
    for q in range(2):
        own = at_days[q, : cells.count, q, : cells.count]
        np.testing.assert_allclose(own, np.diag(np.diag(own)), atol=1e-3)
        np.testing.assert_allclose(np.diag(own), now[q] ** 2, rtol=0.01)
        # The day of the moment is that of the last runs.
        assert at_days[q, cells.count, q, cells.count - 1] == pytest.approx(now[q] ** 2, rel=0.01)
    smaller = with_unknown_days(None, *habit_log(0.0))
    assert np.all(np.sum(smaller.root[:, -1] ** 2, axis=1) < 0.1 * now**2)
    read, made = drifting()
    cells = replace(made, by_day=False, by_habit=True).cells
    information = constant_deck(read, ERROR, cells.which)
    slow = time_effects(information, cells)
    kept = with_unknown_days(slow, information, cells)
    np.testing.assert_array_equal(kept.of_runs, slow.of_runs)
    assert np.all(np.sum(kept.root**2, axis=2) >= np.sum(slow.root**2, axis=2) - 1e-6)
