"""From a brief to a plan: every limit holds, equal requests give equal plans, and the plan states
what the history cannot tell."""

from __future__ import annotations

import json
import subprocess
import sys

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.special import expit

from cli.show import plan as show
from optimizer.errors import InputError, LimitError
from optimizer.history.snapshot import Snapshot
from optimizer.operations.reporting import review
from optimizer.planning.planner import plan_of, suggest
from optimizer.planning.situation import situation_of
from optimizer.plant.brief import Brief
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.plant.site import Site
from tests.conftest import run_table

NAMES = GRAVITY_TABLE.names
# Where a test needs no more: most of a plan's time goes into its trials.
ONE, TWO = {"count": 1}, {"count": 2}


def brief(**tables) -> Brief:
    return Brief.from_dict({"goal": {"min_grade": 0.985}, **tables})


@pytest.fixture(scope="module")
def planned(season_table):
    """``planned(**tables)`` is the plan of the season by a brief; equal briefs are planned once."""
    made = {}

    def plan(**tables):
        key = json.dumps(tables)
        if key not in made:
            made[key] = suggest(Snapshot.of_table(season_table), Site(), brief(**tables))
        return made[key]

    return plan


def settings_of(plan) -> np.ndarray:
    return np.array([[r.settings[n] for n in NAMES] for r in plan.recommendations])


def run_now_of(plan) -> np.ndarray:
    return np.array([[plan.run_now.settings[n] for n in NAMES]])


def on_steps(values: np.ndarray) -> bool:
    levels = (values - GRAVITY_TABLE.low) / GRAVITY_TABLE.steps
    return bool(np.allclose(levels, np.rint(levels), atol=1e-6))


# ------------------------------------------------------------------ limits


@st.composite
def briefs(draw) -> dict:
    """Complete briefs whose limits leave at least one setting to try."""
    document: dict = {"goal": {"min_grade": draw(st.sampled_from([0.95, 0.985, 0.995]))}}
    if draw(st.booleans()):
        low = draw(st.floats(0, 40))
        document["limits"] = {"air": {"low": low, "high": low + draw(st.floats(5, 45))}}
    if draw(st.booleans()):
        document.setdefault("limits", {})["end_raise"] = {
            "fixed": round(draw(st.integers(5, 50)) / 10, 1)
        }
    if draw(st.booleans()):
        document["couplings"] = [
            {
                "terms": {"side_tilt": 1.0, "eccentric_speed": -0.01},
                "at_most": draw(st.floats(-2.5, 0.5)),
            }
        ]
    if draw(st.booleans()):
        document["capacity"] = {
            "min_feed_rate": draw(st.floats(0.5, 1.5)),
            "max_feed_rate": draw(st.floats(2.0, 4.5)),
        }
    trials = {"count": draw(st.integers(1, 5))}
    if draw(st.booleans()):
        trials["material_available"] = draw(st.floats(1.5, 8.0))
    if draw(st.booleans()):
        trials["minutes_available"] = draw(st.floats(30, 200))
    document["trials"] = trials
    return document


