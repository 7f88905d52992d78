"""The numbers of the pictures equal those that plan, landscape, diagnosis and batches give."""

from __future__ import annotations

import json
from types import SimpleNamespace

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from optimizer import Brief, History, InputError, Site, batches, diagnose, issue, record, suggest
from optimizer.diagnostics.calibration import LEVELS
from optimizer.history.snapshot import Snapshot
from optimizer.intake.settling.load import load_table
from optimizer.interval import Interval
from optimizer.landscape import landscape
from optimizer.operations import looking
from optimizer.operations.looking import look
from optimizer.planning.situation import situation_of
from tests.operations.test_batches import BRIEF as BATCH_BRIEF
from tests.operations.test_batches import ONE, RESULT, history, no_plans, rows  # noqa: F401

SITE = Site()
BRIEF = Brief.from_dict({"line": "deck-1", "goal": {"min_grade": 0.98}, "trials": {"count": 2}})


@pytest.fixture(scope="module")
def looked(season_table):
    """The situation of 60 runs with one wrong reading, and the look at it."""
    wrong = season_table["recovery"].to_pylist()
    at = max(k for k, value in enumerate(wrong) if value is not None)
    wrong[at] = 0.3
    column = season_table.column_names.index("recovery")
    table = season_table.set_column(column, "recovery", [wrong])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.model.surrogate.MEMBERS", ())
        patch.setattr("optimizer.planning.limits.POOL", 64)
        situation = situation_of(Snapshot.of_table(table), SITE, BRIEF)
        found = look(situation)
        yield situation, table, found, json.loads(json.dumps(found.as_dict()))


def test_every_run_is_told_as_it_was_read(looked):
    _, table, _, told = looked
    assert told["known_runs"] == len(told["runs"]) == table.num_rows
    for run, row in zip(told["runs"], table.to_pylist(), strict=True):
        assert run["run_id"] == row["run_id"]
        assert run["state"] == row["deck_state"]
        assert run["started_at"] == row["started_at"].isoformat().replace("+00:00", "Z")
        assert run["settings"] == {name: row[name] for name in run["settings"]}
        for name in ("grade", "recovery"):
            assert run[name] == (None if row[name] is None else pytest.approx(row[name], abs=1e-6))
    failed = [run for run in told["runs"] if run["state"] != "even"]
    assert failed  # otherwise nothing is tested
    assert all(run["residual"] is None for run in failed if run["grade"] is None)


def test_residuals_and_doubts_are_those_of_the_diagnosis(looked):
    _, table, _, told = looked
    goal = Brief.from_dict({"line": "deck-1", "goal": {"min_grade": 0.98}})
    doubts = diagnose(table, SITE, goal).as_dict()["doubtful"]
    assert doubts[0]["quantity"] == "recovery"
    by_run = {run["run_id"]: run for run in told["runs"]}
    assert {d["run_id"]: d["reason"] for d in doubts} == {
        name: run["doubt"] for name, run in by_run.items() if run["doubt"]
    }
    for doubt in doubts:
        run, name = by_run[doubt["run_id"]], doubt["quantity"]
        assert run["expected"][name] == pytest.approx(doubt["expected"], abs=1e-6)
    for run in told["runs"]:
        for name, off in (run["residual"] or {}).items():
            assert off == pytest.approx(run[name] - run["expected"][name], abs=3e-6)


def test_the_plan_and_its_surroundings_are_those_of_the_report(looked):
    situation, table, found, told = looked
    plan = suggest(table, SITE, BRIEF).as_dict()
    plan = json.loads(json.dumps(plan))
    for name in ("goal", "run_now", "material", "warnings", "line", "seed"):
        assert told[name] == plan[name]
    for trial, planned in zip(told["trials"], plan["recommendations"], strict=True):
        assert trial == {name: planned[name] for name in trial}
    land = landscape(situation, found.plan, (told["map"]["x"], told["map"]["y"])).as_dict()
    assert told["map"] == json.loads(json.dumps(land["map"]))
    for effect, given in zip(told["effects"], land["effects"], strict=True):
        assert effect == {k: v for k, v in given.items() if k != "readings"}
        k = effect["levels"].index(plan["run_now"]["settings"][effect["setting"]])
        for quantity in ("grade", "recovery"):
            for end in ("mean", "low", "high"):
                near = pytest.approx(plan["run_now"][quantity][end], abs=2e-6)
                assert effect[quantity][end][k] == near


def test_the_map_shows_the_settings_that_matter_most_or_those_chosen(looked):
    situation, table, _, told = looked
    goal = Brief.from_dict({"line": "deck-1", "goal": {"min_grade": 0.98}})
    effects = diagnose(table, SITE, goal).as_dict()["sensitivity"]
    first, second, *_ = sorted(effects, key=lambda effect: -effect["recovery"])
    assert (told["map"]["x"], told["map"]["y"]) == (first["setting"], second["setting"])
    chosen = look(situation, "end_raise", "feed_rate").as_dict()["map"]
    assert (chosen["x"], chosen["y"]) == ("end_raise", "feed_rate")
    here = told["run_now"]["settings"]
    column, row = (chosen[f"{axis}_levels"].index(here[chosen[axis]]) for axis in "xy")
    assert chosen["recovery"][row][column] == told["run_now"]["recovery"]["mean"]


