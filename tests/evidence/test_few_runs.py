"""What a few runs give as evidence: the line, the runs it borrows, its days, its drift."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pyarrow as pa
import pytest
from scipy.special import expit, logit

from optimizer.evidence import borrowing, drift_now
from optimizer.evidence.assembly import evidence_of
from optimizer.evidence.borrowing import FEWEST_OWN, knows_enough, runs_to_learn_from
from optimizer.evidence.columns import codes_of, column_reader, settings_of
from optimizer.evidence.drift_now import NOTHING, DriftNow, drift_at
from optimizer.evidence.occasions import days_since_1970, occasions_of
from optimizer.evidence.unlogged import LEAST_P, Unlogged, _slopes
from optimizer.interval import Interval
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from tests.conftest import run_table

AIR = GRAVITY_TABLE.names.index("air")


def settings(n, seed=0):
    rng = np.random.default_rng(seed)
    return GRAVITY_TABLE.values(rng.integers(0, [s.top for s in GRAVITY_TABLE.settings], (n, 5)))


def runs(n, line="deck-1", seed=0, **columns):
    grade = np.linspace(0.96, 0.98, n)
    return run_table(settings(n, seed), grade, np.full(n, 0.9), line=line, **columns)


def evidence(table, **brief):
    return evidence_of(table, Site(), Brief.from_dict(brief))


def keys(said):
    return [getattr(sentence, "key", "") for sentence in said]


# ------------------------------------------------------------------ the line


def later(table, hours):
    """The same runs, so many hours later, under other ids."""
    micro = table["started_at"].cast("int64").to_numpy() + hours * 3_600_000_000
    at = table.column_names.index("started_at")
    return table.set_column(at, "started_at", pa.array(micro, pa.timestamp("us", "UTC")))


def test_the_line_is_that_of_the_brief_else_that_of_the_latest_run():
    both = pa.concat_tables([later(runs(9, "a"), 99), runs(10, "b", 1)])
    found = evidence(both)
    assert found.line == "a"
    assert "line_not_named" in keys(found.warnings)
    assert evidence(both, line="b").line == "b"
    assert evidence(runs(9, "only")).line == "only"
    assert "line_not_named" not in keys(evidence(runs(9, "only")).warnings)
    alike = pa.concat_tables([runs(9, "a"), runs(9, "b", 1)])
    undated = alike.set_column(2, "started_at", pa.nulls(18, pa.timestamp("us", "UTC")))
    assert evidence(undated).line == "b"
    assert evidence(pa.concat_tables([undated, undated.slice(0, 1)])).line == "a"


def test_a_line_without_runs_is_said_with_the_nearest_name():
    found = evidence(runs(9, "deck-1"), line="deck-7")
    (said,) = [s for s in found.warnings if getattr(s, "key", "") == "line_without_runs"]
    assert said.values["line"] == "deck-7"
    assert said.values["hint"].key == "did_you_mean"
    other = evidence(runs(9, "deck-1"), line="oven")
    (said,) = [s for s in other.warnings if getattr(s, "key", "") == "line_without_runs"]
    assert said.values["hint"].key == "known_here"


def test_columns_of_numbers_that_the_site_does_not_declare_are_named():
    table = runs(9, moisture=np.full(9, 10.0), empty=pa.nulls(9, pa.float64()), word=["x"] * 9)
    said = [s for s in evidence(table).warnings if getattr(s, "key", "") == "variable_not_used"]
    assert [s.values["name"] for s in said] == ["moisture"]


def test_readings_of_runs_become_evidence_with_their_errors():
    table = runs(3, grade_se=[0.01, np.nan, np.nan], feed_grade=[0.9, 0.91, 0.92],
                 grade_count=[np.nan, 500.0, np.nan])  # fmt: skip
    found = evidence(table)
    assert found.grade.tolist() == [0.96, 0.97, 0.98]
    assert found.readings.grade_se[0] == 0.01
    assert found.readings.grade_count[1] == 500.0
    assert expit(found.feed_odds) == pytest.approx([0.9, 0.91, 0.92])
    assert found.feed_grade_known
    assert found.number.tolist() == [0.0, 0.0, 0.0]
    assert (found.borrowed, found.shift, found.by_line) == (None, None, False)
    per_cent = Site.from_dict({"material": {"feed_grade": {"unit": "%", "low": 50, "high": 100}}})
    table = runs(3, feed_grade=[90.0, 91.0, 92.0], feed_grade_se=[1.0, 1.0, 1.0])
    other = evidence_of(table, per_cent, Brief())
    assert expit(other.feed_odds) == pytest.approx([0.9, 0.91, 0.92])
    # An error of 0.01 at 0.91 is 0.01 / (0.91 x 0.09) logits.
    assert np.sqrt(other.readings.feed_variance[1]) == pytest.approx(0.01 / 0.0819, rel=0.1)


def test_a_deck_that_does_not_say_how_it_ran_ran_even():
    table = run_table(settings(3), [0.97] * 3, [0.9] * 3, state=["even", "boiling", None])
    assert evidence(table).even.tolist() == [True, False, True]


def test_the_moment_of_a_plan_is_that_of_the_brief_else_that_of_the_latest_run():
    table = runs(3)
    assert evidence(table).now == np.datetime64("1970-01-01T02:00", "us")
    found = evidence(table, goal={"at": "2026-05-04 12:00"})
    assert found.now == np.datetime64("2026-05-04T12:00", "us")
    undated = table.set_column(2, "started_at", pa.nulls(3, pa.timestamp("us", "UTC")))
    assert evidence(undated).now is None


def test_inputs_hold_settings_today_s_material_and_the_group():
    found = evidence(pa.concat_tables([runs(9, "a"), runs(10, "b", 1)]), line="a")
    assert found.by_line
    unit = GRAVITY_TABLE.to_unit(found.settings)
    assert found.inputs[:, :5] == pytest.approx(unit, abs=1e-8)
    assert found.inputs[:, -1].tolist() == [0.0] * 9
    assert set(found.borrowed.inputs[:, -1]) == {1.0}
    here = found.inputs_at(found.settings[:2])
    assert here == pytest.approx(found.inputs[:2], abs=1e-8)
    alone = found.alone()
    assert (alone.by_line, alone.borrowed) == (False, None)
    assert alone.inputs.shape[1] == found.inputs.shape[1] - 1
    part = found.take(np.arange(9) < 4)
    assert (len(part.grade), part.today.tolist()) == (4, found.today.tolist())
    assert found.set_points == 9


# ------------------------------------------------------------------ borrowed runs


def learn(table, line="a"):
    warnings = []
    return *runs_to_learn_from(table, line, Site(), warnings), keys(warnings)


def test_a_line_with_few_runs_learns_from_other_lines_too():
    others = [runs(8, "b", 1), runs(7, "c", 2), runs(12, "d", 3)]
    found, number, said = learn(pa.concat_tables([runs(5, "a"), *others]))
    # Line c has too few runs to say anything.
    assert number.tolist() == [1.0] * 8 + [2.0] * 12 + [0.0] * 5
    assert found["line"].to_pylist() == ["b"] * 8 + ["d"] * 12 + ["a"] * 5
    assert said == ["borrowed"]


def test_at_most_so_many_runs_are_borrowed_evenly_over_time(monkeypatch):
    monkeypatch.setattr(borrowing, "MOST_BORROWED", 20)
    table = pa.concat_tables([runs(5, "a"), runs(50, "b", 1), runs(50, "c", 2)])
    found, number, _ = learn(table)
    assert number.tolist() == [1.0] * 10 + [2.0] * 10 + [0.0] * 5
    hours = found["started_at"].cast("int64").to_numpy()[:10] / 3.6e9
    assert (hours[0], hours[-1]) == (0.0, 49.0)
    assert set(np.diff(hours)) <= {5.0, 6.0}


def test_a_line_that_knows_enough_borrows_nothing():
    own = runs(FEWEST_OWN, "a")
    assert knows_enough(own, GRAVITY_TABLE)
    assert not knows_enough(own.slice(1), GRAVITY_TABLE)
    assert not knows_enough(own.slice(0, 0), GRAVITY_TABLE)
    assert not knows_enough(pa.concat_tables([own.slice(1)] * 2), GRAVITY_TABLE)
    found, number, said = learn(pa.concat_tables([own, runs(12, "b", 1)]))
    assert (found.num_rows, number.tolist(), said) == (FEWEST_OWN, [0.0] * FEWEST_OWN, [])
    alone, number, _ = learn(runs(5, "a"))
    assert (alone.num_rows, number.tolist()) == (5, [0.0] * 5)
    assert learn(runs(5, "a"), None)[0].num_rows == 0


def test_failed_runs_of_other_lines_are_not_borrowed():
    failed = runs(12, "b", 1)
    at = failed.column_names.index("recovery")
    failed = failed.set_column(at, "recovery", pa.array([None] * 5 + [0.9] * 7, pa.float64()))
    found, number, said = learn(pa.concat_tables([runs(5, "a"), failed]))
    assert (found.num_rows, number.tolist(), said) == (5, [0.0] * 5, [])


# ------------------------------------------------------------------ columns


def test_columns_are_read_by_name_with_nothing_where_there_is_none():
    table = pa.table({"a": pa.array([1.0, None]), "lot": ["x", None]})
    column = column_reader(table)
    assert column("a")[0] == 1.0
    assert np.isnan(column("a")[1])
    assert np.isnan(column("b")).tolist() == [True, True]
    assert codes_of(table, "lot").tolist() == [0, -1]
    assert codes_of(table, "other").tolist() == [-1, -1]
    texts = pa.table({"lot": ["b", "a", "b", "", "c"]})
    assert codes_of(texts, "lot").tolist() == [1, 0, 1, -1, 2]


def test_settings_of_another_number_of_gates_are_taken_along_the_deck():
    two = GRAVITY_TABLE.with_gates("air", 2)
    plain = {name: [1.0, 2.0] for name in GRAVITY_TABLE.names}
    one = pa.table({**plain, "air": [30.0, 40.0]})
    assert settings_of(one, two)[:, 4:].tolist() == [[30.0, 30.0], [40.0, 40.0]]
    gated = {k: v for k, v in plain.items() if k != "air"}
    gated |= {"air_1": [30.0, 10.0], "air_2": [50.0, 20.0]}
    assert settings_of(pa.table(gated), two)[:, 4:].tolist() == [[30.0, 50.0], [10.0, 20.0]]
    assert settings_of(pa.table(gated), GRAVITY_TABLE)[:, AIR].tolist() == [40.0, 15.0]
    three = GRAVITY_TABLE.with_gates("air", 3)
    assert settings_of(pa.table(gated), three)[0, 4:].tolist() == [30.0, 40.0, 50.0]


# ------------------------------------------------------------------ days and lots


def test_days_and_lots_of_runs_and_of_the_moment_are_numbered():
    table = later(runs(4, lot=["x", "y", None, "y"]), 22)  # hours 22, 23, 24 and 25
    found = occasions_of(evidence(table, goal={"at": "1970-01-02 02:00"}))
    assert found.time == pytest.approx(np.array([22, 23, 24, 25]) / 24)
    assert found.day.tolist() == [0, 0, 1, 1]
    assert (found.now, found.day_now) == (pytest.approx(26 / 24), 1)
    assert found.lot.tolist() == [0, 1, -1, 1]
    assert found.lot_now == 1
    next_day = occasions_of(evidence(table, goal={"at": "1970-01-03 02:00"}))
    assert (next_day.day_now, next_day.lot_now) == (2, -1)
    between = occasions_of(evidence(table, goal={"at": "1970-01-02 00:30"}))
    assert between.lot_now == -1  # the run of lot y is later
    assert days_since_1970(np.array(["1970-01-03T12:00"], "datetime64[us]")) == [2.5]


def test_without_times_there_are_no_occasions():
    table = runs(3)
    undated = table.set_column(2, "started_at", pa.nulls(3, pa.timestamp("us", "UTC")))
    assert occasions_of(evidence(undated)) is None


def test_borrowed_runs_have_no_day_and_no_lot():
    table = pa.concat_tables([runs(9, "a", lot=["x"] * 9), runs(8, "b", 1, lot=["x"] * 8)])
    found = occasions_of(evidence(table, line="a"))
    assert found.day.tolist() == [0] * 9 + [-1] * 8
    assert found.lot.tolist() == [0] * 9 + [-1] * 8
    assert np.isnan(found.time[9:]).all()


# ------------------------------------------------------------------ drift

WANTED, UNWANTED, FEED = 0.9, 0.2, 0.8
S, C = logit(WANTED) - logit(UNWANTED), logit(WANTED) + logit(UNWANTED)


def grade_and_recovery(sharpness, balance):
    """By the two-product formula."""
    wanted, unwanted = expit(0.5 * (balance + sharpness)), expit(0.5 * (balance - sharpness))
    return np.array([FEED * wanted / (FEED * wanted + (1 - FEED) * unwanted), wanted])


def slopes():
    """Derivatives of grade, then of recovery, by S and C, as differences."""
    h = 1e-5
    by_s = (grade_and_recovery(S + h, C) - grade_and_recovery(S - h, C)) / (2 * h)
    by_c = (grade_and_recovery(S, C + h) - grade_and_recovery(S, C - h)) / (2 * h)
    return np.column_stack([by_s, by_c])


def deck(weekly):
    """Two members that agree on the mean of S and of C at any settings."""
    mean = np.array([[[S + 0.1], [C - 0.1]], [[S - 0.1], [C + 0.1]]])
    effects = None if weekly is None else SimpleNamespace(weekly=weekly)
    return SimpleNamespace(latent=lambda A: SimpleNamespace(mean=mean), time_effects_=effects)


def drift(weekly, dated=True):
    table = runs(3)
    if not dated:
        table = table.set_column(2, "started_at", pa.nulls(3, pa.timestamp("us", "UTC")))
    found = evidence(table)
    return drift_at(deck(weekly), found, found.settings[:1], float(logit(FEED)))


def test_a_drift_of_sharpness_and_balance_is_one_of_grade_and_recovery():
    """Independent: slopes as differences of the two-product formula; 90 % of a normal lie within
    1.645 standard deviations."""
    mean, covariance = np.array([0.02, -0.05]), np.array([[4e-4, 1e-4], [1e-4, 9e-4]])
    found = drift(SimpleNamespace(mean=mean, covariance=covariance))
    for row, change in zip(slopes(), (found.grade, found.recovery), strict=True):
        off = 1.645 * np.sqrt(row @ covariance @ row)
        assert change.mean == pytest.approx(row @ mean, rel=1e-3)
        assert change.low == pytest.approx(row @ mean - off, rel=1e-2)
        assert change.high == pytest.approx(row @ mean + off, rel=1e-2)


def test_no_drift_is_told_apart_from_not_knowing():
    assert drift(None) == DriftNow(NOTHING, NOTHING)
    assert drift(None, dated=False) is None
    assert not DriftNow(NOTHING, NOTHING).worth_saying


@pytest.mark.parametrize(
    ("change", "worth"),
    [((0.0006, 0.0001, 0.0011), True), ((0.0005, 0.0001, 0.0011), True),
     ((0.0004, 0.0001, 0.0011), False), ((0.01, -0.001, 0.021), False),
     ((-0.0006, -0.001, -0.0001), True), ((0.01, 0.0, 0.02), False)],
)  # fmt: skip
def test_a_drift_is_worth_saying_where_it_is_large_and_certain(change, worth):
    assert drift_now._worth_saying(Interval(*change)) == worth
    assert DriftNow(NOTHING, Interval(*change)).worth_saying == worth


def test_a_drift_is_told_in_points_with_its_ends():
    found = DriftNow(Interval(-0.004, -0.006, -0.002), Interval(0.003, 0.001, 0.005))
    fall, rise = found.sentence.values["changes"]
    assert (fall.key, rise.key) == ("falls_by", "rises_by")
    assert [fall.values[k] for k in ("mean", "low", "high")] == pytest.approx([0.4, 0.2, 0.6])
    assert [rise.values[k] for k in ("mean", "low", "high")] == pytest.approx([0.3, 0.1, 0.5])
    both = DriftNow(found.grade, NOTHING, "season")
    assert both.sentence.key == "drift_twice"
    assert DriftNow(NOTHING, NOTHING, "season").sentence == "season"
    assert both.as_dict()["worth_saying"] is True
    assert both.as_dict()["grade_per_week"]["mean"] == -0.004


def test_the_slopes_of_what_is_not_logged_are_those_of_the_two_product_formula():
    assert _slopes(deck(None), np.zeros((1, 5)), float(logit(FEED))) == pytest.approx(
        slopes(), rel=1e-4, abs=1e-6
    )


def test_what_is_not_logged_is_told_below_a_chance_of_one_in_twenty():
    def found(p, by="lot"):
        return Unlogged("a", by, 0.001, 0.008, p)

    assert [found(p).found for p in (0.0499, 0.05)] == [True, False]
    assert found(0.05).sentences == ""
    said = found(0.03).sentences
    assert (said.key, said.values["grade"], said.values["recovery"]) == (
        "unlogged_by_lot", pytest.approx(0.1), pytest.approx(0.8),
    )  # fmt: skip
    assert [found(p).sentences.values["p"].key for p in (LEAST_P, 0.9 * LEAST_P)] == [
        "p_value", "p_below",
    ]  # fmt: skip
    assert found(0.5).as_dict()["measure"] == []
    assert len(found(0.01, "day").as_dict()["measure"]) == 4
