"""The document of a landscape, written out by hand from small records."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from optimizer.interval import Interval, Intervals
from optimizer.landscape.record import Effect, Landscape, Map, Stretch, Surroundings, Today
from optimizer.planning.plan import TradeOffPoint
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE

AIR = GRAVITY_TABLE["air"]


def ends(mean, low, high):
    return {"mean": mean, "low": low, "high": high}


def test_today_tells_limits_capacity_trials_and_the_deck():
    gate = GRAVITY_TABLE.with_gates("air", 2)["air_1"]
    brief = Brief.from_dict(
        {
            "capacity": {"max_product_rate": 2.0},
            "trials": {"settle_minutes": 12, "sample_minutes": 7, "material_available": 9.0},
        }
    )
    found = Today("mill", brief, ((AIR, 31.0, 44.0), (gate, 30.0, 50.0)), {"air": 33.0}).as_dict()
    one = {"unit": AIR.unit, "max_change": AIR.max_change}
    assert found == {
        "site": "mill",
        "settings": [
            {"name": "air", "low": 31.0, "high": 44.0, **one},
            {"name": "air_1", "low": 30.0, "high": 50.0, **one, "max_taper": gate.max_taper},
        ],
        "capacity": {"max_product_rate": 2.0},
        "trials": {
            "settle_minutes": 12, "sample_minutes": 7, "material_available": 9.0,
            "minutes_available": None,
        },
        "start": {"air": 33.0},
    }  # fmt: skip


def test_a_stretch_tells_what_is_known_of_it():
    full = Stretch("2026-01-05", 5, 1, 2, Interval(0.98, 0.97, 0.99), Interval(0.8, 0.7, 0.9),
                   1 / 3, 0.85)  # fmt: skip
    told = {"from": "2026-01-05", "runs": 5, "failed": 1, "new_set_points": 2}
    assert full.as_dict() == {
        **told, "grade": ends(0.98, 0.97, 0.99), "recovery": ends(0.8, 0.7, 0.9),
        "met": 0.333333, "best_so_far": 0.85,
    }  # fmt: skip
    bare = replace(full, grade=None, recovery=None, met=None, best_so_far=None)
    assert bare.as_dict() == {
        **told,
        "grade": None,
        "recovery": None,
        "met": None,
        "best_so_far": None,
    }


EFFECT = Effect(
    setting=AIR, now=33.0, low=31.0, high=44.0, levels=np.array([31.0, 33.0]),
    expected=SimpleNamespace(
        grade=Intervals(*np.array([[0.9, 0.8], [0.7, 0.6], [0.95, 0.9]])),
        recovery=Intervals(*np.array([[0.5, 0.4], [0.3, 0.2], [0.6, 0.5]])),
        chance_of_grade=np.array([1 / 3, 0.2]), chance_even=np.array([0.9, 2 / 3]),
    ),
    reading_levels=np.array([32.0]), reading_grade=np.array([0.91]),
    reading_recovery=np.array([0.51]),
)  # fmt: skip
MAP = Map("air", "feed_rate", np.array([31.0, 33.0]), np.array([2.0]), np.array([[0.1, 1 / 3]]),
          np.array([[0.3, 0.4]]), np.array([[0.5, 2 / 3]]))  # fmt: skip


def test_effects_and_maps_tell_levels_and_what_to_expect_there():
    assert EFFECT.as_dict() == {
        "setting": "air", "unit": AIR.unit, "now": 33.0, "low": 31.0, "high": 44.0,
        "levels": [31.0, 33.0],
        "grade": ends([0.9, 0.8], [0.7, 0.6], [0.95, 0.9]),
        "recovery": ends([0.5, 0.4], [0.3, 0.2], [0.6, 0.5]),
        "chance_of_grade": [0.333333, 0.2], "chance_even": [0.9, 0.666667],
        "readings": {"level": [32.0], "grade": [0.91], "recovery": [0.51]},
    }  # fmt: skip
    assert MAP.as_dict() == {
        "x": "air", "y": "feed_rate", "x_levels": [31.0, 33.0], "y_levels": [2.0],
        "chance_of_grade": [[0.1, 0.333333]], "chance_even": [[0.3, 0.4]],
        "recovery": [[0.5, 0.666667]],
    }  # fmt: skip


POINT = TradeOffPoint(0.98, Interval(0.99, 0.98, 1.0), Interval(0.8, 0.7, 0.9), {"air": 33.0})


def land(drawn=MAP, min_grade=0.97, known=True, **more):
    around = Surroundings((POINT,), (EFFECT,), drawn) if known else None
    return Landscape(
        SimpleNamespace(line="deck-1", history_version=4, seed=7, min_grade=min_grade),
        SimpleNamespace(as_dict=lambda: "today"),
        SimpleNamespace(as_dict=lambda names: ("points", names)), ("air",),
        (SimpleNamespace(as_dict=lambda: "stretch"),), around, **more,
    ).as_dict()  # fmt: skip


WITHOUT = {
    "schema": "highside.landscape/1", "line": "deck-1", "history_version": 4, "seed": 7,
    "today": "today", "points": ("points", ("air",)), "progress": ["stretch"],
}  # fmt: skip


def test_a_landscape_tells_what_surrounds_the_settings_to_run_now_where_there_are_any():
    around = {"trade_off": [POINT.as_dict()], "effects": [EFFECT.as_dict()]}
    assert land() == {**WITHOUT, **around, "map": MAP.as_dict()}
    assert land(known=False) == WITHOUT
    # Without a grade to reach there is no map; with one setting there is no map of two.
    assert land(min_grade=None, drawn=None) == {**WITHOUT, **around, "map": None}
    assert land(drawn=None) == {**WITHOUT, **around, "map": {}}


@pytest.mark.parametrize("zone", ["UTC", "Asia/Tokyo"])
def test_a_time_zone_is_told_where_it_is_not_the_usual_one(zone):
    assert land(known=False, time_zone=zone).get("time_zone") == (zone if zone != "UTC" else None)