@settings(
    max_examples=12,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(document=briefs(), empty=st.booleans())
def test_every_plan_obeys_every_limit(season_table, document, empty):
    asked = Brief.from_dict(document)
    plan = suggest(
        Snapshot.of_table(season_table.slice(0, 0) if empty else season_table), Site(), asked
    )
    values = settings_of(plan)
    every = (
        values
        if plan.run_now is None
        else np.vstack([values, [[plan.run_now.settings[n] for n in NAMES]]])
    )
    assert on_steps(every)
    assert np.all(every >= GRAVITY_TABLE.low - 1e-9)
    assert np.all(every <= GRAVITY_TABLE.low + GRAVITY_TABLE.span + 1e-9)
    column = dict(zip(NAMES, every.T, strict=True))
    for name, limit in asked.limits.items():
        low = limit.fixed if limit.fixed is not None else limit.low
        high = limit.fixed if limit.fixed is not None else limit.high
        assert np.all((column[name] >= low - 1e-9) & (column[name] <= high + 1e-9))
    for coupling in asked.couplings:
        total = sum(c * column[n] for n, c in coupling.terms.items())
        assert np.all(total <= coupling.at_most + 1e-9)
    if asked.capacity.min_feed_rate is not None:
        assert np.all(column["feed_rate"] >= asked.capacity.min_feed_rate - 1e-9)
        assert np.all(column["feed_rate"] <= asked.capacity.max_feed_rate + 1e-9)
    assert 1 <= len(values) <= asked.trials.count
    assert len(np.unique(values, axis=0)) == len(values)
    tonnes = sum(r.material_t for r in plan.recommendations)
    if asked.trials.material_available is not None:
        assert tonnes <= asked.trials.material_available + 1e-6
    if asked.trials.minutes_available is not None:
        minutes = sum(r.minutes for r in plan.recommendations)
        assert minutes <= asked.trials.minutes_available + 1e-6
    for r in plan.recommendations:
        assert r.material_t == pytest.approx(r.settings["feed_rate"] * 30 / 60)


def test_a_plan_repeats_no_tried_or_pending_setting(season_table, planned):
    first = planned()
    pending = [dict(r.settings) for r in first.recommendations]
    second = suggest(Snapshot.of_table(season_table), Site(), brief(pending=pending))
    tried = {tuple(row) for row in zip(*(season_table[n].to_pylist() for n in NAMES), strict=True)}
    asked = {tuple(r) for r in settings_of(first)}
    assert not asked & tried
    assert not {tuple(r) for r in settings_of(second)} & asked


def test_max_change_holds_from_the_current_settings(season_table):
    site = Site.from_dict(
        {"settings": {"air": {"max_change": 6}, "side_tilt": {"max_change": 0.3}}}
    )
    current = {"air": 40.0, "side_tilt": 2.0}
    plan = suggest(Snapshot.of_table(season_table), site, brief(current=current))
    for r in plan.recommendations:
        assert abs(r.settings["air"] - 40) <= 6 + 1e-9
        assert abs(r.settings["side_tilt"] - 2.0) <= 0.3 + 1e-9


def test_product_and_reject_rates_hold(season_table):
    capacity = {"max_product_rate": 1.2, "max_reject_rate": 0.3, "min_feed_rate": 0.8}
    plan = suggest(Snapshot.of_table(season_table), Site(), brief(capacity=capacity))
    for r in plan.recommendations:
        assert r.product_t_per_h <= 1.2 + 1e-9
        assert r.settings["feed_rate"] - r.product_t_per_h <= 0.3 + 1e-9
    assert plan.run_now.product_t_per_h <= 1.2 + 1e-9


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        ({"trials": {"minutes_available": 10}}, "not one trial fits: 10 minutes"),
        ({"trials": {"material_available": 0.01}}, "not one trial fits: 0.01 t"),
        ({"limits": {"air": {"low": 95}}}, "no level of air is left"),
        (
            {"couplings": [{"terms": {"air": 1.0, "end_raise": 1.0}, "at_most": 0.0}]},
            "the limits leave no settings to try: 1·air",
        ),
        ({"capacity": {"max_product_rate": 0.01}}, "inside the capacity"),
    ],
)
def test_limits_that_leave_no_setting_are_refused_by_name(season_table, tables, message):
    with pytest.raises(LimitError, match=message):
        suggest(Snapshot.of_table(season_table), Site(), brief(**tables))


