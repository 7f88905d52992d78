"""Issued batches: issuing, changing states, recording by number, pending trials."""

from __future__ import annotations

import json
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest

from optimizer import (
    Brief,
    History,
    InputError,
    Site,
    batch,
    batches,
    close_batch,
    issue,
    record,
    reopen_trial,
    skip_trial,
    start_trial,
    suggest,
)
from optimizer.errors import LimitError
from optimizer.history.storage.table import RunTable
from optimizer.intake.settling.load import load_table
from optimizer.operations import batches as operation
from optimizer.operations import issuing, recording

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
ROW = {"line": "a", "feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 2.2, "eccentric_speed": 450}
# A small space of settings keeps the plans fast.
LIMITS = {
    "air": {"low": 30.0, "high": 60.0},
    **{name: {"fixed": ROW[name]} for name in ("end_raise", "side_tilt", "eccentric_speed")},
}
FIELDS = {"line": "a", "goal": {"min_grade": 0.97}, "limits": LIMITS, "trials": {"count": 2}}
BRIEF = Brief.from_dict(FIELDS)
RESULT = {"grade": 0.981, "recovery": 0.91}
ONE, TWO = "a-1.1", "a-1.2"


def rows(line="a", count=4):
    return [
        {**ROW, "line": line, "air": 34 + 4 * k, "grade": 0.98 - k / 1000,
         "recovery": 0.88 + k / 50}
        for k in range(count)
    ]  # fmt: skip


@pytest.fixture
def history(tmp_path, monkeypatch):
    """A history of four runs of one line; models with one draw and few candidates keep it fast."""
    monkeypatch.setattr("optimizer.model.surrogate.MEMBERS", ())
    monkeypatch.setattr("optimizer.planning.limits.POOL", 64)
    found = History(tmp_path / "history", clock=lambda: NOON)
    load_table(rows(), found, Site())
    return found


@pytest.fixture
def no_plans(monkeypatch):
    """Results are recorded without planning again."""

    def refused(*args, **more):
        raise LimitError("no settings")

    monkeypatch.setattr(recording, "suggest", refused)


def text(plan):
    return json.dumps(plan.as_dict())


def trials(found):
    return {each["trial"]: each for each in found.as_dict()["trials"]}


def pending(history, brief=BRIEF, version=None):
    return suggest(history.at(version), Site(), brief).as_dict()["pending"]


# ------------------------------------------------------------------ issue


def test_an_issued_plan_is_the_plan_of_the_version_before_it(history):
    plan = suggest(history, Site(), BRIEF, seed=3)
    found = issue(history, Site(), BRIEF, seed=3, by="anna").as_dict()
    assert (found["batch"], found["line"], found["issued_by"]) == ("a-1", "a", "anna")
    assert (found["issued_at"], found["closed_at"]) == ("2026-05-04T12:00:00Z", None)
    assert (found["plan"], found["brief"]) == (json.loads(text(plan)), plan.as_dict()["brief"])
    assert (found["history_version"], history.version) == (0, 1)
    assert [t["trial"] for t in found["trials"]] == [ONE, TWO]
    by_order = sorted(plan.as_dict()["recommendations"], key=lambda each: each["order"])
    assert [t["planned"] for t in found["trials"]] == [each["settings"] for each in by_order]
    assert [t["rank"] for t in found["trials"]] == [each["rank"] for each in by_order]
    assert batch(history, "a-1", Site()).as_dict() == found
    # The plan of a version does not change because it was issued.
    assert text(suggest(history.at(0), Site(), BRIEF, seed=3)) == text(plan)


def test_each_issue_has_the_next_number_of_its_line(history):
    load_table(rows("b"), history, Site())
    other = Brief.from_dict({**FIELDS, "line": "b"})
    ids = [issue(history, Site(), each).issued.batch for each in (BRIEF, other, BRIEF)]
    assert ids == ["a-1", "b-1", "a-2"]
    assert [b.issued.batch for b in batches(history, line="a").batches] == ["a-1", "a-2"]


def test_an_empty_history_can_issue_a_batch(tmp_path):
    history = History(tmp_path / "new")
    found = issue(history, Site(), BRIEF)
    assert (found.as_dict()["history_version"], history.version) == (None, 0)
    assert [p["trial"] for p in pending(history)] == [ONE, TWO]
    done = record(history, Site(), RESULT, trial=ONE)
    assert done.load.added == 1
    assert trials(batch(history, "a-1"))[ONE]["surprise"] is None  # nothing was expected
    with pytest.raises(InputError, match="needs a line") as refused:
        issue(History(tmp_path / "other"), Site())
    assert refused.value.code == "no-line"
    assert History(tmp_path / "other").version is None


def test_the_only_line_of_a_site_need_not_be_named(tmp_path):
    site = Site.from_dict({"lines": {"deck": {}}})
    found = issue(History(tmp_path / "new"), site, BRIEF.model_copy(update={"line": None}))
    assert found.issued.batch == "deck-1"


def meanwhile(monkeypatch, act):
    """Acts once between a plan and the commit of its issue."""
    made = []

    def planned(situation):
        plan = operation_plan(situation)
        made.append(plan.history_version)
        if len(made) == 1:
            act()
        return plan

    operation_plan = issuing.plan_of
    monkeypatch.setattr(issuing, "plan_of", planned)
    monkeypatch.setattr(operation, "LONGEST_PAUSE", 0.0)
    return made


def test_a_load_of_another_line_does_not_make_the_plan_again(history, monkeypatch):
    made = meanwhile(monkeypatch, lambda: load_table(rows("b"), history, Site()))
    found = issue(history, Site(), BRIEF).as_dict()
    assert (made, found["history_version"], history.version) == ([0], 0, 2)


def test_a_load_of_the_line_makes_the_plan_again(history, monkeypatch):
    made = meanwhile(monkeypatch, lambda: load_table([{**ROW, "air": 55, **RESULT}], history))
    found = issue(history, Site(), BRIEF).as_dict()
    assert (made, found["history_version"], history.version) == ([0, 1], 1, 2)
    assert found["plan"]["runs_used"] == 5


def test_a_batch_of_the_line_makes_the_plan_again(history, monkeypatch):
    other = History(history.location)
    made = meanwhile(monkeypatch, lambda: issue(other, Site(), BRIEF))
    found = issue(history, Site(), BRIEF).as_dict()
    assert made == [0, 0, 1]
    assert found["batch"] == "a-2"
    assert [p["trial"] for p in found["plan"]["pending"]] == [ONE, TWO]
    assert not {str(t["planned"]) for t in found["trials"]} & {
        str(p["settings"]) for p in found["plan"]["pending"]
    }


# ------------------------------------------------------------------ pending


def test_trials_without_a_result_are_pending_for_later_plans(history, no_plans):
    before = text(suggest(history, Site(), BRIEF))
    assert "pending" not in json.loads(before)
    found = trials(issue(history, Site(), BRIEF))
    issued = history.version
    said = [{"trial": name, "settings": t["planned"]} for name, t in found.items()]
    plan = suggest(history, Site(), BRIEF).as_dict()
    assert plan["pending"] == said
    settings = [t["settings"] for t in plan["recommendations"]]
    assert not any(each["planned"] in settings for each in found.values())
    # As if the brief had named them.
    named = Brief.from_dict({**FIELDS, "pending": [t["planned"] for t in found.values()]})
    as_named = suggest(history.at(0), Site(), named).as_dict()
    assert plan["recommendations"] == as_named["recommendations"]
    # A trial that the brief names, too, counts once.
    both = {**FIELDS, "pending": [found[ONE]["planned"], {**ROW_SETTINGS, "air": 47.0}]}
    assert pending(history, Brief.from_dict(both)) == [
        *said,
        {"trial": None, "settings": {**ROW_SETTINGS, "air": 47.0}},
    ]
    # Results and skipped trials are not pending, but are at the version before.
    record(history, Site(), RESULT, trial=ONE)
    skip_trial(history, TWO, "wet")
    assert pending(history) == []
    assert pending(history, version=issued) == said
    assert text(suggest(history.at(0), Site(), BRIEF)) == before
    reopen_trial(history, TWO)
    assert pending(history) == said[1:]
    close_batch(history, "a-1")
    assert pending(history) == []


ROW_SETTINGS = {**{name: float(v) for name, v in ROW.items() if name != "line"}}


def test_trials_of_another_line_are_not_pending(history):
    load_table(rows("b"), history, Site())
    issue(history, Site(), BRIEF)
    other = Brief.from_dict({**FIELDS, "line": "b"})
    plan = suggest(history, Site(), other).as_dict()
    assert plan.pop("pending") == []
    before = suggest(history.at(1), Site(), other).as_dict()
    assert {**plan, "history_version": 1} == before


def test_a_batch_in_a_unit_that_cannot_be_converted_is_named(history):
    issue(history, Site(), BRIEF)
    air = {"unit": "%", "low": 0, "high": 100, "step": 1}
    with pytest.raises(InputError, match="in 'turn' and the site declares '%'"):
        suggest(history, Site.from_dict({"settings": {"air": air}}), BRIEF)
    given = {**air, "was": [{"unit": "turn", "at": [[0, 0], [90, 100]]}]}
    plan = suggest(history, Site.from_dict({"settings": {"air": given}}), BRIEF)
    assert plan.pending == ()
    assert any("Batch 'a-1' is open, but states no air" in w for w in plan.warnings)


# ------------------------------------------------------------------ states


def refused(code, match, call, *args, **more):
    with pytest.raises(InputError, match=match) as found:
        call(*args, **more)
    assert found.value.code == code


def test_states_are_checked_before_they_change(history, no_plans):
    issue(history, Site(), BRIEF)
    assert trials(start_trial(history, ONE, by="ben"))[ONE]["state"] == "running"
    refused("trial-state", "cannot be started: it is running", start_trial, history, ONE)
    refused("no-reason", "without a reason", skip_trial, history, ONE, " ")
    skipped = trials(skip_trial(history, ONE, "wet"))[ONE]
    assert (skipped["state"], skipped["reason"]) == ("skipped", "wet")
    refused("trial-state", r"it is skipped \(wet\)", skip_trial, history, ONE, "dry")
    refused("trial-state", "Reopen it first", start_trial, history, ONE)
    assert trials(reopen_trial(history, ONE))[ONE]["state"] == "to run"
    refused("trial-state", "cannot be reopened: it is to run", reopen_trial, history, ONE)
    record(history, Site(), RESULT, trial=ONE)
    for call in (start_trial, reopen_trial):
        refused("trial-has-result", "has a result: grade 98.1 %", call, history, ONE)
    refused("trial-has-result", "highside correct a-1.1", skip_trial, history, ONE, "x")
    version = history.version
    refused("unknown-trial", "Did you mean 'a-1.2'", start_trial, history, "a-1.22")
    refused("unknown-batch", "Did you mean 'a-1'", close_batch, history, "a-2")
    refused("unknown-batch", "Did you mean 'a-1'", batch, history, "a1")
    assert close_batch(history, "a-1").as_dict()["closed_at"] == "2026-05-04T12:00:00Z"
    refused("batch-closed", "closed: by hand", close_batch, history, "a-1")
    for call in (start_trial, reopen_trial):
        refused("batch-closed", "closed: by hand", call, history, TWO)
    refused("batch-closed", "closed: by hand", skip_trial, history, TWO, "x")
    refused("batch-closed", "closed: by hand", record, history, Site(), RESULT, trial=TWO)
    assert history.version == version + 1
    said = [(e.what, e.by) for e in history.at().events if e.what != "described"]
    assert said[:2] == [("issued", None), ("started", "ben")]


def test_a_complete_batch_is_closed_and_says_so(history, no_plans):
    issue(history, Site(), BRIEF)
    record(history, Site(), RESULT, trial=ONE)
    skip_trial(history, TWO, "wet")
    assert batch(history, "a-1").as_dict()["closed_at"] is not None
    refused("batch-closed", "all its trials are settled", close_batch, history, "a-1")
    # It was run after all.
    assert record(history, Site(), {**RESULT, "recovery": 0.9}, trial=TWO).load.added == 1
    assert trials(batch(history, "a-1"))[TWO]["state"] == "done"


def test_an_event_is_checked_again_when_another_commit_comes_first(history, monkeypatch):
    issue(history, Site(), BRIEF)
    other, taken = History(history.location), []
    note = History.note

    def late(self, *args):
        if self is history and not taken:
            taken.append(skip_trial(other, ONE, "wet"))
        return note(self, *args)

    monkeypatch.setattr(History, "note", late)
    monkeypatch.setattr(operation, "LONGEST_PAUSE", 0.0)
    refused("trial-state", "it is skipped", start_trial, history, ONE)
    assert trials(start_trial(history, TWO))[TWO]["state"] == "running"


# ------------------------------------------------------------------ results


def test_a_result_is_the_planned_settings_as_they_were_run(history):
    site = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 5, "high": 20}}})
    brief = Brief.from_dict({**FIELDS, "material": {"moisture": 11.0}})
    found = trials(issue(history, site, brief, seed=5))
    result = {"grade": "98.1%", "recovery": 0.91, "grade_count": 500,
              "settings": {"air": "33", "feed_rate": "1900 kg/h"}, "deck_state": "even",
              "note": "calm"}  # fmt: skip
    done = record(history, site, result, trial=ONE)
    assert done.load.added == 1
    assert done.before.seed == done.after.seed == 5
    assert done.after.material == {"moisture": 11.0}  # the brief of the batch
    run = {r["run_id"]: r for r in history.at().runs(site).to_pylist()}[ONE]
    assert (run["line"], run["started_at"]) == ("a", NOON)
    assert (run["air"], run["feed_rate"]) == (33.0, 1.9)
    assert run["side_tilt"] == found[ONE]["planned"]["side_tilt"]
    assert run["moisture"] is None  # assumed, not measured
    assert (run["grade"], run["note"], run["grade_count"]) == (0.981, "calm", 500)
    trial = trials(batch(history, "a-1", site))[ONE]
    assert (trial["state"], trial["run_id"], trial["run"]["air"]) == ("done", ONE, 33.0)
    assert trial["surprise"]["grade"] is not None
    more = {**RESULT, "material": {"moisture": "12 %"}, "started_at": "2026-05-04T09:30:00Z"}
    record(history, site, more, trial=TWO)
    run = {r["run_id"]: r for r in history.at().runs(site).to_pylist()}[TWO]
    assert (run["moisture"], run["started_at"].hour) == (12.0, 9)


