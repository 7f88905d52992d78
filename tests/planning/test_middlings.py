"""Plans of decks whose middlings are sold: what they expect, and what the price of them changes."""

from __future__ import annotations

import json

import numpy as np
import pyarrow as pa
import pytest

from cli.show import plan as show
from optimizer.evidence.cautions import doubts_of_middlings
from optimizer.evidence.middlings import FEWEST
from optimizer.history.snapshot import Snapshot
from optimizer.planning.hold import expected_middlings_at
from optimizer.planning.objective import ValuePerHour
from optimizer.planning.planner import suggest
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief, Prices
from optimizer.plant.region import Region
from optimizer.plant.run_columns import OF_MIDDLINGS
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from optimizer.simulation import random_deck, random_material
from optimizer.simulation.middlings import Divider
from tests.conftest import run_table

NAMES = GRAVITY_TABLE.names
PRICES = {"product": 4.0, "middlings": 3.8, "reject": -0.5, "feed": 2.0}
DIVIDER, SEED, RUNS, GRADE = Divider(0.5), 2, 30, 0.985
PRODUCTION = Region.whole(GRAVITY_TABLE).narrow("feed_rate", 1.8, 4.0, "capacity")


@pytest.fixture(scope="module")
def mill():
    """A simulated deck with its material, and 30 runs at spread settings (seed 2)."""
    rng = np.random.default_rng(SEED)
    deck, material = random_deck(rng), random_material(rng)
    X = GRAVITY_TABLE.values(PRODUCTION.sample(2048, rng))
    true = deck.run(X, material)
    X = X[(true.failure < 0.1) & (true.recovery > 0.6)][:RUNS]
    read, middle = deck.measure(X, material, rng), DIVIDER.measure(deck, X, material, rng)
    even = read.deck_state == "even"
    shares = (middle.share, DIVIDER.share_se, middle.grade, DIVIDER.grade_se)
    columns = {
        name: pa.array(np.where(even, values, np.nan), from_pandas=True)
        for name, values in zip(OF_MIDDLINGS, shares, strict=True)
    }
    table = run_table(
        X,
        read.grade,
        read.recovery,
        read.deck_state,
        recovery_se=np.full(len(X), read.recovery_se),
        grade_count=np.full(len(X), float(read.grade_count)),
        feed_grade=np.full(len(X), material.feed_grade),
        **columns,
    )
    return deck, material, table


def brief(coffee, prices=None, **tables):
    goal = {"min_grade": GRADE, "confidence": 0.8}
    if prices is not None:
        goal |= {"maximise": "value", "prices": prices}
    return Brief.from_dict(
        {
            "material": {"feed_grade": coffee.feed_grade},
            "goal": goal,
            "capacity": {"min_feed_rate": 1.8, "max_feed_rate": 4.0},
            "trials": {"count": 1},
            **tables,
        }
    )


def value(deck, material, X):
    """True value of an hour, chance of failure and grade at settings, (n, 5)."""
    true, middle = deck.run(X, material), DIVIDER.middlings(deck, X, material)
    rest = 1.0 - true.yield_ - middle.share
    each = true.yield_ * PRICES["product"] + middle.share * PRICES["middlings"]
    each += rest * PRICES["reject"] - PRICES["feed"]
    return X[:, 0] * each, true.failure, true.grade


def priced(*left_out):
    return {name: price for name, price in PRICES.items() if name not in left_out}


@pytest.fixture(scope="module")
def plans(mill):
    _, material, table = mill
    return [
        suggest(Snapshot.of_table(table), Site(), brief(material, prices))
        for prices in (PRICES, priced("middlings"))
    ]


def test_a_price_of_middlings_leads_nearer_to_the_best_of_a_grid_of_the_truth(mill, plans):
    """65,536 settings of the simulated deck, by its true response. 30 runs leave the grade
    uncertain, and a plan that is 80 % sure of it stays below the best: nine tenths are asked for
    (seed 2; of seeds 0, 2, 3, 4 and 5 the price of middlings made the value of the chosen settings
    better in four and changed nothing in seed 3; seed 1 was not counted)."""
    deck, material, _ = mill
    grid = GRAVITY_TABLE.values(PRODUCTION.sample(1 << 16, np.random.default_rng(1)))
    worth, failure, grade = value(deck, material, grid)
    best = np.max(worth[(grade >= GRADE) & (failure < 0.1)])
    with_price, without = (
        value(deck, material, np.array([[plan.run_now.settings[n] for n in NAMES]]))[0][0]
        for plan in plans
    )
    assert without < with_price
    assert with_price > 0.9 * best


def test_a_plan_tells_the_middlings_that_it_expects(mill, plans):
    deck, material, _ = mill
    document = plans[0].as_dict()
    for said in (document["run_now"], *document["recommendations"]):
        X = np.array([[said["settings"][n] for n in NAMES]])
        true = DIVIDER.middlings(deck, X, material)
        for name, actual in (("share", true.share[0]), ("grade", true.grade[0])):
            interval = said["middlings"][name]
            # One of ten intervals misses; all are within twice their width.
            margin = interval["high"] - interval["low"]
            assert interval["low"] - margin < actual < interval["high"] + margin
            assert interval["low"] < interval["mean"] < interval["high"]
    assert document["goal"]["prices"] == {
            **PRICES, "hour": 0.0, "currency": "value", "mass_unit": "t",
        }  # fmt: skip
    assert "middlings" not in plans[1].as_dict()["goal"]["prices"]
    share = document["run_now"]["middlings"]["share"]["mean"]
    assert f"Middlings {100 * share:.1f} (" in show.plan(document)
    assert plans[0].rows()[0]["middlings_share_mean"] == pytest.approx(
        document["recommendations"][0]["middlings"]["share"]["mean"]
    )


