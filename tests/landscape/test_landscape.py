"""The landscape around a plan agrees with the plan."""

from __future__ import annotations

from itertools import pairwise

import pytest

from tests.presentation.report_case import (
    season_review,
)


def test_curves_and_maps_pass_through_the_plan():
    found = season_review()
    plan, land = found.plan.as_dict(), found.landscape.as_dict()
    now = plan["run_now"]
    curve = land["trade_off"]
    at = next(c for c in curve if c["run_now"])
    assert at["sure_grade"] == plan["goal"]["min_grade"]
    assert (at["grade"], at["recovery"]) == (now["grade"], now["recovery"])
    for better, worse in pairwise(curve):
        assert better["sure_grade"] > worse["sure_grade"]
        assert better["recovery"]["mean"] < worse["recovery"]["mean"]
    for effect in land["effects"]:
        k = effect["levels"].index(now["settings"][effect["setting"]])
        for quantity in ("grade", "recovery"):
            for end in ("mean", "low", "high"):
                assert effect[quantity][end][k] == pytest.approx(now[quantity][end], abs=2e-6)
    grid = land["map"]
    row = grid["y_levels"].index(now["settings"][grid["y"]])
    column = grid["x_levels"].index(now["settings"][grid["x"]])
    # The map shows chances before a selection; to have been selected lowers the chance of run-now.
    assert now["chance_of_grade"] <= grid["chance_of_grade"][row][column] + 2e-6
    assert now["chance_of_grade"] >= plan["goal"]["confidence"]


def test_limits_of_today_equal_those_of_the_plan():
    found = season_review()
    for trial in found.plan.recommendations:
        for limit in found.landscape.as_dict()["today"]["settings"]:
            assert limit["low"] <= trial.settings[limit["name"]] <= limit["high"]
