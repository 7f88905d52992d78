"""The lattice on which points are searched: small ones, whose points can be counted."""

from __future__ import annotations

import numpy as np
import pytest
from skopt.space import Categorical, Dimension, Integer, Real

from optimizer.errors import InputError
from optimizer.interop.lattice import POOL, Lattice, _levels, space_of
from optimizer.numerics.lattice_climb import keys

SMALL = [Integer(0, 10), Categorical(["a", "b", "c"])]


def seeded():
    return np.random.default_rng(0)


def lattice(*dimensions):
    return Lattice(space_of(dimensions))


class NoDirections:
    """A generator whose random directions lead nowhere."""

    def standard_normal(self, shape):
        return np.zeros(shape)


def test_a_space_is_made_of_copies_that_keep_what_their_dimensions_state():
    given = [
        Real(1e-3, 10.0, "log-uniform", base=2, name="rate"),
        Integer(2, 9, name="number"),
        Categorical(["a", "b"], prior=[0.3, 0.7], name="kind"),
    ]
    made = space_of(given).dimensions
    assert [d.name for d in made] == ["rate", "number", "kind"]
    assert [tuple(d.bounds) for d in made[:2]] == [(1e-3, 10.0), (2, 9)]
    assert (made[0].prior, made[0].base) == ("log-uniform", 2)
    assert (made[2].categories, made[2].prior) == (("a", "b"), [0.3, 0.7])
    assert not any(new is old for new, old in zip(made, given, strict=True))


def test_another_kind_of_dimension_is_refused():
    class Odd(Dimension):
        name = "odd"

    with pytest.raises(InputError, match="is of no kind that is searched"):
        space_of([Odd()])


def test_coordinates_go_from_0_to_1_and_a_category_has_one_for_each():
    found = lattice(Integer(3, 7), Categorical(["a", "b", "c"]), Real(1.0, 100.0, "log-uniform"))
    index = np.array([[0, 0, 0], [1, 2, 32768], [4, 1, 65536]])
    assert found.inputs(index) == pytest.approx(
        np.array([[0.0, 1, 0, 0, 0.0], [0.25, 0, 0, 1, 0.5], [1.0, 0, 1, 0, 1.0]])
    )
    assert [found.point(row) for row in index] == [
        [3, "a", 1.0], [4, "c", pytest.approx(10.0)], [7, "b", 100.0],
    ]  # fmt: skip
    assert [type(value) for value in found.point(index[0])] == [int, str, float]


def test_the_nearest_point_is_the_one_of_the_least_distance():
    found = lattice(*SMALL, Categorical(["only"]))
    assert found.inputs(np.array([[5, 1, 0]])).tolist() == [[0.5, 0, 1, 0, 0]]
    inputs = np.array([
        [0.04, 0.9, 0.0, 0.2, 0.0],
        [0.06, 0.1, 0.3, 0.0, 1.0],
        [-3.0, 0.0, 0.4, 0.6, 0.0],
        [1.7, 1.0, 1.0, 0.0, -0.3],
        [0.94, 0.0, 1.0, 0.0, 0.0],
        [0.96, 0.0, 1.0, 0.0, 0.0],
    ])  # fmt: skip
    assert found.nearest(inputs).tolist() == [
        [0, 0, 0], [1, 1, 0], [0, 2, 0], [10, 0, 0], [9, 1, 0], [10, 1, 0],
    ]  # fmt: skip


def test_spread_points_use_every_level_about_equally_often():
    index = lattice(*SMALL).spread(330, seeded())
    for column, levels in enumerate((11, 3)):
        counts = np.bincount(index[:, column], minlength=levels)
        assert len(counts) == levels
        assert counts == pytest.approx(np.full(levels, 330 / levels), abs=4)


