"""Set-points count alike in the history, a plan's evidence and wherever they are stated."""

from __future__ import annotations

import math

import numpy as np

from optimizer.history.summary import count_of_set_points
from tests.presentation.report_case import season_review


def test_equal_settings_are_one_set_point_whatever_else_differs():
    rows = np.array([[2.0, 40.0], [2.0, 40.0 + 1e-12], [2.0, 41.0], [math.nan, 41.0]])
    assert count_of_set_points(rows) == 3
    assert count_of_set_points(np.vstack([rows, [math.nan, 41.0]])) == 3


def test_plan_campaign_and_history_count_alike():
    found = season_review()
    stretches = found.landscape.as_dict()["progress"]
    assert sum(each["new_set_points"] for each in stretches) == found.plan.set_points
    # As many as ``highside history`` says of the season's first deck.
    assert found.plan.set_points == 195