@pytest.mark.parametrize(
    ("tables", "message"),
    [
        ({"limits": {"airr": {"low": 1}}}, "Did you mean 'air'"),
        ({"current": {"tilt": 1}}, r"\[current\]: unknown name 'tilt'"),
        ({"material": {"moistur": 11}}, r"\[material\]: unknown name 'moistur'"),
        ({"pending": [{"air": 1.0}]}, r"number 1 lacks feed_rate"),
        ({"material": {"feed_grade": 93}}, "feed_grade: 93 is outside the declared range 0 to 1"),
        ({"limits": {"side_tilt": {"fixed": 2.15}}}, "not a step of the deck. The nearest are 2.1"),
    ],
)
def test_briefs_that_name_unknown_things_are_refused(season_table, tables, message):
    with pytest.raises(InputError, match=message):
        suggest(Snapshot.of_table(season_table), Site(), brief(**tables))


# ------------------------------------------------------------------ repeatability


@pytest.mark.usefixtures("anew")
def test_equal_requests_give_equal_bytes(season_table, planned):
    again, other = (
        suggest(Snapshot.of_table(season_table), Site(), brief(trials=TWO), seed=seed).as_dict()
        for seed in (0, 4)
    )
    first = planned(trials=TWO).as_dict()
    assert json.dumps(again) == json.dumps(first)
    assert other["recommendations"] != first["recommendations"]


SCRIPT = """
import json, sys
import pyarrow.parquet as pq
from optimizer import Brief, Site, suggest
brief = Brief.from_dict({"goal": {"min_grade": 0.985}, "trials": {"count": 2}})
print(json.dumps(suggest(pq.read_table(sys.argv[1]), Site(), brief).as_dict()))
"""


@pytest.mark.usefixtures("anew")
@pytest.mark.parametrize("goal", [{}, {"maximise": "trade-off"}, {"min_grade": 0.98}])
def test_a_planning_gives_equal_answers_when_asked_twice(season_table, goal):
    asked = Brief.from_dict({"goal": goal, "trials": {"count": 1}})
    work = situation_of(Snapshot.of_table(season_table), Site(), asked)
    before = work.min_grade  # may be asked for before there is a plan
    first, again = plan_of(work).as_dict(), plan_of(work).as_dict()
    assert json.dumps(first) == json.dumps(again)
    assert first["goal"]["min_grade"] == before == work.min_grade
    said = [w for w in first["warnings"] if "No grade was asked for" in w]
    assert len(said) == (0 if "min_grade" in goal else 1)


def test_a_history_without_readings_sets_no_minimum_grade(season_table):
    assert (
        situation_of(Snapshot.of_table(season_table.slice(0, 0)), Site(), Brief()).min_grade == 1e-6
    )


@pytest.mark.usefixtures("anew")
def test_the_plan_does_not_depend_on_the_number_of_threads(season_table, planned, tmp_path):
    import pyarrow.parquet as pq

    path = tmp_path / "runs.parquet"
    pq.write_table(season_table, path)
    env = {"OMP_NUM_THREADS": "2", "OPENBLAS_NUM_THREADS": "2", "PATH": ""}
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, str(path)], env=env, capture_output=True, check=True
    )
    # The tests themselves run in one thread.
    assert done.stdout.decode().strip() == json.dumps(planned(trials=TWO).as_dict())


# ------------------------------------------------------------------ what the history can tell


def test_an_empty_history_gets_a_spread_batch_and_no_promises():
    plan = suggest(
        Snapshot.of_table(run_table(np.zeros((0, 5)), [], [])), Site(), brief(trials={"count": 6})
    )
    values = GRAVITY_TABLE.to_unit(settings_of(plan))
    distance = np.linalg.norm(values[:, None] - values[None], axis=2) + 9 * np.eye(6)
    # The smallest distance between six uniform points in five dimensions exceeds 0.45 in one of
    # 70 draws (simulated, 10^5 draws); a spread design must exceed it.
    assert distance.min() > 0.45
    assert plan.run_now is None
    assert all(r.grade.mean is None and r.chance_of_grade is None for r in plan.recommendations)
    assert "cannot be known" in plan.warnings[0]
    document = plan.as_dict()
    assert document["line"] is None
    assert document["recommendations"][0]["grade"] == {"mean": None, "low": 0.0, "high": 1.0}


