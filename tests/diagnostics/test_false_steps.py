"""How often a series in which nothing happens is said to have a step."""

from __future__ import annotations

import numpy as np

from optimizer.diagnostics.trend_and_steps import Known, steps


def test_rate_of_false_steps():
    # 300 quiet series at the 1 % level: 3 expected; 8 or more has probability 0.012.
    rng = np.random.default_rng(4)
    time = np.arange(60.0)
    noise = np.ones(60)
    known = Known(lambda u: u - u.mean(axis=0), noise, noise - 1.0 / 60)
    assert sum(bool(steps(rng.standard_normal(60), time, known)) for _ in range(300)) < 8
