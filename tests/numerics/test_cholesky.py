"""Cholesky factors and solutions by them, compared with plain numpy."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.numerics import cholesky
from optimizer.numerics.cholesky import (
    JITTERS,
    diagonal_of,
    factorize,
    inverse,
    solve_lower,
    solve_upper,
    transposed,
    weighted_sum,
)

RNG = np.random.default_rng(1)
STACK = (lambda roots: roots @ np.swapaxes(roots, 1, 2))(RNG.standard_normal((3, 4, 6)))
K = STACK[0]
LOWER = np.linalg.cholesky(K)
B, C = RNG.standard_normal((4, 2)), RNG.standard_normal(4)


def test_a_positive_definite_matrix_and_a_stack_have_their_plain_factors():
    np.testing.assert_array_equal(factorize(K), LOWER)
    np.testing.assert_array_equal(factorize(STACK), np.linalg.cholesky(STACK))


def off_by(excess: float) -> np.ndarray:
    """A matrix of mean diagonal 7 whose least eigenvalue is 7 times minus this."""
    return 7.0 * np.array([[1.0, 1.0 + excess], [1.0 + excess, 1.0]])


@pytest.mark.parametrize(("excess", "used"), [(3e-9, 2), (3e-7, 3), (3e-5, 4)])
def test_the_least_jitter_that_suffices_is_added_relative_to_the_diagonal(excess, used):
    """The jitter must exceed the excess, by hand from the eigenvalues 2 + excess and - excess."""
    matrix = off_by(excess)
    lower = factorize(matrix)
    added = lower @ lower.T - matrix
    np.testing.assert_allclose(added, 7.0 * JITTERS[used] * np.eye(2), rtol=1e-5, atol=1e-14)


def test_one_matrix_of_a_stack_that_needs_jitter_changes_none_of_the_others():
    stack = np.array([off_by(3e-7), 5.0 * np.eye(2)])
    found = factorize(stack)
    np.testing.assert_array_equal(found[0], factorize(stack[0]))
    np.testing.assert_array_equal(found[1], np.sqrt(5.0) * np.eye(2))


def test_a_matrix_that_no_jitter_helps_is_refused():
    with pytest.raises(np.linalg.LinAlgError, match="not positive definite with any jitter"):
        factorize(np.diag([1.0, -1.0]))


def test_solutions_by_a_factor_are_those_of_its_system():
    np.testing.assert_allclose(solve_lower(LOWER, B), np.linalg.solve(LOWER, B))
    np.testing.assert_allclose(solve_lower(LOWER, C), np.linalg.solve(LOWER, C))
    np.testing.assert_allclose(solve_upper(LOWER, C), np.linalg.solve(LOWER.T, C))
    lowers, many = np.linalg.cholesky(STACK), RNG.standard_normal((3, 4, 2))
    np.testing.assert_allclose(solve_lower(lowers, many), np.linalg.solve(lowers, many))


def test_the_inverse_is_that_of_the_matrix():
    np.testing.assert_allclose(inverse(LOWER), np.linalg.inv(K))


def test_sums_and_transposes_of_a_stack_are_those_of_each_matrix():
    weights, rows = RNG.standard_normal((3, 4)), RNG.standard_normal((3, 4, 2))
    np.testing.assert_allclose(weighted_sum(weights[0], rows[0]), rows[0].T @ weights[0])
    for k, found in enumerate(weighted_sum(weights, rows)):
        np.testing.assert_allclose(found, rows[k].T @ weights[k])
        np.testing.assert_array_equal(transposed(rows)[k], rows[k].T)


def test_a_matrix_is_changed_through_its_diagonal():
    matrix = np.zeros((2, 2))
    diagonal_of(matrix)[:] += [3.0, 4.0]
    np.testing.assert_array_equal(matrix, np.diag([3.0, 4.0]))


def test_a_stack_is_factorized_in_one_call(monkeypatch):
    called = []
    plain = np.linalg.cholesky
    monkeypatch.setattr(
        cholesky.np.linalg, "cholesky", lambda m: (called.append(m.shape), plain(m))[1]
    )
    factorize(STACK)
    assert called == [(3, 4, 4)]