@pytest.mark.parametrize("runs", [1, 2])
def test_with_one_or_two_runs_the_plan_says_that_they_are_too_few(season_table, runs):
    even = np.flatnonzero(np.isfinite(season_table["grade"].to_numpy()))[:runs]
    plan = suggest(Snapshot.of_table(season_table.take(pa.array(even))), Site(), brief())
    assert plan.run_now is None
    assert f"Only {runs} measured run" in plan.warnings[0]


def test_from_three_runs_on_the_plan_uses_a_model_and_warns(season_table):
    even = np.flatnonzero(np.isfinite(season_table["grade"].to_numpy()))[:3]
    plan = suggest(Snapshot.of_table(season_table.take(pa.array(even))), Site(), brief())
    assert plan.run_now is not None
    assert any("Fewer than 13 different settings" in w for w in plan.warnings)
    assert plan.stopping.advice == "continue"


def test_a_history_of_failed_runs_gives_trials_elsewhere(season_table):
    values = np.column_stack([season_table[n].to_numpy() for n in NAMES])[:5]
    nan = [np.nan] * 5
    plan = suggest(Snapshot.of_table(run_table(values, nan, nan, ["boiling"] * 5)), Site(), brief())
    assert len(plan.recommendations) == 4
    gap = GRAVITY_TABLE.to_unit(settings_of(plan))[:, None] - GRAVITY_TABLE.to_unit(values)[None]
    assert np.linalg.norm(gap, axis=2).min() > 0.2


def test_intervals_and_chances_are_probabilities(planned):
    plan = planned()
    for answer in (plan.run_now, *plan.recommendations):
        for interval in (answer.grade, answer.recovery):
            assert 0 <= interval.low <= interval.mean <= interval.high <= 1
        assert 0 <= answer.chance_of_grade <= 1
    gains = [r.expected_gain for r in plan.recommendations]
    assert min(gains) >= 0


def collinear(season_table):
    values = np.column_stack([season_table[n].to_numpy() for n in NAMES])
    values[:, 3] = 300 + 5 * np.rint((values[:, 2] - 0.5) / 4 * 60)
    columns = {n: values[:, j] for j, n in enumerate(NAMES)}
    table = season_table
    for name, column in columns.items():
        table = table.set_column(table.column_names.index(name), name, pa.array(column))
    return table


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (collinear, "side_tilt and eccentric_speed always moved together"),
        (
            lambda t: t.set_column(t.column_names.index("air"), "air", pa.array([40.0] * 60)),
            "air was 40 in every run",
        ),
        (lambda t: t.drop_columns(["feed_grade"]), None),
        (
            lambda t: t.set_column(
                t.column_names.index("feed_grade"), "feed_grade", pa.array([0.9999] * 60)
            ),
            "feed_grade contradicts",
        ),
    ],
)
def test_the_plan_warns_of_what_the_history_cannot_tell(season_table, small_plans, change, message):
    plan = suggest(Snapshot.of_table(change(season_table)), Site(), brief(trials=ONE))
    if message is None:
        assert plan.run_now is not None
    else:
        assert any(message in w for w in plan.warnings)


def test_a_grade_never_reached_and_a_missing_grade_are_warned_about(season_table, small_plans):
    never = Brief.from_dict({"goal": {"min_grade": 0.9999}, "trials": ONE})
    plan = suggest(Snapshot.of_table(season_table), Site(), never)
    assert any("No run has reached a grade of 99.99 % yet" in w for w in plan.warnings)
    assert any("run_now comes nearest to it" in w for w in plan.warnings)
    plan = suggest(Snapshot.of_table(season_table), Site(), Brief.from_dict({"trials": ONE}))
    assert any("No grade was asked for" in w for w in plan.warnings)
    assert 0.5 < plan.min_grade < 1