def test_readings_without_a_price_are_said(plans):
    """One of the 30 runs of the fixture failed and has no reading."""
    said = [w for w in plans[1].warnings if "middlings" in w]
    assert said == [
        "29 runs state a middlings_share, but [goal.prices] has no price of middlings: the value "
        "of an hour takes them as reject."
    ]
    assert not any("middlings" in warning for warning in plans[0].warnings)


@pytest.mark.parametrize(
    ("kept", "said"),
    [(0, "no run states a"), (1, "only 1 run states a"), (2, "only 2 runs state a")],
)
def test_a_price_without_readings_is_said_and_changes_nothing(mill, kept, said):
    _, material, table = mill
    for name in OF_MIDDLINGS:
        values = pa.array([*table[name].to_pylist()[:kept], *[None] * (RUNS - kept)], pa.float64())
        table = table.set_column(table.column_names.index(name), name, values)
    made = situation_of(Snapshot.of_table(table), Site(), brief(material, PRICES))
    assert kept < FEWEST
    assert made.middlings is None
    at = made.evidence.inputs_today(made.tried[:4])
    S, C = np.full((1, 4), 4.0), np.full((1, 4), 1.0)
    plain = situation_of(Snapshot.of_table(table), Site(), brief(material, priced("middlings")))
    assert np.array_equal(made.objective.at(at)(S, C), plain.objective.at(at)(S, C))
    (warning,) = doubts_of_middlings(made.evidence, made.brief.goal.prices)
    assert said in warning
    assert "Weigh the middlings" in warning


def test_nothing_changes_for_runs_without_middlings(season_table):
    """A history that has the columns, all of them empty, gives the same bytes as one that does
    not."""
    empty = season_table
    for name in OF_MIDDLINGS:
        empty = empty.append_column(name, pa.nulls(len(empty), pa.float64()))
    goal = Brief.from_dict({"goal": {"min_grade": 0.985}, "trials": {"count": 1}})
    one, other = (suggest(Snapshot.of_table(t), Site(), goal) for t in (season_table, empty))
    assert json.dumps(one.as_dict()) == json.dumps(other.as_dict())
    assert "middlings" not in json.dumps(one.as_dict())


def test_the_value_of_middlings_is_at_most_what_the_product_leaves():
    """A hand-made case: half of the feed is wanted, p_w = p_u = 0.5, so half of it is product."""
    prices = Prices(product=4.0, middlings=3.0, reject=1.0)
    S, C, A = np.zeros((1, 2)), np.zeros((1, 2)), np.zeros((2, 5))
    for share, expected in ((0.2, 0.5 * 4 + 0.2 * 3 + 0.3), (0.9, 0.5 * 4 + 0.5 * 3)):
        worth = ValuePerHour(
            prices, 0.0, lambda A: np.full(len(A), 2.0), lambda A, m=share: np.full(len(A), m)
        )
        assert worth.at(A)(S, C) == pytest.approx(2.0 * expected)


def test_middlings_over_a_shift_lie_between_those_of_its_materials(mill):
    """The feed grade varied between runs; over the shift it goes from its one end to the other."""
    _, material, table = mill
    grades = np.linspace(0.90, 0.96, RUNS)
    table = table.set_column(table.column_names.index("feed_grade"), "feed_grade", pa.array(grades))
    site = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 9, "high": 14}}})
    table = table.append_column("moisture", pa.array(np.linspace(10.0, 13.0, RUNS)))

    def shares(moisture):
        made = situation_of(
            Snapshot.of_table(table), site, brief(material, material={"moisture": moisture})
        )
        values = made.evidence.space.values(made.tried[:3])
        return expected_middlings_at(made, values)

    dry, wet = shares(10.5), shares(12.5)
    over = shares({"low": 10.5, "high": 12.5})
    for one, other, both in zip(dry, wet, over, strict=True):
        ends = sorted([one.share.mean, other.share.mean])
        assert ends[0] - 1e-9 <= both.share.mean <= ends[1] + 1e-9
        assert both.grade.low < both.grade.mean < both.grade.high


def test_the_reject_of_a_deck_does_not_hold_its_middlings(mill):
    """What may go to the reject is limited: middlings that are kept do not count."""
    _, material, table = mill
    limited = brief(material, capacity={"max_reject_rate": 0.4})
    blind = table.drop_columns(list(OF_MIDDLINGS))
    kept, none = (situation_of(Snapshot.of_table(t), Site(), limited) for t in (table, blind))
    index = kept.tried
    assert none.within_capacity(index).sum() < kept.within_capacity(index).sum()
    assert np.all(kept.within_capacity(index) >= none.within_capacity(index))
