"""The document, the rows and the table of a plan, written out by hand from a small record."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest

from optimizer.evidence.middlings import ExpectedMiddlings
from optimizer.interval import Interval
from optimizer.planning.plan import (
    Change,
    PendingTrial,
    Plan,
    Recommendation,
    RunNow,
    Stopping,
    TradeOffPoint,
)
from optimizer.plant.mass import MassUnit

GRADE, RECOVERY = Interval(0.98, 0.97, 0.99), Interval(0.8, 0.7, 0.9)
TOLD = {
    "grade": {"mean": 0.98, "low": 0.97, "high": 0.99},
    "recovery": {"mean": 0.8, "low": 0.7, "high": 0.9},
}
THIRD = 0.333333
MASS = MassUnit("kg")
MIDDLINGS = ExpectedMiddlings(Interval(0.1, 0.05, 0.15), None)

NOW = RunNow({"air": 40.0}, GRADE, RECOVERY, 1 / 3, 1.5, True, chance_even=2 / 3)
TRIAL = Recommendation(
    1, {"air": 41.0}, GRADE, RECOVERY, 0.5, 0.9, 1 / 3, 1.25, 1 / 3, 30.0, "why", 2,
    (Change("air", 40.0, 41.0, "turn"),), "watch",
)  # fmt: skip
PLAN = Plan(
    line="deck-1", material={"moisture": 11.0}, seed=7, history_version=3, runs_used=20,
    set_points=12, min_grade=0.97, confidence=0.9, units={"air": "turn"}, run_now=NOW,
    recommendations=(TRIAL,), stopping=Stopping("continue", 1 / 3, "more"), warnings=("mind",),
    mass=MASS, material_units={"moisture": "%"},
)  # fmt: skip


def test_the_settings_to_run_now_are_told_with_what_is_known():
    expected = {
        "settings": {"air": 40.0}, **TOLD, "chance_of_grade": THIRD, "chance_even": 0.666667,
        "product_t_per_h": 1.5, "product_rate": 1500.0, "tried": True,
    }  # fmt: skip
    assert NOW.as_dict(MASS) == expected
    assert NOW.as_dict()["product_rate"] == 1.5
    assert replace(NOW, value_per_hour=20 / 3).as_dict(MASS) == {
        **expected,
        "value_per_hour": 6.666667,
    }
    kept = replace(NOW, middlings=MIDDLINGS).as_dict(MASS)
    assert kept == {**expected, "middlings": MIDDLINGS.as_dict()}
    bare = replace(NOW, product_t_per_h=None, chance_of_grade=None).as_dict(MASS)
    assert (bare["product_t_per_h"], bare["product_rate"], bare["chance_of_grade"]) == (None,) * 3


def test_a_trial_is_told_with_its_moves_and_its_cost():
    assert TRIAL.as_dict(MASS) == {
        "rank": 1, "order": 2, "settings": {"air": 41.0}, **TOLD, "chance_of_grade": 0.5,
        "chance_even": 0.9, "expected_gain": THIRD, "product_t_per_h": 1.25, "material_t": THIRD,
        "material_mass": 333.333333, "minutes": 30.0,
        "changes": [{"setting": "air", "from": 40.0, "to": 41.0, "unit": "turn"}],
        "why": "why", "watch": "watch",
    }  # fmt: skip
    assert replace(TRIAL, material_t=None).as_dict(MASS)["material_mass"] is None
    plain = Recommendation(1, {}, GRADE, RECOVERY, None, None, None, None, None, 30.0, "why")
    assert (plain.order, plain.changes, plain.watch, plain.middlings) == (0, (), "", None)


WITHOUT = {
    "schema": "highside.plan/1", "line": "deck-1", "material": {"moisture": 11.0}, "seed": 7,
    "history_version": 3, "runs_used": 20, "set_points": 12,
    "goal": {
        "maximise": "recovery", "min_grade": 0.97, "confidence": 0.9,
        "gain_unit": "fraction of recovery",
    },
    "brief": {}, "units": {"air": "turn"}, "material_units": {"moisture": "%"},
    "mass_unit": "kg", "run_now": NOW.as_dict(MASS),
    "recommendations": [TRIAL.as_dict(MASS)],
    "stopping": {"advice": "continue", "expected_gain": THIRD, "why": "more"},
    "sampling": None, "description": None, "drift": None, "warnings": ["mind"],
    "sentences": [],  # plain texts have no other language
}  # fmt: skip


def test_a_plan_tells_what_it_has_and_leaves_out_what_it_has_not():
    assert PLAN.as_dict() == WITHOUT
    assert replace(PLAN, run_now=None).as_dict() == {**WITHOUT, "run_now": None}
    point = TradeOffPoint(0.975, GRADE, RECOVERY, {"air": 40.0})
    part = SimpleNamespace(as_dict=lambda: "part")
    full = replace(
        PLAN, prices={"product": 4.0}, trade_off=(point,), favored=part, drift=part,
        sampling=part, hold={"over": 1}, pending=(PendingTrial(None, {"air": 44.0}),),
        brief={"line": "deck-1"},
    )  # fmt: skip
    assert full.as_dict() == {
        **WITHOUT, "goal": {**WITHOUT["goal"], "prices": {"product": 4.0}},
        "trade_off": [
            {"sure_grade": 0.975, **TOLD, "settings": {"air": 40.0}, "run_now": False}
        ],
        "description": "part", "drift": "part", "sampling": "part", "hold": {"over": 1},
        "pending": [{"trial": None, "settings": {"air": 44.0}}], "brief": {"line": "deck-1"},
    }  # fmt: skip


ROW = {
    "rank": 1, "order": 2, "line": "deck-1", "air": 41.0,
    "grade_mean": 0.98, "grade_low": 0.97, "grade_high": 0.99,
    "recovery_mean": 0.8, "recovery_low": 0.7, "recovery_high": 0.9,
}  # fmt: skip
COST = {
    "chance_of_grade": 0.5, "expected_gain": THIRD, "material_t": THIRD, "minutes": 30.0,
    "why": "why", "watch": "watch",
}  # fmt: skip


@pytest.mark.parametrize("middlings", [None, MIDDLINGS])
def test_a_row_tells_a_trial_flat(middlings):
    plan = replace(PLAN, recommendations=(replace(TRIAL, middlings=middlings),))
    own = {"mean": 0.1, "low": 0.05, "high": 0.15} if middlings else {}
    more = {f"middlings_share_{end}": value for end, value in own.items()}
    (row,) = plan.rows()
    assert row == {**ROW, **more, **COST}
    assert list(row) == [*ROW, *more, *COST]
    assert plan.table().to_pylist() == [row]
    assert plan.frame().to_dict("records") == [row]
    assert "<td>41</td>" in plan._repr_html_()
