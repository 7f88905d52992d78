"""Hill climbing, solved by hand on the whole numbers."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.numerics.lattice_climb import climb, distinct_in_order, keys, top


class Hill:
    """Minus the distance to 10, and both neighbors of each point; counts what is scored."""

    def __init__(self) -> None:
        self.scored: list[list[int]] = []

    def score(self, points):
        self.scored.append(points[:, 0].tolist())
        return -np.abs(points[:, 0] - 10.0)

    def neighbors(self, points):
        return np.concatenate([points - 1, points + 1])


def climbed(start: list[int], rounds: int, **options):
    hill = Hill()
    points = np.array(start)[:, None]
    points, values = climb(
        points, -np.abs(points[:, 0] - 10.0), hill.score, hill.neighbors, rounds, **options
    )
    return hill.scored, points[:, 0].tolist(), values.tolist()


def test_each_round_keeps_the_best_point_and_scores_its_neighbors():
    scored, points, values = climbed([2, 6, 3], 2)
    assert scored == [[5, 7], [6, 8]]
    assert points == [7, 6, 8]
    assert values == [-3.0, -4.0, -2.0]


def test_points_that_are_held_are_not_scored_again():
    scored, points, _ = climbed([5, 6], 1, climbers=2)
    assert scored == [[4, 7]]
    assert points == [6, 5, 4, 7]


def test_a_climb_ends_at_the_top_and_a_patient_one_after_its_rounds():
    assert climbed([9], 9)[0] == [[8, 10], [9, 11]]
    assert climbed([9], 4, patient=True)[0] == [[8, 10], [9, 11], [9, 11], [9, 11]]
    assert climbed([9], 0) == ([], [9], [-1.0])


def test_a_neighbor_that_is_as_good_is_no_reason_to_go_on():
    points = np.array([[4]])
    scored = []

    def flat(points):
        scored.append(len(points))
        return np.zeros(len(points))

    climb(points, np.zeros(1), flat, lambda p: p + 1, 5)
    assert scored == [1]


def test_without_a_new_neighbor_a_climb_ends():
    points, values = climb(
        np.array([[4, 1]]), np.array([1.0]), lambda _: pytest.fail("scored"), lambda p: p, 3
    )
    assert (points.tolist(), values.tolist()) == ([[4, 1]], [1.0])


def test_the_largest_come_first_and_equal_ones_in_their_order():
    assert top(np.array([1.0, 3.0, 2.0, 3.0]), 3).tolist() == [1, 3, 2]


def test_rows_are_compared_whole_and_kept_in_the_order_of_their_appearance():
    points = np.array([[2, 1], [0, 3], [2, 1], [2, 0]])
    assert distinct_in_order(points).tolist() == [[2, 1], [0, 3], [2, 0]]
    same = keys(points)[:, None] == keys(points)[None, :]
    assert np.argwhere(np.triu(same, 1)).tolist() == [[0, 2]]