def test_material_of_today_outside_the_runs_is_warned_about(season_table, small_plans):
    site = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 8, "high": 16}}})
    moist = season_table.append_column("moisture", pa.array(np.linspace(10, 12, 60)))
    plan = suggest(Snapshot.of_table(moist), site, brief(material={"moisture": 15.0}, trials=ONE))
    assert any("moisture 15 % lies outside the runs (10 to 12)" in w for w in plan.warnings)
    assert plan.material["moisture"] == 15.0
    latest = suggest(Snapshot.of_table(moist), site, brief(trials=ONE))
    assert latest.material["moisture"] == pytest.approx(11.85, abs=0.1)


def test_readings_taken_before_settling_are_named(season_table):
    from optimizer.evidence.assembly import evidence_of

    def said(table):
        return [w for w in evidence_of(table, Site(), brief()).warnings if "settl" in w]

    assert not said(season_table)
    n = season_table.num_rows
    place = season_table.column_names.index("started_at")
    times = season_table["started_at"].to_pylist()
    k = next(k for k in range(n) if season_table["grade"][k].as_py())
    times[k + 1] = times[k].replace(minute=12)
    hasty = season_table.set_column(place, "started_at", pa.array(times, pa.timestamp("us", "UTC")))
    (warning,) = said(hasty)
    assert "1 run ended less than the 20 minutes of settling" in warning
    assert f"{times[k]:%Y-%m-%dT%H:%M}" in warning
    flags = [None if k % 2 else False for k in range(n)]
    (warning,) = said(season_table.append_column("settled", pa.array(flags)))
    measured = sum(g is not None for g in season_table["grade"].to_pylist()[::2])
    assert f"{measured} runs had not settled when sampled" in warning


def test_several_lines_without_a_name_take_the_latest_and_say_so(season_table, small_plans):
    other = season_table.set_column(1, "line", pa.array(["deck-2"] * 60)).set_column(
        2, "started_at", pa.array([10**12 + k for k in range(60)], pa.timestamp("us", "UTC"))
    )
    both = pa.concat_tables([season_table, other])
    plan = suggest(Snapshot.of_table(both), Site(), brief(trials=ONE))
    assert plan.line == "deck-2"
    assert any("No line was named" in w for w in plan.warnings)
    named = suggest(Snapshot.of_table(both), Site(), brief(line="deck-1", trials=ONE))
    assert (named.line, named.runs_used) == ("deck-1", 60)
    new = suggest(Snapshot.of_table(both), Site(), brief(line="deck-9", trials=ONE))
    assert any("'deck-9' has no runs yet" in w for w in new.warnings)


def test_failed_trials_are_avoided(season_table):
    """Where half of the settings fail, no trial lies deep inside that half."""
    values = np.column_stack([season_table[n].to_numpy() for n in NAMES])
    bad = values[:, 4] > 50
    grade = np.where(bad, np.nan, 0.985)
    recovery = np.where(bad, np.nan, 0.6 + 0.003 * values[:, 4])
    table = run_table(values, grade, recovery, np.where(bad, "boiling", "even"))
    plan = suggest(Snapshot.of_table(table), Site(), Brief.from_dict({"goal": {"min_grade": 0.98}}))
    assert max(r.settings["air"] for r in plan.recommendations) < 70
    assert plan.run_now.settings["air"] < 60


def test_changes_are_stated_from_one_trial_to_the_next(season_table):
    plan = suggest(
        Snapshot.of_table(season_table),
        Site(),
        brief(current=dict(zip(NAMES, [2.0, 2.0, 2.0, 450.0, 40.0], strict=True))),
    )
    state = dict(zip(NAMES, [2.0, 2.0, 2.0, 450.0, 40.0], strict=True))
    for r in sorted(plan.recommendations, key=lambda r: r.order):
        for change in r.changes:
            assert state[change.setting] == change.start
            state[change.setting] = change.end
        assert state == dict(r.settings)
        feed = [c for c in r.changes if c.setting == "feed_rate"]
        if feed:
            place = 0 if feed[0].end < feed[0].start else len(r.changes) - 1
            assert r.changes[place] == feed[0]


