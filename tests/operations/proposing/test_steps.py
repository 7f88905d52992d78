"""The range and the step that a setting's numbers show."""

from __future__ import annotations

import numpy as np

from optimizer.operations.proposing.steps import shown_by


def test_a_knob_that_always_stood_at_nothing_gets_no_range_below_it():
    found = shown_by(np.zeros(4), 1.0)
    assert (found.low, found.high, found.step, found.single) == (0.0, 1.0, 1.0, True)


def test_numbers_below_zero_keep_their_sign():
    found = shown_by(np.full(4, -2.0), 1.0)
    assert (found.low, found.high) == (-3.0, -1.0)
