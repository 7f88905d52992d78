"""Settings over a shift whose material varies: sure of the grade over all of it."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.special import expit, logit

from optimizer.errors import InputError
from optimizer.evidence.shift import _nodes
from optimizer.history.snapshot import Snapshot
from optimizer.model.coordinates import from_latent
from optimizer.planning.hold import outlook, over_shift
from optimizer.planning.planner import plan_of
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief, Range
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from tests.conftest import run_table

SITE = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 8.0, "high": 16.0}}})
LOW, HIGH = 10.0, 13.0
MIDDLE = 0.5 * (LOW + HIGH)
GRADE = 0.97


@pytest.fixture(scope="module")
def history():
    """40 runs of a law in which moisture lowers the grade, with readings of known error."""
    rng = np.random.default_rng(5)
    unit = rng.random((40, 5))
    settings = GRAVITY_TABLE.low + unit * GRAVITY_TABLE.span
    settings = (
        GRAVITY_TABLE.low
        + np.rint((settings - GRAVITY_TABLE.low) / GRAVITY_TABLE.steps) * GRAVITY_TABLE.steps
    )
    moisture = rng.uniform(9.5, 13.5, 40).round(1)
    sharp = 3.9 - 2.0 * (unit[:, 2] - 0.5) ** 2 - 0.30 * (moisture - MIDDLE)
    grade = expit(sharp + 0.8 * unit[:, 3] - 0.4 + rng.normal(0, 0.1, 40))
    recovery = expit(2.5 - 1.2 * unit[:, 3] + rng.normal(0, 0.1, 40))
    table = run_table(settings, grade, recovery, moisture=moisture)
    return Snapshot.of_table(table)


def situation(history, moisture, hold="blend"):
    brief = {"material": {"moisture": moisture},
             "goal": {"min_grade": GRADE, "hold": hold}, "trials": {"count": 1}}  # fmt: skip
    return situation_of(history, SITE, Brief.from_dict(brief))


@pytest.fixture(scope="module")
def plans(history):
    """Plans for the middle, for the shift's product, and for every hour."""
    over = {"low": LOW, "high": HIGH}
    return {
        "middle": plan_of(situation(history, MIDDLE)),
        "blend": plan_of(situation(history, over)),
        "throughout": plan_of(situation(history, over, "throughout")),
    }


def test_the_plan_states_the_chance_over_the_shift_and_the_worst_material(plans):
    for hold in ("blend", "throughout"):
        told = plans[hold].as_dict()["hold"]
        assert told["over"] == {"moisture": {"low": LOW, "high": HIGH}}
        assert told["chance_of_grade"] == plans[hold].as_dict()["run_now"]["chance_of_grade"]
        assert told["worst"]["material"] == {"moisture": HIGH}
        assert any("varies over the shift (moisture 10 to 13)" in w for w in plans[hold].warnings)
    every_hour = plans["throughout"].hold
    assert every_hour["chance_of_grade"] <= every_hour["worst"]["chance_of_grade"]
    assert "hold" not in plans["middle"].as_dict()


def test_sure_over_the_shift_asks_for_more_than_sure_in_the_middle(history, plans):
    """A stricter demand cannot be met at a higher recovery."""
    assert plans["throughout"].run_now.chance_of_grade >= 0.9
    best = [plans[name].run_now.recovery.mean for name in ("middle", "blend", "throughout")]
    assert best[2] < best[1]
    there = situation(history, {"low": LOW, "high": HIGH}, "throughout")
    point = there.evidence.space.index_of(plans["middle"].run_now.settings)[0]
    assert over_shift(there, point).chance_of_grade < 0.9  # the plan for the middle is not enough


def test_equal_requests_give_equal_plans(history, plans):
    again = plan_of(situation(history, {"low": LOW, "high": HIGH}))
    assert json.dumps(again.as_dict()) == json.dumps(plans["blend"].as_dict())
    brief = Brief.from_dict(plans["blend"].as_dict()["brief"])
    assert brief.check_names(SITE).ranges == {"moisture": Range(low=LOW, high=HIGH)}


def test_a_range_without_width_is_a_value(history, plans):
    plan = plan_of(situation(history, {"low": MIDDLE, "high": MIDDLE})).as_dict()
    plain = plans["middle"].as_dict()
    assert {**plan, "brief": None} == {**plain, "brief": None}


