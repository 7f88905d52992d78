"""How many particles to count: one answer for plan, sheet and ``balance --plan``."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from optimizer.measurement import count_for_grade
from optimizer.operations.balancing.sampling_plan import plan_sampling
from tests.presentation.report_case import season_review


@pytest.mark.parametrize(("grade", "difference"), [(0.985, 0.005), (0.99, 0.005), (0.2, 0.02)])
def test_the_count_has_the_power_that_it_promises(grade, difference):
    """Two counts differ significantly four times in five, by simulation of the pooled z test."""
    found = count_for_grade(grade, difference)
    other = grade - difference if grade > 0.5 else grade + difference
    draws = np.random.default_rng(3).binomial(found.count, [[grade], [other]], (2, 40_000))
    shares = draws / found.count
    pooled = shares.mean(axis=0)
    z = (shares[0] - shares[1]) / np.sqrt(2 * pooled * (1 - pooled) / found.count)
    power = np.mean(np.abs(z) > norm.ppf(0.975))
    assert power == pytest.approx(0.8, abs=0.01)  # four standard errors of the simulation are 0.008


def test_plan_and_balance_say_the_same_count_and_why():
    plan = season_review().plan.as_dict()
    told = plan["sampling"]
    asked = plan_sampling(plan["goal"]["min_grade"], told["difference"])
    assert (told["count"], told["why"]) == (asked.count, asked.why)
    assert (told["count"], told["difference"]) == (10_795, 0.005)


@pytest.mark.parametrize(("grade", "difference"), [(1e-9, 1.0), (1.0, 0.01), (0.6, 0.7)])
def test_there_is_no_count_where_no_such_grades_exist(grade, difference):
    assert count_for_grade(grade, difference) is None
