"""Where a deck runs even, learned from runs that failed."""

from __future__ import annotations

import numpy as np

from optimizer.model.deck_state import DeckState


def test_deck_state_learns_where_the_deck_fails():
    rng = np.random.default_rng(2)
    X = rng.random((60, 5))
    model = DeckState().fit(X, X[:, 4] < 0.6)
    A = rng.random((400, 5))
    chance = model.chance_even(A)
    assert chance[A[:, 4] < 0.4].mean() > 0.8
    assert chance[A[:, 4] > 0.8].mean() < 0.3
