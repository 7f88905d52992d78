"""The parts of a comparison of lines, each by itself: values that follow by hand."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from scipy.special import expit, logit
from scipy.stats import norm

from optimizer import InputError, Site, compare
from optimizer.comparison.attribution import corners, shapley
from optimizer.comparison.basis import Basis, untried
from optimizer.comparison.better_settings import Search
from optimizer.comparison.line_study import _sharing
from optimizer.comparison.ranking import rank_lines
from optimizer.comparison.recovery_at_grade import recovery_at_grade
from optimizer.history.snapshot import Snapshot
from optimizer.model.coordinates import from_latent
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE, Setting, SettingSpace

SITE = Site()


def deck_of_two():
    """A deck whose worth rises with two settings and whose chance of grade falls with both."""
    settings = (Setting("a", "", 0.0, 1.0, 0.05), Setting("b", "", 0.0, 1.0, 0.05))

    def worth(index):
        return 0.5 + 0.01 * index.sum(axis=1)

    def chance(index):
        return np.clip(1.0 - 0.01 * (index @ np.array([2.0, 1.0])), 0.0, 1.0)

    return Region.whole(SettingSpace(settings)), worth, chance


def test_the_best_setting_is_the_best_of_the_sure_ones():
    region, worth, chance = deck_of_two()
    every = region.sample(512, np.random.default_rng(0))
    best = Search(region, chance, 0.85).best(every, worth(every), worth)
    assert best.tolist() == [0, 15]
    # When no start is sure of the grade, the search climbs the chance to find a sure setting; when
    # no setting is sure, it returns none.
    far = np.array([[20, 20], [18, 19]])
    search = Search(region, chance, 0.85)
    assert search.surest(far)[1] == 1.0
    assert search.sure(search.best(far, worth(far), worth))
    assert Search(region, lambda x: 0.5 * chance(x), 0.6).best(every, worth(every), worth) is None


def test_the_fewest_moves_bring_most_and_are_sure():
    region, worth, chance = deck_of_two()
    search, best = Search(region, chance, 0.85), np.array([0, 15])
    # The current settings are worth more but are not sure, so the moves must raise the chance.
    simplest = search.simplest(worth, np.array([20, 5]), best)
    assert search.sure(simplest)
    # A single move of b is enough.
    assert search.simplest(worth, np.array([0, 3]), best).tolist() == [0, 15]
    assert search.simplest(worth, best, best).tolist() == best.tolist()


def test_a_gap_beyond_the_parts_is_shared_by_their_size():
    moved = np.array([True, True, False])
    assert _sharing(np.array([0.03, -0.01, 0.0]), 0.04, moved) == pytest.approx(
        [0.045, -0.005, 0.0]
    )
    # Parts that cancel stay bounded, and the settings that moved share a gap without any part.
    assert _sharing(np.array([0.03, -0.03, 0.0]), 0.02, moved) == pytest.approx([0.04, -0.02, 0.0])
    assert _sharing(np.zeros(3), 0.02, moved) == pytest.approx([0.01, 0.01, 0.0])
    assert _sharing(np.zeros(3), 0.0, np.zeros(3, bool)).tolist() == [0.0, 0.0, 0.0]


def test_recovery_at_grade_meets_the_grade_exactly():
    # Below the required grade, the cut moves at a constant difference of probits.
    odds, grade = float(logit(0.93)), 0.985
    S, C = np.array([4.0, 5.0, 9.0, 0.6]), np.array([5.0, 4.5, 14.0, 3.0])
    kept = recovery_at_grade(S, C, grade, odds)
    assert np.all(from_latent(S, C, odds)[0] < grade)
    x = norm.ppf(kept)
    separation = norm.ppf(expit(0.5 * (C + S))) - norm.ppf(expit(0.5 * (C - S)))
    unwanted = norm.cdf(x - separation)
    reached = 0.93 * kept / (0.93 * kept + 0.07 * unwanted)
    assert reached == pytest.approx(grade, abs=1e-12)
    easy = np.array([-2.0])
    assert recovery_at_grade(S[:1], easy, grade, odds) == pytest.approx(expit(0.5 * (4.0 - 2.0)))


def test_zero_sharpness_recovers_nothing_and_an_easy_grade_everything():
    assert recovery_at_grade(np.array([0.5]), np.array([3.0]), 0.99, 2.0)[0] < 1e-12
    assert recovery_at_grade(np.array([0.5]), np.array([3.0]), 0.7, 2.0)[0] == expit(1.75)


def test_corners_and_shapley_of_random_functions():
    # The four axioms of Shapley values on a random game of four settings.
    rng = np.random.default_rng(12)
    values = rng.standard_normal((3, 16))
    parts = shapley(values)
    assert parts.sum(axis=1) == pytest.approx(values[:, -1] - values[:, 0], abs=1e-12)
    moved = (np.arange(16)[:, None] >> np.arange(4)) & 1
    weights = np.array([1.0, -2.0, 0.0, 3.0])
    assert shapley(moved @ weights) == pytest.approx(weights, abs=1e-12)
    pair = (moved[:, 0] * moved[:, 1]).astype(float)
    assert shapley(pair) == pytest.approx([0.5, 0.5, 0.0, 0.0], abs=1e-12)
    points = corners(np.array([1, 2]), np.array([5, 6]))
    assert points.tolist() == [[1, 2], [5, 2], [1, 6], [5, 6]]


def test_stated_rank_probabilities_are_calibrated():
    # 400 sets of three lines with known errors, fixed seed: the mean stated probability against the
    # share of right ranks, whose standard error is about 1.4 %.
    rng = np.random.default_rng(5)
    stated, right = [], []
    for _ in range(400):
        truth = rng.standard_normal(3)
        reading = truth + 0.7 * rng.standard_normal(3)
        shrunk = reading / (1 + 0.49)
        draws = shrunk + np.sqrt(0.49 / 1.49) * rng.standard_normal((256, 3))
        found = rank_lines(draws)
        order = np.argsort(np.argsort(-truth)) + 1
        stated.append(found.probability.mean())
        right.append(np.mean(found.rank == order))
    assert np.mean(stated) == pytest.approx(np.mean(right), abs=0.045)
    assert np.mean(right) > 0.5  # a random rank is right in a third of cases


def test_two_hundred_lines_are_too_many_by_one():
    names = [f"l{k}" for k in range(201)]
    table = pa.table({"line": names})
    with pytest.raises(InputError, match="at most 200"):
        compare(Snapshot.of_table(table), SITE)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({}, []),
        ({"feed_rate": None}, []),
        ({"feed_rate": 2.04}, []),
        ({"feed_rate": 2.2}, ["feed_rate 2.2 t/h lies outside its runs (1.5 to 2)"]),
        ({"feed_rate": 1.4}, ["feed_rate 1.4 t/h lies outside its runs (1.5 to 2)"]),
        ({"material": {"moisture": 11.0}}, ["its runs do not state moisture: the effect of 11 %"]),
        ({"material": {"feed_grade": 0.9}, "label": "washed"}, []),
    ],
)
def test_values_outside_the_runs_of_a_line(change, said):
    # The last run has no measurement, so its feed does not count as experience.
    table = pa.table(
        {
            "feed_rate": [1.5, 2.0, 3.0],
            "grade": [0.98, 0.99, None],
            "recovery": [0.9, 0.9, None],
            "feed_grade": [0.9, 0.91, 0.9],
            "moisture": pa.nulls(3, pa.float64()),
        }
    )
    asked_for = {"material": {}, "feed_rate": 1.8, "min_grade": 0.98, "confidence": 0.9}
    site = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 5.0, "high": 20.0}}})
    found = untried(table, GRAVITY_TABLE, site, Basis(**{**asked_for, **change}))
    assert len(found) == len(said)
    assert all(warning.startswith(start) for warning, start in zip(found, said, strict=True))


# ------------------------------------------------------------------ settings that are sure enough


def test_settings_that_are_not_sure_rank_below_all_others_by_worth_times_chance():
    region, worth, chance = deck_of_two()
    points = np.array([[0, 15], [7, 2], [10, 10], [20, 0]])
    assert chance(points) == pytest.approx([0.85, 0.84, 0.7, 0.6])
    found = Search(region, chance, 0.85).sure_first(worth)(points)
    assert found == pytest.approx([0.65, -1 + 0.84 * 0.59, -1 + 0.7 * 0.7, -1 + 0.6 * 0.7])
    assert [Search(region, chance, at).sure(points[0]) for at in (0.85, 0.86)] == [True, False]


def test_settings_are_moved_until_most_of_the_gain_is_reached():
    """Both settings add alike up to 10 steps each; all settings are sure. The best has both at 10;
    the first move reaches half of the gain, the second all of it."""
    region, _, _ = deck_of_two()
    search = Search(region, lambda index: np.ones(len(index)), 0.5)

    def both(index):
        return 0.02 * np.minimum(index, 10).sum(axis=1)

    now, best = np.array([0, 0]), np.array([10, 10])
    assert both(search.simplest(both, now, best)[None])[0] == pytest.approx(0.4)

    def mostly_one(index):
        return 0.04 * np.minimum(index[:, 0], 10) + 0.005 * np.minimum(index[:, 1], 10)

    assert search.simplest(mostly_one, now, best).tolist()[1] == 0
    assert search.simplest(mostly_one, best, best).tolist() == [10, 10]


def test_moved_settings_are_adjusted_together_as_long_as_that_is_better():
    """Only settings with both at the same step are worth anything, so that every gain takes a step
    of both, of 4 at most: five rounds lead to step 20."""
    region, _, _ = deck_of_two()

    def ridge(index):
        return np.where(index[:, 0] == index[:, 1], 0.02 * index[:, 0], 0.0)

    search = Search(region, lambda index: np.ones(len(index)), 0.5)
    point, value = search._adjust(ridge, np.array([0, 0]), 0.0, {0, 1})
    assert (point.tolist(), value) == ([20, 20], pytest.approx(0.4))
    point, value = search._adjust(ridge, np.array([3, 3]), 0.06, {0})
    assert (point.tolist(), value) == ([3, 3], 0.06)


def test_without_a_way_to_be_sure_the_best_is_kept():
    """From settings that are not sure, no single move leads to sure ones: only both together."""
    region, worth, _ = deck_of_two()

    def chance(index):
        return np.where((index[:, 0] == 5) & (index[:, 1] == 5), 0.9, 0.1)

    search = Search(region, chance, 0.8)
    found = search.simplest(worth, np.array([15, 15]), np.array([5, 5]))
    assert search.sure(found)


def test_the_best_start_is_the_worthiest_of_the_sure_ones():
    region, _, chance = deck_of_two()
    search = Search(region, chance, 0.85)
    starts = np.array([[20, 20], [0, 3], [1, 2]])
    flat = search.best(starts, np.array([9.0, 0.1, 0.2]), lambda index: np.zeros(len(index)))
    assert flat.tolist() == [1, 2]
    point, surest = search.surest(np.array([[3, 3]]))
    assert (point.tolist(), surest) == ([0, 0], 1.0)