def test_a_step_leads_along_one_axis_to_the_ends_and_from_any_category_to_any():
    """A tenth of ten steps is one step; categories follow each other around."""
    found = lattice(*SMALL)

    def around(*row, reach=0.1):
        moved = found._around(np.array([row]), reach, NoDirections())
        return {tuple(each) for each in moved.tolist()} - {row}

    assert around(5, 1) == {(6, 1), (4, 1), (5, 2), (5, 0)}
    assert around(0, 2) == {(1, 2), (0, 0), (0, 1)}
    assert around(10, 0) == {(9, 0), (10, 1), (10, 2)}
    assert around(5, 1, reach=0.3) == {(8, 1), (2, 1), (5, 2), (5, 0)}
    assert around(5, 1, reach=0.5) == {(10, 1), (0, 1), (5, 2), (5, 0)}
    assert around(5, 1, reach=1e-4) == around(5, 1)  # at least one step
    assert found._around(np.empty((0, 2), dtype=np.int64), 0.1, NoDirections()).shape == (0, 2)


def test_random_steps_have_the_size_of_the_reach():
    found = lattice(Integer(0, 10_000), Integer(0, 1000))
    at = np.tile([5000, 500], (500, 1))
    moved = found._around(at, 0.03, seeded()).reshape(500, -1, 2)
    random = (moved - at[:, None, :])[:, 4:].reshape(-1, 2)
    assert len(random) == 500 * 4  # as many as steps along axes
    # The directions are drawn once for all points: 4 draws, as many as there are different rows.
    assert len(np.unique(random, axis=0)) == 4
    many = np.vstack([
        found._around(at[:1], 0.03, np.random.default_rng(k))[4:] - at[0] for k in range(200)
    ])  # fmt: skip
    # Standard deviations of 300 and 30, by 800 draws: four standard errors are a tenth.
    assert many.std(axis=0) == pytest.approx([300.0, 30.0], rel=0.1)


def highest_at(*row):
    return lambda index: -np.sum((index - np.array(row)) ** 2, axis=1).astype(float)


NONE = np.empty((0, 2), dtype=np.int64)


def test_the_search_finds_a_peak_of_a_fine_lattice():
    found = lattice(Real(0.0, 1.0), Real(0.0, 1.0))
    best = found.best(highest_at(12_345, 54_321), NONE, NONE, seeded())
    assert np.abs(best - [12_345, 54_321]).max() < 30  # of 65,537 levels


def test_a_narrow_peak_is_found_around_the_points_to_search_near():
    """The peak is 600 levels wide, which points spread over the lattice miss."""
    found, peak = lattice(Real(0.0, 1.0), Real(0.0, 1.0)), np.array([40_000, 20_000])

    def score(index):
        off = np.linalg.norm(index - peak, axis=1)
        return np.where(off < 300.0, 300.0 - off, 0.0)

    far = found.best(score, NONE, NONE, seeded())
    near = found.best(score, peak[None, :] + [[500, -400]], NONE, seeded())
    assert score(far[None, :])[0] == 0.0
    assert score(near[None, :])[0] > 290.0


def test_points_that_are_taken_are_not_found_and_all_others_are_one_after_another():
    found, taken = lattice(Integer(0, 2), Categorical(["a", "b", "c"])), NONE
    for _ in range(9):
        best = found.best(highest_at(2, 1), NONE, taken, seeded())
        assert best.tolist() not in taken.tolist()
        taken = np.vstack([taken, best])
    assert taken[0].tolist() == [2, 1]
    assert found.best(highest_at(2, 1), NONE, taken, seeded()) is None


def test_a_free_point_that_the_spread_misses_is_found_where_points_are_few():
    found = lattice(Integer(1, 64), Integer(1, 64))
    every, spread = found._every(), found.spread(POOL, seeded())
    assert every.tolist() == [[i, j] for i in range(64) for j in range(64)]
    missed = every[~np.isin(keys(every), keys(spread))][0]
    taken = every[np.any(every != missed, axis=1)]
    assert found.best(highest_at(0, 0), NONE, taken, seeded()).tolist() == missed.tolist()
    # Of more points no list is made.
    assert lattice(Integer(1, 2**15), Integer(1, 3))._every().shape == (0, 2)


def test_an_integer_of_more_values_than_a_continuous_dimension_has_as_many_as_that():
    levels = _levels(Integer(-10, 10**6, transform="normalize"))
    assert len(levels) == 2**16 + 1
    assert (levels[0], levels[-1]) == (-10, 10**6)
    assert np.diff(levels) == pytest.approx((10**6 + 10) / 2**16, abs=1.0)
    assert _levels(Integer(-1, 2, transform="normalize")).tolist() == [-1, 0, 1, 2]