# ------------------------------------------------------------------ other lines


def test_a_new_line_learns_from_the_runs_of_a_similar_line(season_table):
    new = season_table.slice(0, 0)
    wanted = brief(line="deck-9", trials=ONE)
    wide, narrow = (
        situation_of(Snapshot.of_table(season_table), Site(), brief(line=line, trials=ONE))
        for line in ("deck-9", "deck-1")
    )
    plan = plan_of(wide)
    assert any("also learns from" in w and "deck-1" in w for w in plan.warnings)
    assert plan.run_now is not None
    assert plan.runs_used == 0
    assert suggest(Snapshot.of_table(new), Site(), wanted).run_now is None
    # Runs of another line reduce the uncertainty less than the line's own runs.
    own = plan_of(narrow)
    assert not any("also learns from" in w for w in own.warnings)
    at = own.run_now.settings
    index = narrow.evidence.space.nearest_index(np.array([[at[n] for n in NAMES]]))
    widths = [
        float(np.ptp([p.surrogate.predict(p.evidence.inputs_today(index), 2.6).grade.low,
                      p.surrogate.predict(p.evidence.inputs_today(index), 2.6).grade.high]))
        for p in (wide, narrow)
    ]  # fmt: skip
    assert widths[0] > widths[1]


def test_no_runs_are_borrowed_from_a_line_in_other_units(season_table):
    site = Site.from_dict(
        {"lines": {"deck-9": {"air": {"unit": "%", "low": 0, "high": 100, "step": 1}}}}
    )
    plan = suggest(Snapshot.of_table(season_table), site, brief(line="deck-9"))
    assert plan.run_now is None


def test_a_table_needs_no_column_for_the_material(season_table, small_plans):
    table = season_table.drop_columns(["material"])
    assert suggest(Snapshot.of_table(table), Site(), brief(trials=ONE)).run_now is not None


# ------------------------------------------------------------------ labels of the material


def labelled(runs, labels):
    return runs.set_column(runs.column_names.index("material"), "material", pa.array(labels))


def test_one_label_changes_no_byte_of_a_plan(season_table, small_plans):
    some, wanted = season_table.slice(0, 20), brief(trials=ONE, material={"material": "washed"})
    plain, named = (
        suggest(Snapshot.of_table(labelled(some, [label] * 20)), Site(), wanted).as_dict()
        for label in ("", "washed")
    )
    assert json.dumps(plain) == json.dumps(named)


def test_a_label_never_seen_starts_from_the_others_with_wider_intervals(season_table, small_plans):
    """From 24 runs of two labels; at the settings that one of them ran, a plan for it has narrower
    intervals."""
    runs = Snapshot.of_table(labelled(season_table.slice(0, 24), ["washed", "natural"] * 12))
    new, known = (
        situation_of(runs, Site(), brief(trials=ONE, material={"material": label}))
        for label in ("honey", "washed")
    )
    plan = plan_of(new)
    said = [w for w in plan.warnings if "'honey' has no run here yet" in w]
    assert len(said) == 1
    assert "runs of natural, washed" in said[0]
    assert plan.material["material"] == "honey"
    assert plan.run_now is not None
    of_washed = known.evidence.measured & (known.evidence.label == 0)
    at = known.evidence.settings[of_washed]
    widths = [
        float(np.mean(found.high - found.low))
        for found in (s.expected_at(at, 0.985).recovery for s in (new, known))
    ]
    assert widths[0] > 1.1 * widths[1]


# ------------------------------------------------------------------ value


def priced(product, reject=0.0, min_grade=None, **prices):
    goal = {"maximise": "value", "prices": {"product": product, "reject": reject, **prices}}
    goal |= {} if min_grade is None else {"min_grade": min_grade}
    return Brief.from_dict({"goal": goal, "trials": ONE})


