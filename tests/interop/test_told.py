"""What an optimizer is told: checked, and ordered from the best trial to the worst."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.errors import InputError
from optimizer.interop.lattice import space_of
from optimizer.interop.told import Told, checked, one_each, rank

SPACE = space_of([(0.0, 1.0)])


def told(y, *constraint):
    return Told([0.5], y, None, constraint)


def test_trials_rank_by_reading_then_by_the_worst_violation_and_failures_last():
    order = [
        told(-1.0, -0.5, 0.0),  # a constraint is met at 0
        told(2.0, -0.1, -0.1),
        told(-9.0, 0.2, 0.3),
        told(-8.0, 0.4, -5.0),
        told(np.nan),
    ]
    assert sorted((order[k] for k in (3, 0, 4, 2, 1)), key=rank) == order
    assert [each.counts for each in order] == [True, True, False, False, False]
    assert [each.failed for each in order] == [False] * 4 + [True]


def test_one_of_several_points_has_one_entry_each_and_one_alone_takes_all_that_is_given():
    assert one_each("y", [1.0, 2.0], 1, several=False) == [[1.0, 2.0]]
    assert one_each("noise", None, 2, several=True) == [None, None]
    assert one_each("y", np.array([1.0, 2.0]), 2, several=True) == [1.0, 2.0]
    with pytest.raises(InputError, match="y has 3 for 2 points"):
        one_each("y", (1.0, 2.0, 3.0), 2, several=True)


@pytest.mark.parametrize("y", [None, np.nan])
def test_of_a_trial_that_failed_only_the_point_is_judged(y):
    found = checked(SPACE, [0.5], y, -1.0, "none")
    assert found.failed
    assert (found.x, found.noise, found.constraint) == ([0.5], -1.0, ())


@pytest.mark.parametrize("one", [np.float32(0.0), np.int64(0), np.bool_(False), False, 0])
def test_numbers_of_every_kind_are_taken_and_an_error_may_be_nothing(one):
    found = checked(SPACE, [0.5], one, one, one)
    assert (found.y, found.noise, found.constraint) == (0.0, 0.0, (0.0,))
    assert {type(v) for v in (found.y, found.noise, *found.constraint)} == {float}


def test_several_constraints_keep_their_order():
    assert checked(SPACE, [0.5], 1.0, None, np.array([0.1, -0.2])).constraint == (0.1, -0.2)
    assert checked(SPACE, [0.5], 1.0, None, (0.1, True)).constraint == (0.1, 1.0)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ((1.0, np.nan, None), "noise of point .* is nan"),
        ((1.0, None, -np.inf), "constraint of point .* is -inf"),
        (("1", None, None), "y of point .* is '1'"),
    ],
)
def test_what_is_no_finite_number_is_named(given, said):
    with pytest.raises(InputError, match=said) as refused:
        checked(SPACE, [0.5], *given)
    # Only a reading may be told as missing.
    assert ("failed as None" in refused.value.as_dict()["hint"]) == said.startswith("y")
