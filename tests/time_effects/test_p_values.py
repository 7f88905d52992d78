"""How often days seem to differ on plants whose days do not."""

from __future__ import annotations

import numpy as np

from optimizer.time_effects.occasions import DAY
from optimizer.time_effects.variance_test import variance_test
from tests.time_effects.cases import ERROR, by_day, constant_deck, readings


def test_the_p_values_of_nothing_are_not_too_small():
    """With 400 simulated plants without an effect, as many tests at 5 % find one as chance allows:
    at most 32 of 400 (binomial, mean 20, standard deviation 4.4). There are fewer, since the slow
    component takes a part."""
    day = np.repeat(np.arange(15), 3)
    made = by_day(day, day + 0.5)
    read = [readings(np.zeros((2, len(day))), seed) for seed in range(400)]
    p = [
        variance_test(constant_deck(r, ERROR, made.cells.which), made.cells, DAY).p_value
        for r in read
    ]
    assert 1 <= np.sum(np.array(p) < 0.05) <= 32