def test_value_per_hour_chooses_a_higher_feed_rate_than_recovery(season_table):
    by_value = suggest(
        Snapshot.of_table(season_table), Site(), priced(100.0, 95.0, min_grade=0.97, feed=50.0)
    )
    by_recovery = suggest(
        Snapshot.of_table(season_table),
        Site(),
        Brief.from_dict({"goal": {"min_grade": 0.97}, "trials": ONE}),
    )
    feeds = [p.run_now.settings["feed_rate"] for p in (by_value, by_recovery)]
    assert feeds[0] > feeds[1]
    assert by_value.as_dict()["goal"]["gain_unit"] == "value/h"
    assert by_value.run_now.value_per_hour > 0
    assert by_value.run_now.chance_of_grade >= 0.9
    assert "value/h" in by_value.stopping.why


def test_value_of_a_plan_follows_from_its_own_numbers(season_table):
    """Product and reject in t/h times their prices, minus the costs of the feed and of the hour."""
    plan = suggest(
        Snapshot.of_table(season_table),
        Site(),
        priced(120.0, 20.0, feed=10.0, hour=5.0, currency="credits"),
    )
    now = plan.run_now
    feed = now.settings["feed_rate"]
    product = now.product_t_per_h
    by_hand = 120.0 * product + 20.0 * (feed - product) - 10.0 * feed - 5.0
    assert now.value_per_hour == pytest.approx(by_hand, rel=0.03)
    assert plan.as_dict()["goal"]["min_grade"] is None
    assert plan.as_dict()["goal"]["gain_unit"] == "credits/h"


def test_prices_and_goal_go_together():
    with pytest.raises(InputError, match=r"needs \[goal.prices\]"):
        Brief.from_dict({"goal": {"maximise": "value"}})
    with pytest.raises(InputError, match='prices are for maximise = "value"'):
        Brief.from_dict({"goal": {"prices": {"product": 1.0}}})


def test_a_trade_off_is_planned_for_and_shown(season_table):
    asked = Brief.from_dict({"line": "deck-1", "goal": {"maximise": "trade-off"}, "trials": TWO})
    plan = suggest(Snapshot.of_table(season_table), Site(), asked)
    document = plan.as_dict()
    assert document["goal"]["gain_unit"].startswith("fraction of recovery, averaged over grades")
    curve = document["trade_off"]
    sure = [point["sure_grade"] for point in curve]
    recovery = [point["recovery"]["mean"] for point in curve]
    assert sure == sorted(sure, reverse=True)
    assert recovery == sorted(recovery)
    assert all(p["recovery"]["low"] < p["recovery"]["mean"] < p["recovery"]["high"] for p in curve)
    assert [point["run_now"] for point in curve].count(True) == 1
    shown = show.plan(document)
    assert "best trade-off of grade and recovery" in shown
    assert "highest recovery at each grade" in shown
    # A search for the single required grade would not reach grades as high as these trials do.
    one_grade = Brief.from_dict({"line": "deck-1", "trials": TWO})
    only = suggest(Snapshot.of_table(season_table), Site(), one_grade)
    assert "trade_off" not in only.as_dict()
    highest = [max(r.grade.mean for r in p.recommendations) for p in (plan, only)]
    assert highest[0] > highest[1]


@pytest.mark.usefixtures("small_plans", "without_plots")
@pytest.mark.parametrize("least", [0.97, 0.999])
def test_a_trade_off_lists_no_grade_below_the_one_asked_for(season_table, least):
    goal = {"maximise": "trade-off", "min_grade": least}
    asked = Brief.from_dict({"line": "deck-1", "goal": goal, "trials": {"count": 1}})
    found = review(situation_of(Snapshot.of_table(season_table), Site(), asked))
    curve = found.plan.trade_off
    assert all(point.sure_grade >= least for point in curve)
    # Where no setting is sure of the grade the curve is empty, but run-now settings are given.
    sure = found.plan.run_now.chance_of_grade >= asked.goal.confidence
    assert sum(point.run_now for point in curve) == sure
    assert "highest recovery at each grade" in show.plan(found.plan.as_dict()) or not curve
    assert "trade-off" in found.page()


