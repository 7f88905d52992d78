"""Distinct rows, compared with ``numpy.unique``."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

import optimizer.numerics.distinct_rows
from optimizer.numerics.distinct_rows import distinct_rows


@pytest.mark.parametrize("shape", [(0, 3), (1, 1), (1, 5), (500, 1), (500, 4)])
@pytest.mark.parametrize("odd", [optimizer.numerics.distinct_rows._ODD, np.uint64(0)])
def test_distinct_rows_equal_those_of_numpy(shape, odd, monkeypatch):
    # With a factor of 0 all rows have equal hashes: collisions must be detected and resolved.
    monkeypatch.setattr(optimizer.numerics.distinct_rows, "_ODD", odd)
    rows = np.random.default_rng(3).integers(-2, 3, shape) * 0.1
    points, which = np.unique(rows, axis=0, return_inverse=True)
    ours = distinct_rows(rows)
    assert np.array_equal(ours[0], points)
    assert np.array_equal(ours[1], which.ravel())


def test_rows_that_differ_in_one_bit_or_in_order_are_distinct():
    close = np.array([[1.0, 2.0], [1.0, np.nextafter(2.0, 3.0)], [2.0, 1.0], [-0.0, 0.0], [0, 0]])
    points, which = distinct_rows(close)
    assert (len(points), which.tolist()) == (4, [1, 2, 3, 0, 0])


@pytest.mark.parametrize("levels", [[0.5, 1.0, 2.0, 4.0, 8.0], [0.0, 0.25, 0.5, 0.75, 1.0]])
def test_points_of_a_lattice_are_told_apart_without_sorting_every_row(levels, monkeypatch):
    """Settings lie on lattices, whose numbers differ in a few bits: their hashes must not be equal,
    or all rows are sorted, which takes many times longer."""
    rows = np.array(list(itertools.product(levels, repeat=5)))
    sorted_ = []
    plain = np.unique
    monkeypatch.setattr(
        np,
        "unique",
        lambda array, **options: (sorted_.append(len(array)), plain(array, **options))[1],
    )
    points, which = distinct_rows(np.vstack([rows, rows]))
    assert sorted_ == [len(rows)]
    assert len(points) == len(rows)
    assert which[: len(rows)].tolist() == which[len(rows) :].tolist()
