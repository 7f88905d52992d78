"""From the log to the model of time: days by the plant's clock, lots, events, the moment."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyarrow as pa
import pytest

from optimizer import Brief, InputError, Site
from optimizer.evidence.assembly import evidence_of
from optimizer.evidence.drift_now import NOTHING, drift_at
from optimizer.evidence.fitting import fit_surrogate
from optimizer.evidence.line_model import LineModel
from optimizer.evidence.occasions import occasions_of
from optimizer.evidence.unlogged import MEASURE, unlogged
from optimizer.planning.planner import suggest
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import demo_deck, demo_material
from optimizer.time_effects.occasions import DAY, LOT, NONE, STEP
from tests.conftest import run_table

HOUR, DAYS = 3_600_000_000, 24 * 3_600_000_000
FIRST = 20_000 * DAYS


def table(starts, lots=None, line="deck-1", shift=(0.0, 0.0), seed=3):
    """Runs of a simulated deck at spread settings that start at these microseconds since 1970,
    None where the log says none, with shifts of logit grade and logit recovery."""
    n, rng = len(starts), np.random.default_rng(seed)
    values = GRAVITY_TABLE.values(Region.whole(GRAVITY_TABLE).sample(6 * n, rng))
    read = demo_deck("deck-1").measure(values, demo_material(), rng)
    even = np.flatnonzero(np.array(read.deck_state) == "even")[:n]

    def moved(share, by):
        odds = share / (1.0 - share) * np.exp(by)
        return odds / (1.0 + odds)

    made = run_table(
        values[even],
        moved(np.clip(read.grade[even], 0.5, 0.998), shift[0]),
        moved(np.clip(read.recovery[even], 0.05, 0.995), shift[1]),
        line=line,
        grade_count=[400] * n,
        feed_grade=[0.93] * n,
        lot=pa.array(lots or [None] * n, pa.string()),
    )
    started = pa.array(starts, pa.timestamp("us", "UTC"))
    return made.set_column(2, "started_at", started)


def spaced(n, a_day=4):
    """Starts of n runs, some a day, at 13:00 UTC and later."""
    return [FIRST + (k // a_day) * DAYS + (13 + k % a_day) * HOUR for k in range(n)]


def found(runs, brief=None, site=None):
    return evidence_of(runs, site or Site(), brief or Brief(line="deck-1"))


def test_days_are_those_of_the_plants_calendar():
    """Bogota is five hours behind UTC (the IANA database), so 03:00 is of the day before."""
    starts = [FIRST + 3 * HOUR, FIRST + 6 * HOUR, FIRST + 30 * HOUR, None]
    runs = table(starts, ["a", "b", None, "b"])
    utc = occasions_of(found(runs))
    there = occasions_of(
        found(runs, site=Site.from_dict({"site": {"time_zone": "America/Bogota"}}))
    )
    assert utc.day.tolist() == [0, 0, 1, NONE]
    assert there.day.tolist() == [0, 1, 2, NONE]
    assert utc.lot.tolist() == [0, 1, NONE, 1]
    assert np.isnan(utc.time[3])
    np.testing.assert_allclose(there.time[:3] - utc.time[:3], -5.0 / 24.0)


def test_the_moment_is_that_of_the_latest_run_with_its_day_and_lot():
    runs = table([FIRST + DAYS, FIRST + DAYS + HOUR, FIRST], ["a", "b", "c"])
    made = occasions_of(found(runs))
    assert (made.now, made.day_now, made.lot_now) == (20_001 + 1 / 24, 1, 1)


@pytest.mark.parametrize(
    ("at", "now", "day", "lot"),
    [
        ("2024-10-05T12:30", 20_001 + 12.5 / 24, 1, 1),
        ("2024-10-05T00:30:00Z", 20_001 + 0.5 / 24, 1, 0),
        ("2024-10-07", 20_003.0, 2, NONE),
        ("2024-10-04T23:00-02:00", 20_001 + 1 / 24, 1, 1),
    ],
)
def test_the_brief_may_say_another_moment(at, now, day, lot):
    runs = table([FIRST + DAYS, FIRST + DAYS + HOUR, FIRST], ["a", "b", "c"])
    made = occasions_of(found(runs, Brief.from_dict({"line": "deck-1", "goal": {"at": at}})))
    assert made.now == pytest.approx(now)
    assert (made.day_now, made.lot_now) == (day, lot)


def test_events_of_the_line_and_of_all_lines_count():
    site = Site.from_dict(
        {
            "site": {"time_zone": "America/Bogota"},
            "events": [
                {"at": "2024-10-06T06:00", "what": "screen cleaned", "line": "deck-1"},
                {"at": "2024-10-05", "what": "fan changed"},
                {"at": "2024-10-05", "what": "cloth changed", "line": "deck-2"},
            ],
        }
    )
    made = occasions_of(found(table(spaced(24)), site=site))
    np.testing.assert_allclose(made.events, [20_001.0, 20_002.25])
    assert STEP in made.cells.kinds


def test_borrowed_runs_and_undated_runs_have_no_effects():
    own, other = table(spaced(13)), table(spaced(20), line="deck-2", seed=4)
    evidence = found(pa.concat_tables([other, own]))
    assert evidence.borrowed is not None
    made = occasions_of(evidence)
    assert made.day[13:].tolist() == [NONE] * 20
    assert fit_surrogate(evidence, 0).share_of_runs_.shape == (33,)
    assert occasions_of(found(table([None] * 12))) is None


@pytest.mark.parametrize(
    ("document", "message"),
    [
        ({"goal": {"at": "yesterday"}}, "goal.at: is neither a date nor a time in ISO 8601"),
        ({"goal": {"at": 20260302}}, "write it like 2026-03-02"),
        ({"goal": {"att": "2026-03-02"}}, "unknown key 'goal.att'"),
    ],
)
def test_a_moment_that_is_none_is_refused(document, message):
    with pytest.raises(InputError, match=message):
        Brief.from_dict(document)


@pytest.mark.parametrize(
    ("event", "message"),
    [
        ({"what": "cleaned"}, "events.0.at: Field required"),
        ({"at": "2026-13-02", "what": "cleaned"}, "events.0.at: is neither a date nor a time"),
        ({"at": "2026-03-02", "what": ""}, "events.0.what"),
        ({"at": "2026-03-02", "what": "cleaned", "deck": "deck-1"}, "unknown key 'events.0.deck'"),
        ({"at": "0001-01-01T00:00+14:00", "what": "built"}, "outside the years"),
    ],
)
def test_an_event_that_says_no_moment_is_refused(event, message):
    with pytest.raises(InputError, match=message):
        Site.from_dict({"events": [event]})


# ------------------------------------------------------------------ what is said of it


@pytest.fixture(scope="module")
def drifting():
    """96 runs over 24 days on which recovery falls by 1.2 logits, half that for grade."""
    change = np.linspace(0.0, -1.2, 96)
    return table(spaced(96), shift=(0.5 * change, change))


@pytest.fixture(scope="module")
def lots():
    """96 runs of 12 lots whose recovery differs by 0.5 logits."""
    rng = np.random.default_rng(8)
    which = rng.integers(12, size=96)
    return table(
        spaced(96), [f"L{k}" for k in which], shift=(0.0, 0.5 * rng.standard_normal(12)[which])
    )


def test_a_plan_says_what_drifts(drifting, small_plans):
    plan = suggest(drifting, brief=Brief.from_dict({"line": "deck-1", "goal": {"min_grade": 0.97}}))
    drift = plan.as_dict()["drift"]
    assert drift["worth_saying"]
    recovery = drift["recovery_per_week"]
    assert recovery["low"] < recovery["mean"] < recovery["high"] < 0.0
    assert drift["says"].startswith("The deck drifts: ")
    assert "recovery at the settings to run now falls by" in drift["says"]


def test_a_plan_is_for_now(drifting):
    """After the drift the deck keeps less than over the whole season: the log odds of recovery are
    about 0.6 below their mean over it."""
    evidence = found(drifting)
    at = evidence.inputs[::8]
    now = fit_surrogate(evidence, 0).predict(at, evidence.feed_odds_today).recovery
    timeless = replace(evidence, started=np.full(96, np.datetime64("NaT", "us")))
    ever = fit_surrogate(timeless, 0).predict(at, evidence.feed_odds_today).recovery
    odds = [np.log(each.mean / (1.0 - each.mean)) for each in (ever, now)]
    assert np.mean(odds[0] - odds[1]) == pytest.approx(0.6, abs=0.25)


def test_runs_without_times_say_nothing_of_drift_and_few_say_zero(small_plans):
    undated = suggest(table([None] * 20)).as_dict()
    assert undated["drift"] is None
    few = found(table(spaced(11)))
    here = drift_at(fit_surrogate(few, 0), few, few.settings[:1], few.feed_odds_today)
    assert (here.grade, here.recovery) == (NOTHING, NOTHING)
    assert not here.worth_saying
    assert here.sentence == ""


def test_lots_that_differ_are_said_and_what_to_measure(lots):
    model = LineModel(found(lots))
    at = model.recent_inputs
    by = {each.by: each for each in unlogged(model.surrogate, model.evidence, at)}
    assert set(by) == {DAY, LOT}
    assert by[LOT].p_value < 0.001
    assert by[LOT].recovery_sd > by[LOT].grade_sd
    assert by[DAY].p_value > 0.05
    said = by[LOT].as_dict()
    assert said["says"].startswith("Something that is not logged differs from lot to lot")
    assert [each["measure"] for each in said["measure"]] == list(MEASURE[LOT])
    assert by[DAY].as_dict()["says"] == ""
    undated = found(table([None] * 30))
    assert unlogged(fit_surrogate(undated, 0), undated, undated.inputs[:1]) == ()


def by_habit(point_of_run):
    """Runs three a day over 16 days, each at one of 48 set-points, with errors of the readings."""
    whole, rng = table(spaced(48, a_day=3)), np.random.default_rng(6)
    runs = whole.take(point_of_run)
    for name in ("run_id", "started_at"):
        runs = runs.set_column(runs.column_names.index(name), name, whole[name])
    for name, error in (("grade", 0.004), ("recovery", 0.01)):
        read = np.clip(runs[name].to_numpy() + error * rng.standard_normal(48), 0.01, 0.999)
        runs = runs.set_column(runs.column_names.index(name), name, pa.array(read))
    return runs


def test_a_plant_run_by_habit_is_told_what_to_run():
    own_day = found(by_habit(np.repeat(np.arange(16), 3)))
    (said,) = [w for w in own_day.warnings if "cannot be told apart" in w and "day adds" in w]
    assert "Run a set-point of another day again, such as that of 2024-10-" in said
    again = said[said.index("(feed_rate") :]
    assert all(name in again for name in GRAVITY_TABLE.names)
    for shared in (np.tile(np.arange(16), 3), np.arange(48)):
        assert not any("day adds" in w for w in found(by_habit(shared)).warnings)


def test_a_plan_of_a_plant_run_by_habit_allows_for_days():
    evidence = found(by_habit(np.repeat(np.arange(16), 3)))
    timeless = replace(evidence, started=np.full(48, np.datetime64("NaT", "us")))
    at = evidence.inputs[::3]
    wide, narrow = (
        fit_surrogate(e, 0).predict(at, evidence.feed_odds_today).recovery
        for e in (evidence, timeless)
    )
    assert np.mean(wide.high - wide.low) > 1.1 * np.mean(narrow.high - narrow.low)


def test_a_plan_warns_of_what_a_diagnosis_finds_unlogged(lots, small_plans):
    plan = suggest(lots, brief=Brief.from_dict({"line": "deck-1", "goal": {"min_grade": 0.97}}))
    said = [w for w in plan.warnings if w.startswith("Something that is not logged differs")]
    assert len(said) == 1
    assert "from lot to lot" in said[0]
    assert "bulk density of each lot" in said[0]