def test_the_axis_that_is_not_chosen_is_another_setting():
    names = ("feed_rate", "air")
    assert looking.pair_of(names, "air", None, None) == ("air", "feed_rate")
    assert looking.pair_of(names, None, "feed_rate", None) == ("air", "feed_rate")
    assert looking.pair_of(("air",), None, None, None) is None
    assert looking.pair_of(("air",), "air", None, None) is None


def test_what_matters_is_judged_by_the_recovery():
    def effects(*totals):
        return [SimpleNamespace(total=Interval(total, 0.0, 1.0)) for total in totals]

    names = ("feed_rate", "air", "side_tilt")
    found = SimpleNamespace(
        sensitivity=SimpleNamespace(
            names=names,
            effects={"grade": effects(0.9, 0.1, 0.2), "recovery": effects(0.1, 0.2, 0.9)},
        )
    )
    assert looking.pair_of(names, None, None, found) == ("side_tilt", "air")
    assert looking.pair_of(names, None, "side_tilt", found) == ("air", "side_tilt")


@pytest.mark.parametrize(
    ("x", "y", "said"),
    [
        ("airr", None, "x: there is no setting 'airr'. Did you mean 'air'?"),
        (None, "speed", "y: there is no setting 'speed'."),
        ("air", "air", "x and y are both 'air': a map needs two different settings."),
    ],
)
def test_settings_that_cannot_be_a_map_are_refused(looked, x, y, said):
    with pytest.raises(InputError) as refused:
        look(looked[0], x, y)
    assert str(refused.value).startswith(said)


def test_calibration_is_that_of_the_diagnosis_at_every_level(looked):
    """Intervals of shares are Jeffreys intervals: statsmodels, ``proportion_confint``."""
    _, table, found, told = looked
    goal = Brief.from_dict({"line": "deck-1", "goal": {"min_grade": 0.98}})
    whole = diagnose(table, SITE, goal).as_dict()
    n = told["calibration"]["set_points"]
    assert n == whole["calibration"]["set_points"]
    assert told["calibration"]["chance_of_grade"] == whole["calibration"]["chance_of_grade"]
    levels = told["calibration"]["levels"]
    assert [level["nominal"] for level in levels] == list(LEVELS)
    at = next(level for level in levels if level["nominal"] == 0.9)
    for name in ("grade", "recovery"):
        assert at[name]["mean"] == pytest.approx(whole["coverage"][name], abs=1e-6)
        shares = [level[name]["mean"] for level in levels]
        assert shares == sorted(shares)
        assert len(set(shares)) > 2
        for share, level in zip(shares, levels, strict=True):
            hits = round(share * n)
            low, high = proportion_confint(hits, n, alpha=0.1, method="jeffreys")
            if 0 < hits < n:
                assert level[name]["low"] == pytest.approx(low, abs=1e-6)
                assert level[name]["high"] == pytest.approx(high, abs=1e-6)
    assert (
        found.diagnosis.calibration.covered["grade"][LEVELS.index(0.9)]
        == (found.diagnosis.calibration.inside["grade"])
    )


def test_the_newest_runs_are_told_and_doubtful_ones_beside_them(looked, monkeypatch):
    situation, table, found, told = looked
    monkeypatch.setattr(looking, "MOST_RUNS", 3)
    few = looking.runs_to_draw(situation, table, found.diagnosis)
    doubtful = {run["run_id"] for run in told["runs"] if run["doubt"]}
    newest = set(table["run_id"].to_pylist()[-3:])
    assert {run["run_id"] for run in few} == doubtful | newest
    assert len(few) < table.num_rows
    by_run = {run["run_id"]: run for run in told["runs"]}
    assert json.loads(json.dumps(few)) == [by_run[run["run_id"]] for run in few]


def test_a_line_without_enough_runs_is_told_without_expectations(season_table):
    rows = season_table.filter(np.isfinite(season_table["grade"].to_numpy())).slice(0, 2)
    told = look(situation_of(Snapshot.of_table(rows), SITE, BRIEF)).as_dict()
    assert (told["run_now"], told["map"], told["calibration"]) == (None, None, None)
    assert (told["effects"], told["drift"], told["campaign"]) == ([], [], [])
    assert len(told["runs"]) == 2
    assert all(trial["grade"]["mean"] is None for trial in told["trials"])
    empty = look(situation_of(Snapshot.of_table(rows.slice(0, 0)), SITE, BRIEF)).as_dict()
    assert (empty["known_runs"], empty["runs"], empty["happenings"]) == (0, [], [])


def test_the_campaign_is_that_of_the_batches(history, no_plans):  # noqa: F811
    load_table(rows("b"), history, SITE)
    issue(history, SITE, BATCH_BRIEF)
    record(history, SITE, RESULT, trial=ONE)
    told = look(situation_of(history.at(), SITE, BATCH_BRIEF)).as_dict()
    (batch,), (lesson,) = (getattr(batches(history, SITE), n) for n in ("batches", "lessons"))
    (found,) = told["campaign"]
    assert found["best_so_far"] == lesson.as_dict()["best_so_far"]
    assert found["best_so_far"]["trial"] == ONE
    for trial, whole in zip(found["trials"], batch.as_dict()["trials"], strict=True):
        assert trial == {name: whole[name] for name in trial}
    assert {each["what"] for each in told["happenings"]} == {"loaded", "issued"}


def test_an_empty_history_has_nothing_to_tell(tmp_path):
    nothing = look(situation_of(History(tmp_path / "h").at(), SITE, Brief())).as_dict()
    assert (nothing["line"], nothing["known_runs"], nothing["runs"]) == (None, 0, [])
