"""The evidence from the runs of a line: errors that no row states, and the feed grade."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest

from optimizer import Brief, Site, suggest
from optimizer.diagnostics.noise import split_noise
from optimizer.evidence.assembly import evidence_of
from optimizer.evidence.line_model import LineModel
from optimizer.history.snapshot import Snapshot
from optimizer.planning.situation import situation_of
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import demo_deck, demo_material
from tests.conftest import run_table

FEED = 0.93


def season(runs=120, points=30, **columns):
    """Runs at a few set-points of a simulated deck, without count, stated error or feed grade."""
    rng = np.random.default_rng(5)
    values = GRAVITY_TABLE.to_unit(np.tile(GRAVITY_TABLE.low, (points, 1)))
    spread = rng.uniform([0.2, 0.2, 0.2, 0.3, 0.3], [0.7, 0.7, 0.7, 0.7, 0.6], values.shape)
    index = GRAVITY_TABLE.nearest_index(GRAVITY_TABLE.low + spread * GRAVITY_TABLE.span)
    settings = GRAVITY_TABLE.values(index)[rng.integers(points, size=runs)]
    read = demo_deck("deck-1").measure(settings, demo_material(), rng)
    return run_table(
        settings,
        np.clip(read.grade, 0.5, 0.998),
        np.clip(read.recovery, 0.05, 0.999),
        read.deck_state,
        **columns,
    )


def with_column(table, name, values):
    column = pa.array(np.asarray(values, float), from_pandas=True)
    if name in table.column_names:
        return table.set_column(table.column_names.index(name), name, column)
    return table.append_column(name, column)


def one_reading(table, name, value):
    """The table with the reading of a run in the middle replaced, and the index of that run."""
    read = table[name].to_numpy().copy()
    at = int(np.flatnonzero(np.isfinite(read))[50])
    read[at] = value
    return with_column(table, name, read), at


# ------------------------------------------------------------------ errors that no row states


@pytest.mark.parametrize("name", ["grade", "recovery"])
@pytest.mark.parametrize("value", [0.0, 1.0])
def test_one_reading_of_all_or_nothing_does_not_change_the_others(name, value):
    table, at = one_reading(season(), name, value)
    found = evidence_of(table, Site(), Brief())
    variance = getattr(found.readings, f"{name}_variance")
    assert variance[at] > 1.0  # the variance of that reading is that of few particles
    assert np.all(np.delete(variance, at) == 0.0)


def test_one_reading_of_all_does_not_change_the_noise_of_a_line():
    table = season()
    noise = []
    for runs in (table, one_reading(table, "grade", 1.0)[0]):
        found = split_noise(LineModel(evidence_of(runs, Site(), Brief()))).as_dict()
        noise.append(found["grade"]["reading_sd"])
    assert noise[1] == pytest.approx(noise[0], rel=0.02)


@pytest.mark.parametrize(("counted", "taken"), [(12, False), (50, False), (100, True)])
def test_missing_errors_are_taken_from_other_runs_only_where_most_are_stated(counted, taken):
    table = season()
    count = np.where(np.arange(table.num_rows) < counted, 20.0, np.nan)
    found = evidence_of(with_column(table, "grade_count", count), Site(), Brief())
    rest = found.readings.grade_variance[counted:]
    assert np.all(rest > 0.1) if taken else np.all(rest == 0.0)
    read = np.isfinite(found.grade[:counted])
    assert np.all(found.readings.grade_variance[:counted][read] > 0.1)


# ------------------------------------------------------------------ the grade of the feed


def in_per_cent():
    return Site.from_dict({"material": {"feed_grade": {"unit": "%", "low": 50, "high": 100}}})


def test_a_feed_grade_in_per_cent_equals_its_fraction():
    share = np.linspace(0.90, 0.96, 120)
    by_share = season(feed_grade=share)
    by_percent = with_column(by_share, "feed_grade", np.round(100 * share, 12))
    one = evidence_of(by_share, Site(), Brief.from_dict({"material": {"feed_grade": 0.95}}))
    site = in_per_cent()
    brief = Brief.from_dict({"material": {"feed_grade": 95}}).check_names(site)
    other = evidence_of(by_percent, site, brief)
    assert (other.material["feed_grade"], one.material["feed_grade"]) == (95.0, 0.95)
    np.testing.assert_allclose(other.feed_odds, one.feed_odds, rtol=1e-9)
    assert other.feed_odds_today == pytest.approx(one.feed_odds_today, rel=1e-9)
    # The declared range, 50 to 100 %, is half of the default range, so unit coordinates differ.
    np.testing.assert_allclose(other.context, 2.0 * one.context - 1.0, atol=0.03)
    assert not any("extrapolates" in w for w in other.warnings)
    left_open = evidence_of(by_percent, site, Brief())
    assert left_open.material["feed_grade"] == pytest.approx(95.7, abs=0.2)


def test_today_s_feed_grade_is_used_for_runs_without_one():
    table = season()
    found = evidence_of(table, Site(), Brief.from_dict({"material": {"feed_grade": 0.8}}))
    np.testing.assert_allclose(found.feed_odds, np.log(0.8 / 0.2))
    assert found.feed_odds_today == pytest.approx(np.log(0.8 / 0.2))
    assert any("feed_grade is in no run" in w and "0.8." in w for w in found.warnings)


ERRORS = {
    "grade_se": 0.004,
    "recovery_se": 0.006,
    "grade_recovery_correlation": -0.4,
    "feed_grade_se": 0.005,
    "grade_feed_correlation": 0.3,
    "recovery_feed_correlation": -0.6,
}
OF_FEED = ("feed_variance", "grade_feed_covariance", "recovery_feed_covariance")


def stating(feed, **changed):
    """Runs that state all their errors, and the feed grade of the first half of them."""
    table = season()
    for name, value in {**ERRORS, **changed}.items():
        table = with_column(table, name, np.full(table.num_rows, value))
    return with_column(table, "feed_grade", np.where(np.arange(table.num_rows) < 60, feed, np.nan))


@pytest.mark.parametrize("percent", [False, True])
def test_stated_errors_become_covariances_of_logits(percent):
    """By hand: an error of the share p is 1 / (p q) of it in the log odds; correlations stay."""
    scale = 100.0 if percent else 1.0
    table = stating(FEED * scale, feed_grade_se=0.005 * scale)
    found = evidence_of(table, in_per_cent() if percent else Site(), Brief())
    read, known = found.readings, found.measured & (np.arange(120) < 60)
    by_hand = 0.005 / (FEED * (1 - FEED))
    np.testing.assert_allclose(np.sqrt(read.feed_variance[known]), by_hand, rtol=0.03)
    np.testing.assert_allclose(found.feed_odds, np.log(FEED / (1 - FEED)), rtol=1e-9)
    g, r, f = map(np.sqrt, (read.grade_variance, read.recovery_variance, read.feed_variance))
    for covariance, size, expected in (
        (read.grade_recovery_covariance, g * r, -0.4),
        (read.grade_feed_covariance, g * f, 0.3),
        (read.recovery_feed_covariance, r * f, -0.6),
    ):
        np.testing.assert_allclose(covariance[known], (expected * size)[known], rtol=1e-9)


def test_a_feed_grade_that_is_taken_from_other_runs_or_set_aside_has_no_error():
    read = evidence_of(stating(FEED), Site(), Brief()).readings
    assert np.all(read.feed_variance[:60] > 0)
    for name in OF_FEED:
        assert np.all(getattr(read, name)[60:] == 0.0)
    today = Brief.from_dict({"material": {"feed_grade": 0.9}})
    for table, known in ((stating(np.nan), True), (stating(0.995), False)):
        found = evidence_of(table, Site(), today)
        assert found.feed_grade_known is known
        for name in OF_FEED:
            assert np.all(getattr(found.readings, name) == 0.0)
        measured = found.measured
        assert np.all(found.readings.grade_recovery_covariance[measured] < 0.0)


def test_a_feed_grade_that_the_readings_contradict_is_set_aside():
    found = evidence_of(season(), Site(), Brief.from_dict({"material": {"feed_grade": 0.995}}))
    assert any("contradicts grade and recovery" in w for w in found.warnings)
    assert not found.feed_grade_known


def priced(**more):
    prices = {"product": 2400.0, "reject": 900.0, "feed": 1500.0, "hour": 60.0}
    goal = {"maximise": "value", "prices": prices, "min_grade": 0.96}
    return {"goal": goal, "trials": {"count": 1}, **more}


@pytest.mark.parametrize("feed", [0.80, 0.90])
def test_value_and_product_follow_from_the_feed_grade_of_the_brief(feed):
    """By hand: the two-product formula splits the feed, Y = f R / g (conservation of the wanted
    material; B. A. Wills and J. A. Finch, Wills' Mineral Processing Technology, 8th ed. 2016,
    chapter 3, from memory)."""
    brief = Brief.from_dict(priced(material={"feed_grade": feed}))
    now = suggest(Snapshot.of_table(season()), Site(), brief).run_now
    tonnes = now.settings["feed_rate"]
    product = tonnes * feed * now.recovery.mean / now.grade.mean
    by_hand = 2400.0 * product + 900.0 * (tonnes - product) - 1500.0 * tonnes - 60.0
    assert now.product_t_per_h == pytest.approx(product, rel=0.01)
    assert now.value_per_hour == pytest.approx(by_hand, rel=0.05, abs=15.0)


def test_product_and_reject_rates_keep_to_capacity_as_the_brief_s_feed_splits():
    table = season()

    def planned(feed, **capacity):
        asked = {"material": {"feed_grade": feed}, "goal": {"min_grade": 0.96}}
        asked |= {"trials": {"count": 1}}
        return suggest(
            Snapshot.of_table(table), Site(), Brief.from_dict({**asked, "capacity": capacity})
        ).run_now

    poor, rich = (planned(f, max_product_rate=1.2) for f in (0.80, 0.94))
    assert max(poor.product_t_per_h, rich.product_t_per_h) <= 1.2 + 1e-6
    for feed, now in ((0.80, poor), (0.94, rich)):
        by_hand = now.settings["feed_rate"] * feed * now.recovery.mean / now.grade.mean
        assert by_hand == pytest.approx(now.product_t_per_h, rel=0.01)


def test_a_trade_off_begins_at_the_feed_grade_of_the_brief():
    brief = Brief.from_dict({"goal": {"maximise": "trade-off"}, "material": {"feed_grade": 0.8}})
    plan = situation_of(Snapshot.of_table(season()), Site(), brief)
    assert plan.objective.unit.endswith("averaged over grades from 0.8 to 1")


def test_an_unknown_feed_grade_is_reported_where_value_depends_on_it():
    said = suggest(Snapshot.of_table(season()), Site(), Brief.from_dict(priced())).warnings
    assert any("The feed grade is not known" in w and "value" in w for w in said)
    said = suggest(
        Snapshot.of_table(season()), Site(), Brief.from_dict(priced(material={"feed_grade": 0.9}))
    ).warnings
    assert not any("The feed grade is not known" in w for w in said)