def test_a_second_result_is_refused_with_what_is_there(history, no_plans):
    issue(history, Site(), BRIEF)
    record(history, Site(), RESULT, trial=ONE)
    version = history.version
    again = (RESULT, {**RESULT, "grade": 0.97}, {"deck_state": "boiling"})
    for result in again:
        refused("trial-has-result", "grade 98.1 %, recovery 91.0 %, deck even, started 2026-05-04",
                record, history, Site(), result, trial=ONE)  # fmt: skip
    assert history.version == version


def test_a_failed_trial_needs_no_readings(history, no_plans):
    issue(history, Site(), BRIEF)
    assert record(history, Site(), {"deck_state": "boiling"}, trial=ONE).load.added == 1
    assert trials(batch(history, "a-1"))[ONE]["state"] == "failed"


def test_a_rejected_result_leaves_the_trial_to_run(history, no_plans):
    issue(history, Site(), BRIEF)
    done = record(history, Site(), {"grade": 7, "recovery": 0.9}, trial=ONE)
    assert (done.load.added, done.load.rejected) == (0, 1)
    assert trials(batch(history, "a-1"))[ONE]["state"] == "to run"


@pytest.mark.parametrize(
    ("result", "match"),
    [
        ({}, "no result was given"),
        ({"grade": None, "note": ""}, "no result was given"),
        ({**RESULT, "settings": {"ari": 3}}, "settings: unknown name 'ari'. Did you mean 'air'"),
        ({**RESULT, "material": {"moisture": 3}}, "material: unknown name 'moisture'"),
        ({**RESULT, "run_id": "x"}, "run_id 'x' is not that of trial 'a-1.1'"),
        ({**RESULT, "line": "b"}, "line 'b' is not that of trial 'a-1.1'"),
    ],
)
def test_a_result_that_cannot_be_one_of_the_trial_is_refused(history, no_plans, result, match):
    issue(history, Site(), BRIEF)
    with pytest.raises(InputError, match=match):
        record(history, Site(), result, trial=ONE)
    with pytest.raises(InputError, match="takes one result"):
        record(history, Site(), [RESULT], trial=ONE)
    assert history.version == 1


