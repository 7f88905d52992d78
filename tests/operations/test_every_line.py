"""Plans of every line equal the plan of each line alone, wherever they are computed."""

from __future__ import annotations

import json

import numpy as np
import pytest

from optimizer import Brief, History, Site, suggest
from optimizer.errors import InputError
from optimizer.intake.settling.load import load_table
from optimizer.operations.every_line import suggest_every_line
from optimizer.planning.planner import suggest as plan_alone
from tests.test_parallel import scheduler

__all__ = ["scheduler"]  # a fixture

SEED = 6
# The cheapest possible plan: one trial, and two settings to choose.
HELD = {"end_raise": 2.5, "side_tilt": 2.2, "eccentric_speed": 450.0}
LIMITS = {name: {"fixed": value} for name, value in HELD.items()}
BRIEF = Brief.from_dict({"goal": {"min_grade": 0.97}, "limits": LIMITS, "trials": {"count": 1}})
RUNS = 5


@pytest.fixture(scope="module")
def history(tmp_path_factory):
    """Two lines with a few runs each, and one with a single run."""
    random = np.random.default_rng(SEED)
    rows = []
    for line, n in (("deck-1", RUNS), ("deck-2", RUNS), ("new", 1)):
        for k in range(n):
            x = random.uniform(0, 1, 5)
            rows.append(
                {
                    "line": line,
                    "started_at": f"2025-03-{k + 1:02d}",
                    "feed_rate": round(1 + 2 * x[0], 1),
                    "end_raise": round(1 + 3 * x[1], 1),
                    "side_tilt": round(1 + 3 * x[2], 2),
                    "eccentric_speed": 400 + 5 * int(20 * x[3]),
                    "air": 20 + int(40 * x[4]),
                    "grade": round(0.99 - 0.03 * x[0] + 0.01 * x[1], 4),
                    "recovery": round(0.85 + 0.1 * x[0] - 0.05 * x[3], 4),
                }
            )
    history = History(tmp_path_factory.mktemp("lines") / "history")
    assert load_table(rows, history).rejected == 0
    return history


@pytest.fixture(scope="module")
def alone(history):
    """The JSON bytes of the plan of each line, each planned separately."""
    briefs = {n: BRIEF.model_copy(update={"line": n}) for n in ("deck-1", "deck-2", "new")}
    return [
        json.dumps(suggest(history.at(), Site(), brief, seed=SEED).as_dict())
        for brief in briefs.values()
    ]


@pytest.mark.parametrize("where", ["here", "processes", "cluster"])
def test_plans_of_every_line_equal_those_of_each_alone(history, alone, where, request):
    place = {"here": {}, "processes": {"workers": 2}}.get(where)
    if place is None:
        place = {"scheduler": request.getfixturevalue("scheduler")}
    made = suggest_every_line(history.at(), Site(), BRIEF, seed=SEED, **place)
    assert [json.dumps(plan.as_dict()) for plan in made.plans] == alone
    assert (made.history_version, made.refused) == (0, ())
    document = made.as_dict()
    assert (document["schema"], len(document["plans"])) == ("highside.plans/1", 3)


def test_a_line_that_cannot_be_planned_stops_no_other(history):
    tight = BRIEF.model_copy(update={"limits": {}}, deep=True)
    tight = Brief.from_dict(
        {
            "goal": {"min_grade": 0.97},
            "trials": {"count": 1},
            "capacity": {"max_product_rate": 0.01},
        }
    )
    # The line with one run has other units, so it borrows no runs from the other lines.
    feed = {"unit": "kg/h", "low": 500, "high": 9000, "step": 100}
    site = Site.from_dict({"lines": {"new": {"feed_rate": feed}}})
    made = suggest_every_line(history.at(), site, tight, seed=SEED)
    # The line with one run gets its first trials; the limits leave no setting to the other lines.
    assert [plan.line for plan in made.plans] == ["new"]
    assert [(line, error.code) for line, error in made.refused] == [
        ("deck-1", "no-capacity"),
        ("deck-2", "no-capacity"),
    ]
    assert made.as_dict()["refused"][0]["line"] == "deck-1"


def test_all_plans_are_of_one_version(history, monkeypatch):
    def plan_and_load(*arguments, **how):
        made = plan_alone(*arguments, **how)
        row = {**history.at().runs().slice(0, 1).to_pylist()[0], "run_id": f"later-{made.line}"}
        load_table([{k: v for k, v in row.items() if v is not None} | {"grade": 0.5}], history)
        return made

    monkeypatch.setattr("optimizer.operations.every_line.suggest", plan_and_load)
    made = suggest_every_line(history.at(), Site(), BRIEF, seed=SEED)
    assert {plan.history_version for plan in made.plans} == {made.history_version} == {0}
    assert [plan.runs_used for plan in made.plans] == [RUNS, RUNS, 1]
    assert history.version > 0


def test_a_brief_for_one_line_and_an_empty_history(history, tmp_path):
    with pytest.raises(InputError, match="the brief is for line 'deck-1', but every line was"):
        suggest_every_line(history.at(), Site(), BRIEF.model_copy(update={"line": "deck-1"}))
    made = suggest_every_line(History(tmp_path / "none").at(), Site(), BRIEF)
    assert made.as_dict() == {
        "schema": "highside.plans/1",
        "history_version": None,
        "plans": [],
        "refused": [],
    }