def test_a_small_lot_is_spent_where_a_tonne_adds_most(season_table):
    def planned(available):
        trials = (
            {"count": 4} if available is None else {"count": 4, "material_available": available}
        )
        return suggest(
            Snapshot.of_table(season_table),
            Site(),
            Brief.from_dict({"line": "deck-1", "trials": trials}),
        )

    free = planned(None)
    small = planned(0.9 * sum(r.material_t for r in free.recommendations))
    assert sum(r.material_t for r in small.recommendations) <= 0.9 * sum(
        r.material_t for r in free.recommendations
    )
    assert any("for each tonne" in w for w in small.warnings)
    assert not any("for each tonne" in w for w in free.warnings)

    def per_tonne(plan):
        best = max(plan.recommendations, key=lambda r: r.expected_gain / r.material_t)
        return best.expected_gain / best.material_t

    assert per_tonne(small) >= per_tonne(free)


@pytest.mark.usefixtures("small_plans", "without_plots")
def test_a_goal_of_value_is_shown_on_the_screen_and_on_the_page(season_table):
    for limit, said in ((None, False), (0.97, True)):
        found = review(
            situation_of(
                Snapshot.of_table(season_table), Site(), priced(100.0, 20.0, min_grade=limit)
            )
        )
        text = show.plan(found.plan.as_dict())
        assert "highest value per hour" in text.splitlines()[0]
        assert ("sure of the grade" in " ".join(text.split())) is said
        page = found.page()
        assert "the highest value per hour" in page
        assert "the highest recovery at" not in page
        assert ("Grade at least" in page) is said
        assert ("Chance of the grade</dt>" in page) is said
        assert "<dt>Worth</dt>" in page
        for trial in found.plan.recommendations:
            assert "value/h" in trial.why
            assert ("sure" in trial.why) <= said


@pytest.mark.parametrize(
    ("read", "told"),
    [((0.97,), True), ((0.97, 0.97), False), ((0.55,), False), ((0.97, 0.73, 0.73), False)],
)
def test_a_doubted_reading_that_would_be_the_best_is_worth_a_repeat(read, told):
    """40 runs of a smooth deck, and readings in its middle, where it recovers 73 % at grade 96 %:
    one that it cannot explain and that would be the best; the same twice, which the model then
    believes; a bad one; and one that two repeats have already contradicted."""
    rng, times = np.random.default_rng(0), len(read)
    unit = np.vstack([rng.random((40, 5)), np.full((times, 5), 0.5)])
    values = GRAVITY_TABLE.low + unit * GRAVITY_TABLE.span
    noise = rng.normal(0.0, 0.05, (2, len(unit)))
    grade = expit(4.2 + unit @ [-1.5, 0.5, -1.0, 0.0, 0.0] + noise[0])
    recovery = expit(1.5 + unit @ [-0.8, -0.6, 0.0, 0.0, 0.4] + noise[1])
    recovery[40:] = read
    grade[40:] = np.where(recovery[40:] == 0.73, 0.961, 0.985)
    run = GRAVITY_TABLE.values(GRAVITY_TABLE.nearest_index(values))
    table = run_table(run, grade, recovery, feed_grade=[0.9] * len(unit))
    asked = {"goal": {"min_grade": 0.98}, "trials": ONE, "material": {"feed_grade": 0.9}}
    plan = suggest(Snapshot.of_table(table), brief=Brief.from_dict(asked))
    assert any("count" in w and "little" in w for w in plan.warnings) == (read != (0.97, 0.97))
    said = [w for w in plan.warnings if "repeat these settings" in w]
    assert len(said) == told
    if told:
        assert "recovery 97.0 % at grade 98.5 %" in said[0]
    if read == (0.97, 0.97):
        assert plan.run_now.recovery.mean > 0.95
