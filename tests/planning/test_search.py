"""The search for the best lattice point of a score."""

from __future__ import annotations

import numpy as np

from optimizer.planning.search import best_point
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE

REGION = Brief().region(GRAVITY_TABLE)
POOL = REGION.sample(300, np.random.default_rng(0))
TOPS = np.array([s.top for s in GRAVITY_TABLE.settings])
PEAK = np.rint(0.37 * TOPS).astype(np.int64)


def hill(index):
    """A score with its maximum at ``PEAK``, on a diagonal ridge that single steps climb slowly."""
    off = (index - PEAK) / TOPS
    return -np.sum(off**2, axis=1) - 20.0 * (off[:, 1] - off[:, 2]) ** 2


def test_the_top_of_a_ridge_is_found():
    point, value = best_point(hill, REGION, POOL)
    np.testing.assert_array_equal(point, PEAK)
    assert value == 0.0


def test_the_last_steps_are_taken_by_the_full_score():
    """The cheap score has its maximum a few steps away from that of the full score."""
    aside = PEAK + np.array([1, 0, 0, 1, 0])
    point, _ = best_point(hill, REGION, POOL, coarse=lambda i: hill(i - aside + PEAK))
    np.testing.assert_array_equal(point, PEAK)


def test_excluded_points_are_not_returned():
    point, value = best_point(hill, REGION, np.vstack([PEAK, POOL]), exclude=PEAK[None, :])
    assert not np.array_equal(point, PEAK)
    assert np.sum(np.abs(point - PEAK)) <= 2
    assert value == hill(point[None, :])[0]
    point, value = best_point(hill, REGION, POOL[:5], exclude=POOL[:5])
    assert value == -np.inf


def test_a_pool_with_its_first_points_excluded_and_none_feasible_has_no_best():
    """For example: a hundred settings were tried and the lot is too small for any other."""
    taken = POOL[:100]

    def score(index):
        return np.full(len(index), -np.inf)

    point, value = best_point(score, REGION, POOL, exclude=taken)
    assert value == -np.inf
    assert not np.any(np.all(point == taken, axis=1))


def test_the_pool_is_scored_unchanged():
    """Also when points are excluded: stored results are keyed by the whole set of points."""
    seen = []

    def score(index):
        seen.append(index)
        return hill(index)

    best_point(score, REGION, POOL, exclude=POOL[:7])
    assert seen[0] is POOL