def test_the_search_knows_nearly_the_chance_of_the_joint_draws(history):
    """Errors taken as equal at all materials are a shortlist; it must not be far off."""
    there = situation(history, {"low": LOW, "high": HIGH})
    index = there.starts[:: max(1, len(there.starts) // 12)]
    rough = outlook(there, index)[0]
    exact = np.array([over_shift(there, point).chance_before for point in index])
    assert np.max(np.abs(rough - exact)) < 0.12
    assert np.ptp(exact) > 0.3  # otherwise nothing is tested


@pytest.mark.parametrize("hold", ["blend", "throughout"])
def test_the_chance_is_that_of_a_fine_grid_of_materials(history, hold):
    """Brute force: 61 materials over the range, joint draws of the posterior at all of them."""
    there = situation(history, {"low": LOW, "high": HIGH}, hold)
    e = there.evidence
    point = there.starts[np.argsort(np.abs(outlook(there, there.starts)[0] - 0.6))[0]]
    moisture = np.linspace(LOW, HIGH, 61)
    today = np.tile(e.today, (61, 1))
    today[:, 0] = (moisture - 8.0) / 8.0
    inputs = np.vstack([e.inputs_with(point[None, :], one) for one in today])
    rng, met, each = np.random.default_rng(3), [], 400
    for pair in there.surrogate.pairs_:
        moments = pair.moments(inputs)
        covariance = pair.covariance(moments, moments)
        off = rng.multivariate_normal(np.zeros(len(covariance)), covariance, each)
        grade, recovery = from_latent(*pair.with_deviations(moments, off), e.feed_odds_today)
        ends = np.full(61, 1.0)
        ends[[0, -1]] = 0.5  # the trapezoid rule
        product = (ends * recovery).sum(1) / (ends * recovery / grade).sum(1)
        met.append((product if hold == "blend" else grade.min(axis=1)) >= GRADE)
    found = over_shift(there, point).chance_before
    assert 0.15 < found < 0.95
    assert found == pytest.approx(np.mean(met), abs=0.03)


def test_rules_of_integration_are_exact_for_cubics_and_hold_every_corner():
    rng = np.random.default_rng(1)
    for ranges in (1, 2, 3, 4):
        places, weights = _nodes(ranges)
        assert weights.sum() == pytest.approx(1.0)
        corners = {tuple(c) for c in places[np.all(np.abs(places) == 1.0, axis=1)].tolist()}
        assert len(corners) == 2**ranges
        slopes, squares = rng.normal(size=ranges), rng.normal(size=ranges)
        values = 2.0 + places @ slopes + (places**2) @ squares + (places**3) @ slopes
        assert weights @ values == pytest.approx(2.0 + squares.sum() / 3.0)


@pytest.mark.parametrize(
    ("material", "text"),
    [
        ({"moisture": {"low": 12.0, "high": 11.0}}, "moisture: low 12 is above high 11"),
        ({"moisture": {"low": 7.0, "high": 11.0}}, "7 is outside the declared range 8 to 16 %"),
        ({"moisture": {"low": "wet", "high": 11.0}}, r"expected a number \(%\), got 'wet'"),
        ({"moisture": {"low": 9.0}}, r"material\.moisture\.high: Field required"),
        ({"material": {"low": 9.0, "high": 10.0}}, "never the name of the material"),
        ({"moisture": "12 to 9 %"}, "low 12 is above high 9"),
    ],
)
def test_a_range_that_cannot_be_is_refused(material, text):
    with pytest.raises(InputError, match=text):
        Brief.from_dict({"material": material}).check_names(SITE)


def test_at_most_four_properties_vary():
    site = Site.from_dict({"material": {f"p{k}": {"low": 0.0, "high": 9.0} for k in range(5)}})
    material = {f"p{k}": "1 to 2" for k in range(5)}
    with pytest.raises(InputError, match="p4 have a range; at most 4 may"):
        Brief.from_dict({"material": material}).check_names(site)


def test_a_range_may_state_its_unit():
    site = Site.from_dict({"material": {"moisture": {"low": 0.0, "high": 1.0}}})
    found = Brief.from_dict({"material": {"moisture": "10.8 % to 12.6 %"}}).check_names(site)
    assert found.ranges["moisture"].ends == pytest.approx((0.108, 0.126))


def test_a_varying_feed_grade_moves_the_grade(history):
    """A feed of half the unwanted material gives a product of about half of it."""
    over = {"low": 0.90, "high": 0.96}
    brief = {"material": {"feed_grade": over, "moisture": MIDDLE}, "goal": {"min_grade": GRADE}}
    there = situation_of(history, SITE, Brief.from_dict(brief))
    odds = there.evidence.shift.feed_odds
    assert odds[[0, -1]] == pytest.approx(logit([0.90, 0.96]))
    assert over_shift(there, there.starts[0]).worst.material == {"feed_grade": 0.90}


def test_the_product_is_the_mean_over_the_materials_of_the_shift(history):
    wide = situation(history, {"low": 9.5, "high": 13.5})
    point, shift = wide.tried[3], wide.evidence.shift
    shares = [
        float(wide.surrogate.mean_yield(wide.evidence.inputs_with(point[None, :], today), odds)[0])
        for today, odds in zip(shift.today, shift.feed_odds, strict=True)
    ]
    feed = wide.evidence.space.named(point)["feed_rate"]
    assert wide.product_tonnes(point) == pytest.approx(feed * float(shift.share @ shares))
    assert np.ptp(shares) > 1e-4
    assert wide.product_tonnes(point) == pytest.approx(float(wide.product_rate(point[None, :])[0]))
