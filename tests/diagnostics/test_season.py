"""What a plan says of drift over a season: the diagnosis's own finding, never another."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.diagnostics import drift
from optimizer.diagnostics.drift import (
    ChangePoint,
    Drift,
    drifts,
    latest,
    season_drifts,
    season_sentence,
)
from optimizer.evidence.line_model import LineModel
from optimizer.planning import planner
from tests.evidence.test_occasions import found, spaced, table

TREND = Drift("deck-1", "grade", "trend", -0.0005, 1e-4, 1e-6, (), 0.9, 0.003, ())
STEP = replace(
    TREND,
    quantity="recovery",
    pattern="step",
    steps=(ChangePoint("2026-03-04", 0.021, 1e-5),),
)


@pytest.fixture(scope="module")
def falling():
    """120 runs over 30 days whose recovery falls all the time."""
    change = np.linspace(0.0, -1.0, 120)
    return found(table(spaced(120), shift=(0.0 * change, change)))


def test_a_plan_speaks_of_what_the_diagnosis_finds(falling):
    mine = season_drifts(falling, 0)
    assert mine == tuple(d for d in drifts(LineModel(falling, 0)) if d.pattern != "none")
    assert mine


def test_a_season_without_drift_has_no_sentence():
    assert season_drifts(found(table(spaced(120))), 0) == ()
    assert season_sentence(()) == ""


def test_a_plan_tells_it_with_the_change_at_present(monkeypatch, small_plans):
    monkeypatch.setattr(planner, "season_drifts", lambda *_: (TREND,))
    told = planner.suggest(table(spaced(24))).as_dict()["drift"]
    assert told["worth_saying"]
    assert told["says"].endswith(season_sentence((TREND,)))


def test_a_trend_and_a_step_are_told_in_their_own_units():
    assert season_sentence((TREND, STEP)) == (
        "Over the season grade fell by 0.4 points a week and recovery rose by 2.1 points at once "
        "about 2026-03-04 beyond settings and material."
    )


def test_of_a_long_history_the_latest_set_points_are_tested(falling, monkeypatch):
    monkeypatch.setattr(drift, "MOST_SET_POINTS", 40)
    kept = latest(falling)
    assert len(np.unique(kept.quantities, axis=0)) == 40
    assert kept.started.min() >= np.setdiff1d(falling.started, kept.started).max()
    monkeypatch.setattr(drift, "MOST_SET_POINTS", falling.set_points)
    assert latest(falling) is falling
