"""What a few runs give as evidence: the line, the runs it borrows, its days, its middlings."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
from scipy.special import expit

from optimizer.evidence import borrowing
from optimizer.evidence.assembly import evidence_of
from optimizer.evidence.borrowing import FEWEST_OWN, knows_enough, runs_to_learn_from
from optimizer.evidence.columns import codes_of, column_reader, settings_of
from optimizer.evidence.middlings import ExpectedMiddlings, fit_middlings, middlings_readings
from optimizer.evidence.occasions import days_since_1970, occasions_of
from optimizer.evidence.set_points import collapse_runs
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
    borrowed = pa.concat_tables([later(runs(9, "b", 1), 99), runs(9, "a")])
    assert evidence(borrowed, line="a").now == np.datetime64("1970-01-01T08:00", "us")


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


# ------------------------------------------------------------------ middlings and set-points


def test_middlings_are_learned_from_three_readings_on():
    share = np.array([0.1, 0.1, 0.1, *[np.nan] * 6])
    grade = np.array([0.8, 0.8, *[np.nan] * 7])
    table = runs(9, middlings_share=share, middlings_grade=grade)
    found = fit_middlings(evidence(table), 0)
    (here,) = found.expected(evidence(table).inputs[:1])
    assert here.share.mean == pytest.approx(0.1, abs=0.01)
    assert here.share.low < 0.1 < here.share.high
    assert (here.grade, found.grade) == (None, None)
    assert here.as_dict() == {"share": here.share.as_dict()}
    graded = ExpectedMiddlings(here.share, here.share).as_dict()
    assert graded == {"share": here.share.as_dict(), "grade": here.share.as_dict()}
    two = runs(9, middlings_share=np.where(np.arange(9) < 2, share, np.nan))
    assert fit_middlings(evidence(two), 0) is None
    assert fit_middlings(evidence(runs(9)), 0) is None


def test_middlings_of_other_lines_count_too():
    share = np.full(8, 0.1)
    table = pa.concat_tables(
        [runs(9, "a", middlings_share=np.full(9, np.nan)), runs(8, "b", 1, middlings_share=share)]
    )
    found = evidence(table, line="a")
    assert middlings_readings(found) == 8
    (here,) = fit_middlings(found, 0).expected(found.inputs[:1])
    assert here.share.low < 0.1 < here.share.high


def test_set_points_are_joined_only_where_there_are_more_than_wanted():
    table = pa.concat_tables([runs(6), runs(6)])
    found = collapse_runs(evidence(table), 6)
    assert (len(found.count), found.count.tolist(), found.cell) == (6, [2.0] * 6, 0.0)
    assert collapse_runs(evidence(table), 5).cell > 0.0
    assert expit(np.sort(found.grade_logit)) == pytest.approx(
        [0.96 + 0.004 * k for k in range(6)], abs=1e-4
    )
