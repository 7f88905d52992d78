"""Attribution against published games with known Shapley values."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.comparison.attribution import shapley


def game(players, value):
    """Values of all coalitions, bit j for player j."""
    return np.array(
        [value({j for j in range(players) if k >> j & 1}) for k in range(2**players)], dtype=float
    )


def test_airport_game():
    # Littlechild & Owen, Management Science 20 (1973) 370: a runway costs what its
    # largest user needs; the users of each part share the cost of that part equally.
    costs = [1.0, 4.0, 9.0]
    values = game(3, lambda users: max((costs[j] for j in users), default=0.0))
    expected = [1 / 3, 1 / 3 + 3 / 2, 1 / 3 + 3 / 2 + 5]
    assert shapley(values) == pytest.approx(expected, abs=1e-12)


def test_glove_game():
    # Two left gloves, one right; a pair is worth 1: 1/6, 1/6, 2/3 (a textbook example; from
    # memory).
    values = game(3, lambda s: float(2 in s and bool(s & {0, 1})))
    assert shapley(values) == pytest.approx([1 / 6, 1 / 6, 2 / 3], abs=1e-12)


def test_weighted_vote():
    # Quota 4 of weights 3, 2, 1, 1: 1/2, 1/6, 1/6, 1/6 (Shapley & Shubik, Am. Polit. Sci. Rev. 48,
    # 1954, 787, the index; the numbers by counting the 24 orders).
    weights = [3, 2, 1, 1]
    values = game(4, lambda s: float(sum(weights[j] for j in s) >= 4))
    assert shapley(values) == pytest.approx([1 / 2, 1 / 6, 1 / 6, 1 / 6], abs=1e-12)
