"""Fits and plans that tests have in common: equal to those made anew, hiding no changed code."""

from __future__ import annotations

import json
from contextlib import suppress

import pytest

from optimizer.history.snapshot import Snapshot
from optimizer.planning.planner import suggest
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from tests import remembered as room
from tests.remembered import Code, modules

BRIEF = {"goal": {"min_grade": 0.985}, "trials": {"count": 1}}


@pytest.fixture
def made(monkeypatch):
    """What was made in this test, fits and plans, each by one word."""
    found = []

    def counting(name, make):
        def call(*arguments):
            found.append(name)
            return make(*arguments)

        return call

    monkeypatch.setattr(room, "plan_with_model", counting("plan", room.plan_with_model))
    monkeypatch.setattr(room, "fit_surrogate", counting("fit", room.fit_surrogate))
    return found


@pytest.fixture
def asked(season_table, small_plans, remembered, monkeypatch):
    """``asked(runs, seed, **brief)`` is a plan as JSON, and what was said while it was made."""
    monkeypatch.setattr(remembered, "_kept", {})

    def call(runs=12, seed=0, **tables):
        said: list[str] = []
        snapshot = Snapshot.of_table(season_table.slice(0, runs))
        brief = Brief.from_dict({**BRIEF, **tables})
        plan = suggest(snapshot, Site(), brief, seed=seed, progress=said.append)
        return json.dumps(plan.as_dict()), said

    return call


def test_an_equal_plan_is_made_once_and_equals_one_made_anew(asked, made, remembered, monkeypatch):
    first = asked()
    assert made == ["plan", "fit"]
    assert len(first[1]) > 1
    assert asked() == first
    assert made == ["plan", "fit"]
    monkeypatch.setattr(remembered, "forgetful", True)
    assert asked() == first
    assert made == ["plan", "fit"] * 2


@pytest.mark.parametrize(
    ("change", "again"),
    [
        ({"runs": 13}, ["plan", "fit"]),
        ({"seed": 1}, ["plan", "fit"]),
        ({"goal": {"min_grade": 0.98}}, ["plan"]),
    ],
    ids=str,
)
def test_another_question_has_another_answer(asked, made, change, again):
    first = asked()
    assert asked(**change)[0] != first[0]
    assert made == ["plan", "fit", *again]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("optimizer.planning.limits.POOL", 32),
        ("optimizer.planning.stopping.FEW_RUNS", 0),
        ("optimizer.planning.planner.reason", lambda *_: "because"),
        ("optimizer.planning.situation.Situation.within_capacity", lambda self, index: 1 / 0),
        ("optimizer.gaussian_process.estimation.SEARCH_POINTS", 5),
        ("optimizer.numerics.distinct_rows.distinct_rows", None),
    ],
)
def test_whatever_of_the_code_is_replaced_the_plan_is_made_anew(
    asked, made, monkeypatch, name, value
):
    asked()
    before = len(made)
    monkeypatch.setattr(name, value)
    with suppress(ZeroDivisionError):
        asked()
    assert made[before] == "plan"
    monkeypatch.undo()


def test_every_module_behind_a_plan_is_watched():
    names = {module.__name__ for module in modules()}
    assert {"optimizer.interval", "optimizer.plant.brief", "optimizer.model.joint"} <= names
    assert Code().replaced() is None
