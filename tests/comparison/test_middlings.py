"""Middlings that are kept as a product, in a comparison, a batch and what to expect."""

from __future__ import annotations

import numpy as np
import pytest

from cli.show import comparison as show_comparison
from cli.show.batch import batch as show_batch
from optimizer.campaign.record import Trial
from optimizer.comparison import ComparisonRequest, Prices, compare
from optimizer.history.issued import DONE, IssuedTrial
from optimizer.history.snapshot import Snapshot
from optimizer.landscape.what_if import WhatIf
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.run_columns import OF_MIDDLINGS
from optimizer.plant.site import Site
from tests.planning.test_middlings import GRADE, brief, mill

__all__ = ["mill"]  # a fixture
HOURS, PRODUCT, REJECT, MIDDLINGS = 1000.0, 4.0, 1.0, 3.0


@pytest.fixture(scope="module")
def compared(mill):
    """The comparison of the line with itself alone, without and with a price of middlings."""
    _, material, table = mill
    asked = Brief.from_dict(
        {"material": {"feed_grade": material.feed_grade}, "goal": {"min_grade": GRADE - 0.01}}
    )
    return [
        compare(
            Snapshot.of_table(table),
            Site(),
            asked,
            ComparisonRequest(prices=Prices(PRODUCT, HOURS, REJECT, middlings=price)),
        )
        for price in (None, MIDDLINGS)
    ]


def test_a_comparison_tells_middlings_now_and_after_the_changes(compared):
    document = compared[1].as_dict()
    (line,) = document["lines"]
    assert line["causes"]
    for place in ("current", "attainable"):
        share = line[place]["middlings"]["share"]
        assert 0.0 < share["low"] < share["mean"] < share["high"] < 1.0
        assert "grade" in line[place]["middlings"]
    mean = 100 * line["attainable"]["middlings"]["share"]["mean"]
    text = " ".join(show_comparison.comparison(document).split())
    assert "Middlings now: " in text
    assert f"after the changes {mean:.1f} (" in text
    assert document["prices"]["middlings"] == MIDDLINGS
    assert "middlings" not in compared[0].as_dict()["prices"]


def test_a_price_of_middlings_counts_what_no_longer_goes_to_the_reject(compared):
    """By hand: the share that is gained, times the feed of the season, at the better price."""
    without, priced = (found.as_dict()["lines"][0]["value_per_season"] for found in compared)
    gain = float(np.mean(compared[1].lines[0].study.middlings.gain))
    assert abs(gain) > 1e-3
    tonnes = compared[1].basis.feed_rate * HOURS
    more = gain * tonnes * (MIDDLINGS - REJECT)
    assert priced["mean"] - without["mean"] == pytest.approx(more, rel=1e-3, abs=1e-3)


def test_what_if_tells_the_middlings_that_a_plan_tells(mill):
    _, material, table = mill
    situation = situation_of(Snapshot.of_table(table), Site(), brief(material))
    run_now = plan_of(situation).as_dict()["run_now"]
    found = WhatIf(situation).expected(run_now["settings"]).as_dict()
    assert found["middlings"] == run_now["middlings"]
    blind = table.drop_columns(list(OF_MIDDLINGS))
    other = WhatIf(situation_of(Snapshot.of_table(blind), Site(), brief(material)))
    assert "middlings" not in other.expected(run_now["settings"]).as_dict()


def test_a_batch_tells_the_middlings_that_were_measured():
    read = {"run_id": "deck-1-1.1", "grade": 0.98, "recovery": 0.9}
    expected = {name: {"mean": 0.9, "low": 0.8, "high": 0.95} for name in ("grade", "recovery")}

    def told(**more):
        run = {**read, **more, "air": 40.0}
        trial = IssuedTrial("deck-1-1.1", 1, 1, {"air": 40.0}, expected, DONE, run, ("air",))
        return Trial(trial, None).as_dict()

    assert set(told()["measured"]) == {"grade", "grade_se", "recovery", "recovery_se"}
    one = told(middlings_share=0.081, middlings_grade=0.86)
    assert one["measured"]["middlings_share"] == 0.081
    foreseen = {"order": 1, "middlings": {"share": {"mean": 0.07, "low": 0.05, "high": 0.09}}}
    plan = {"units": {"air": "turn"}, "recommendations": [foreseen]}
    text = show_batch(
        {"batch": "deck-1-1", "line": "deck-1", "issued_at": "2026-01-05T08:00:00Z",
         "issued_by": None, "closed_at": None, "history_version": 3, "plan": plan,
         "trials": [{**one, "surprise": {"grade": None, "recovery": None}}]}
    )  # fmt: skip
    assert "middlings, share of the feed: expected 7.0 (5.0-9.0) %, measured 8.1 %" in text
    assert "grade of middlings: measured 86.0 %" in text
