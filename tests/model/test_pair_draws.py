"""Draws of a pair at several settings against the dense normal of the same model."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.gaussian_process.inputs import Inputs
from optimizer.model.pair_draws import PairDraws, draw_pairs
from tests.model.fitted_pairs import POINTS, case, dense


@pytest.mark.parametrize("name", ["coupled", "shares"])
def test_draws_and_what_is_left_given_each_are_those_of_the_dense_normal(name):
    """With no normals a draw is the mean; with one of them, less the mean, a column of a root of
    the covariance. The last base point is added later and changes none of the draws at the others.

    What is left follows from the joint covariance (Rasmussen & Williams, Gaussian Processes for
    Machine Learning, 2006, A.6).
    """
    made = case(name)
    (pair,) = made.candidate.members
    ask = np.random.default_rng(6).random((5, 5))
    mean, covariance = dense(made, pair, ask).conditioned()
    m = POINTS + 5
    base = np.array([POINTS, POINTS + 1, POINTS + 2])
    there = np.array([POINTS + 3, POINTS + 4])
    at, asked = np.concatenate([base, m + base]), np.concatenate([there, m + there])
    normals = np.vstack([np.zeros((1, 6)), np.eye(6)]).reshape(7, 3, 2)
    draws = PairDraws(pair, Inputs(ask[:2]), normals).extend(ask[2:3])
    S, C = draws.values
    np.testing.assert_allclose(S[0], mean[base], atol=1e-6)
    np.testing.assert_allclose(C[0], mean[m + base], atol=1e-6)
    off = np.hstack([S[1:] - S[0], C[1:] - C[0]])
    np.testing.assert_allclose(off.T @ off, covariance[np.ix_(at, at)], atol=1e-6)
    first = PairDraws(pair, Inputs(ask[:2]), normals).values
    np.testing.assert_allclose(S[:, :2], first[0], atol=1e-6)
    np.testing.assert_allclose(C[:, :2], first[1], atol=1e-6)
    gain = np.linalg.solve(covariance[np.ix_(at, at)], covariance[np.ix_(at, asked)])
    given = mean[asked] + np.hstack([S - S[0], C - C[0]]) @ gain
    left = covariance[np.ix_(asked, asked)] - covariance[np.ix_(asked, at)] @ gain
    mean_s, mean_c, s, own, cut = draws.conditional(Inputs(ask[3:]))
    np.testing.assert_allclose(np.hstack([mean_s, mean_c]), given, atol=1e-4)
    n = np.arange(2)
    np.testing.assert_allclose(s, left[n, n], atol=1e-6)
    np.testing.assert_allclose(cut * s, left[n, 2 + n], atol=1e-6)
    np.testing.assert_allclose(own + cut**2 * s, left[2 + n, 2 + n], atol=1e-6)


class Members:
    """A stack of some members, or one alone, that tells which normals it is given."""

    def __init__(self, members, stacked):
        self.members, self.stacked = members, stacked


def test_each_member_is_drawn_with_its_own_normals(monkeypatch):
    monkeypatch.setattr(
        "optimizer.model.pair_draws.PairDraws", lambda pair, base, normals: normals.tolist()
    )
    normals = np.arange(4.0).reshape(4, 1)
    pairs = [Members(1, False), Members(2, True), Members(1, True)]
    assert draw_pairs(pairs, None, normals) == [[0.0], [[1.0], [2.0]], [[3.0]]]