def test_a_batch_that_is_closed_while_a_plan_is_made_takes_no_result(history, monkeypatch):
    issue(history, Site(), BRIEF)

    def plan(*args, **more):
        close_batch(History(history.location), "a-1")
        raise LimitError("no settings")

    monkeypatch.setattr(recording, "suggest", plan)
    refused("batch-closed", "closed: by hand", record, history, Site(), RESULT, trial=ONE)
    assert history.version == 2


def test_a_result_that_another_machine_stores_first_is_the_only_one(history, no_plans, monkeypatch):
    issue(history, Site(), BRIEF)
    free(monkeypatch)
    load, first = recording._load, []

    def late(*args):
        if not first:
            first.append(True)
            record(History(history.location), Site(), {**RESULT, "grade": 0.975}, trial=ONE)
        return load(*args)

    monkeypatch.setattr(recording, "_load", late)
    refused("trial-has-result", "grade 97.5 %", record, history, Site(), RESULT, trial=ONE)
    assert history.at().runs(Site()).num_rows == 5


def free(monkeypatch):
    """As on an object store: no lock holds for other writers."""

    @contextmanager
    def none(self):
        yield

    monkeypatch.setattr(RunTable, "lock", none)


@pytest.mark.parametrize("locked", [True, False])
def test_sixteen_writers_of_one_batch_store_one_result_a_trial(
    history, no_plans, monkeypatch, locked
):
    issue(history, Site(), BRIEF)
    if not locked:
        free(monkeypatch)

    def write(k):
        own = History(history.location, clock=lambda: NOON)
        told = []
        for trial in (ONE, TWO) if k % 2 else (TWO, ONE):
            try:
                done = record(own, Site(), {**RESULT, "note": f"writer {k}",
                                            "grade": 0.97 + k / 1000}, trial=trial)  # fmt: skip
                told.append((trial, done.load.added))
            except InputError as error:
                told.append((trial, 0 if error.code == "trial-has-result" else -99))
        return told

    with ThreadPoolExecutor(16) as pool:
        told = [each for found in pool.map(write, range(16)) for each in found]
    for trial in (ONE, TWO):
        added = [count for name, count in told if name == trial]
        assert (sum(added), len(added)) == (1, 16)
    stored = history.at().runs(Site()).to_pylist()
    assert sorted(r["run_id"] for r in stored if r["run_id"].startswith("a-1.")) == [ONE, TWO]
    assert len(stored) == 6
    assert batch(history, "a-1").issued.complete
