"""A result is stored even when the next plan fails, and the next plan uses the plan's own brief."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from cli import main as cli
from optimizer import Brief, History, HistoryError, InputError, Site, suggest
from optimizer.errors import LimitError, QuestionError
from optimizer.intake.settling.load import load_table
from optimizer.intake.settling.rejects import RejectsStore
from optimizer.operations import recording
from optimizer.operations.plan_file import read_plan

ROW = {"line": "a", "feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 2.2, "eccentric_speed": 450}
RESULT = {**ROW, "air": 44, "grade": 0.981, "recovery": 0.91}
# A small space of settings keeps the plans fast.
LIMITS = {
    "air": {"low": 30.0, "high": 60.0},
    **{name: {"fixed": ROW[name]} for name in ("end_raise", "side_tilt", "eccentric_speed")},
}
BRIEF = {
    "line": "a",
    "material": {"feed_grade": 0.9},
    "goal": {
        "maximise": "value",
        "min_grade": 0.97,
        "confidence": 0.8,
        "prices": {"product": 2400.0, "reject": 900.0, "feed": 1500.0},
    },
    "limits": LIMITS,
    "capacity": {"max_product_rate": 2.5},
    "trials": {"count": 1, "settle_minutes": 15.0},
}


@pytest.fixture
def history(tmp_path, monkeypatch):
    """A history of four runs of one line; models with one draw and few candidates keep it fast."""
    monkeypatch.setattr("optimizer.model.surrogate.MEMBERS", ())
    monkeypatch.setattr("optimizer.planning.limits.POOL", 64)
    found = History(tmp_path / "history")
    rows = [
        {**ROW, "air": 34 + 4 * k, "grade": 0.98 - k / 1000, "recovery": 0.88 + k / 50}
        for k in range(4)
    ]
    load_table(rows, found, Site())
    return found


def broken(*args, **more):
    raise ZeroDivisionError("a fault")


def runs_of(history):
    return history.at().runs().num_rows


# ------------------------------------------------------------------ what fails after the commit


@pytest.mark.parametrize("works_first", [True, False])
def test_a_result_is_stored_although_planning_fails(history, monkeypatch, works_first):
    made = []

    def plan(*args, **more):
        made.append(runs_of(history))
        if works_first and len(made) == 1:
            return suggest(*args, **more)
        return broken()

    monkeypatch.setattr(recording, "suggest", plan)
    done = recording.record(history, Site(), [RESULT], Brief.from_dict(BRIEF))
    assert (done.load.added, runs_of(history)) == (1, 5)
    assert done.after is None
    assert (done.before is not None) is works_first
    said = done.as_dict()["failed"]
    assert said == {"code": "fault", "message": "ZeroDivisionError: a fault"}
    assert made == [4, 5]


def test_a_brief_of_another_site_is_refused_before_anything_is_stored(history):
    with pytest.raises(InputError, match="unknown name 'moisture'"):
        recording.record(history, Site(), [RESULT], Brief.from_dict({"material": {"moisture": 1}}))
    assert runs_of(history) == 4


def test_the_command_says_that_the_run_is_stored_and_what_failed(run, history, monkeypatch):
    (history.folder.parent / "result.csv").write_text(
        ",".join(RESULT) + "\n" + ",".join(map(str, RESULT.values())) + "\n"
    )
    made = []

    def plan(*args, **more):
        made.append(1)
        return broken() if len(made) > 1 else suggest(*args, **more)

    monkeypatch.setattr(recording, "suggest", plan)
    code, out, err = run("record", "--from", "result.csv")
    assert code == cli.FAULT
    assert "1 added" in out
    assert "the result is stored (history version 1)" in err
    assert "planning again failed: ZeroDivisionError" in err
    assert "Nothing" not in err
    assert runs_of(history) == 5
    made.clear()
    code, out, err = run("record", "--from", "result.csv", "--json")
    assert (json.loads(out)["load"]["already_known"], code) == (1, 0)


def test_an_answer_that_cannot_be_printed_does_not_deny_what_was_stored(run, history):
    from cli.show import record as show

    (history.folder.parent / "result.csv").write_text(
        ",".join(RESULT) + "\n" + ",".join(map(str, RESULT.values())) + "\n"
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(show, "recorded", broken)
        code, _, err = run("record", "--from", "result.csv")
    assert code == cli.FAULT
    assert runs_of(history) == 5
    assert "What was stored before stays stored" in err
    assert "Nothing" not in err


def test_a_load_whose_rejects_cannot_be_kept_says_what_is_stored(history, monkeypatch):
    monkeypatch.setattr(RejectsStore, "update", broken)
    bad = {**RESULT, "grade": 7}
    with pytest.raises(HistoryError, match=r"1 row is stored \(history version 1\), but the"):
        load_table([RESULT, bad], history, Site())
    assert runs_of(history) == 5
    with pytest.raises(ZeroDivisionError):  # nothing was stored, so the message must not say so
        load_table([bad], history, Site())


# ------------------------------------------------------------------ the brief of the next plan


def test_a_plan_contains_the_brief_that_reproduces_it(history):
    plan = suggest(history.at(), Site(), Brief.from_dict(BRIEF), seed=3).as_dict()
    assert plan["brief"] == BRIEF
    again = suggest(history.at(), Site(), Brief.from_dict(plan["brief"]), seed=plan["seed"])
    assert json.dumps(again.as_dict()) == json.dumps(plan)


def written(folder, history, **changes):
    plan = suggest(history.at(), Site(), Brief.from_dict(BRIEF), seed=3).as_dict()
    (folder / "plan.json").write_text(json.dumps({**plan, **changes}))
    return plan


RECORD = ("record", "--plan", "plan.json", "--grade", "98.1%", "--recovery", "0.91", "--json")


def test_record_replans_with_the_plan_s_goal_brief_and_seed(run, history, tmp_path):
    plan = written(tmp_path, history)
    code, out, _ = run(*RECORD)
    answer = json.loads(out)
    assert (code, answer["load"]["added"]) == (0, 1)
    assert answer["before"] == {k: plan[k] for k in answer["before"]}
    next_plan = suggest(history.at(), Site(), Brief.from_dict(BRIEF), seed=3).as_dict()
    assert answer["after"] == {k: next_plan[k] for k in answer["after"]}
    assert answer["after"]["goal"]["maximise"] == "value"
    # Options override the plan's brief.
    limits = "".join(f"[limits.{name}]\nfixed = {ROW[name]}\n" for name in LIMITS if name in ROW)
    (tmp_path / "other.toml").write_text(f'[goal]\nmaximise = "trade-off"\n{limits}')
    code, out, _ = run(*RECORD, "--run-id", "x", "--min-grade", "96%", "--seed", 5)
    assert (code, json.loads(out)["after"]["goal"]["min_grade"]) == (0, 0.96)
    code, out, _ = run(*RECORD, "--run-id", "y", "--brief", "other.toml")
    assert (code, json.loads(out)["after"]["goal"]["maximise"]) == (0, "trade-off")


def test_a_plan_of_an_earlier_version_is_replanned_with_its_goal(
    run, history, tmp_path, monkeypatch
):
    plan = written(tmp_path, history)
    plan.pop("brief")
    (tmp_path / "plan.json").write_text(json.dumps(plan))
    asked = []

    def plan_by(history, site, brief, seed):
        asked.append((brief.goal.model_dump(), brief.line, seed))
        raise LimitError("no settings")

    monkeypatch.setattr(recording, "suggest", plan_by)
    assert run(*RECORD)[0] == 0
    goal = Brief.from_dict(BRIEF).goal.model_dump()
    goal["prices"]["currency"] = plan["goal"]["prices"]["currency"]  # a plan always names one
    assert asked == [(goal, "a", 3)] * 2


@pytest.mark.parametrize("changes", [{"seed": "x"}, {"brief": 7}, {"recommendations": None}])
def test_an_invalid_plan_is_refused_before_anything_is_stored(run, history, tmp_path, changes):
    written(tmp_path, history, **changes)
    code, _, err = run(*RECORD[:-1])
    assert (code, runs_of(history)) == (2, 4)
    assert "'plan.json' is not a plan" in err


def test_value_without_a_grade_is_shown_without_one(run, history, tmp_path):
    goal = {"maximise": "value", "prices": {"product": 2400.0, "currency": "credits"}}
    brief = Brief.from_dict({**BRIEF, "goal": goal})
    plan = suggest(history.at(), Site(), brief).as_dict()
    (tmp_path / "plan.json").write_text(json.dumps(plan))
    code, out, err = run(*RECORD[:-1])
    assert code == 0, err
    assert "credits/h" in " ".join(out.split())
    assert "sure of grade" not in out


# ------------------------------------------------------------------ from the library


def test_recording_a_trial_from_the_library_equals_the_command(run, history, tmp_path):
    written(tmp_path, history)
    other = History(tmp_path / "other")
    other.append(history.at().runs())
    code, out, _ = run(*RECORD, "--started-at", "2025-04-01T08:00:00Z")
    result = {"grade": "98.1%", "recovery": "0.91", "started_at": "2025-04-01T08:00:00Z"}
    done = recording.record(other, Site(), result, plan=read_plan(tmp_path / "plan.json"))
    assert (code, done.load.added) == (0, 1)
    assert done.as_dict() == json.loads(out)
    assert done.before.seed == done.after.seed == 3
    assert other.at().runs().drop(["source"]).equals(history.at().runs().drop(["source"]))


def test_a_plan_without_a_brief_still_names_its_line(history, tmp_path):
    written(tmp_path, history)
    plan = read_plan(tmp_path / "plan.json")
    # The latest run is of another line, which a brief without a line would select.
    load_table([{**RESULT, "line": "b", "started_at": "2025-05-01T08:00:00Z"}], history, Site())
    goal = {"goal": BRIEF["goal"], "limits": LIMITS, "trials": {"count": 1}}
    done = recording.record(
        history, Site(), {"grade": 0.981, "recovery": 0.91}, plan=replace(plan, brief=goal)
    )
    assert (done.before.line, done.after.line, done.load.added) == ("a", "a", 1)


def test_a_plan_supplies_the_settings_of_one_result_only(history, tmp_path):
    plan = read_plan(tmp_path / "plan.json") if written(tmp_path, history) else None
    with pytest.raises(InputError, match="a plan can be given with one result only"):
        recording.record(history, Site(), [RESULT], plan=plan)
    with pytest.raises(InputError, match="has no trial 7; it has 1"):
        recording.record(history, Site(), {"grade": 0.98}, plan=plan, rank=7)
    with pytest.raises(InputError, match="no result was given"):
        recording.record(history, Site(), {})
    assert runs_of(history) == 4


# ------------------------------------------------------------------ what is hard to believe

DIRTY = {**RESULT, "grade": 0.82, "feed_grade": 0.93}


@pytest.fixture
def no_plan(monkeypatch):
    def none(*args, **more):
        raise LimitError("no settings")

    monkeypatch.setattr(recording, "suggest", none)


@pytest.mark.parametrize("result", [DIRTY, [RESULT, DIRTY]], ids=["one result", "rows"])
def test_a_hard_to_believe_result_is_stored_on_a_second_word_only(history, no_plan, result):
    with pytest.raises(QuestionError, match="the product would be dirtier than its feed") as asked:
        recording.record(history, Site(), result)
    assert asked.value.as_dict()["questions"][0]["field"] == "grade"
    assert runs_of(history) == 4
    done = recording.record(history, Site(), result, sure=True)
    assert len(done.load.questions) == 1
    assert runs_of(history) == 4 + done.load.added
    assert done.as_dict()["load"]["questions"][0]["why"].startswith("grade 82 % is below")


def test_the_command_asks_about_a_result_and_a_sheet(run, history, no_plan):
    options = [f"--{k.replace('_', '-')}={v}" for k, v in ROW.items()]
    words = ("record", *options, "--air=40", "--recovery=91%", "--material=feed_grade=0.93")
    code, out, err = run(*words, "--grade=82%", "--json")
    assert code == 2
    assert "nothing is stored, because this is hard to believe: grade 82 % is below" in err
    assert "give it again with --sure" in err
    told = json.loads(out)
    assert (told["code"], told["questions"][0]["field"]) == ("question", "grade")
    assert runs_of(history) == 4
    code, out, _ = run(*words, "--grade=82%", "--sure")
    assert (code, runs_of(history)) == (0, 5)
    assert "Hard to believe:" in out
    sheet = [{**RESULT, "run_id": "t-1"}, {**DIRTY, "run_id": "t-2"}]
    names = list(sheet[1])
    lines = [",".join(names), *(",".join(str(row.get(n, "")) for n in names) for row in sheet)]
    (history.folder.parent / "sheet.csv").write_text("\n".join(lines) + "\n")
    code, _, err = run("record", "--from", "sheet.csv")
    assert (code, runs_of(history)) == (2, 5)
    assert "dirtier than its feed" in err
    code, _, _ = run("record", "--from", "sheet.csv", "--sure")
    assert (code, runs_of(history)) == (0, 7)


def test_a_load_shows_its_questions_before_and_after_storing(run, history):
    log = history.folder.parent / "log.csv"
    rows = [DIRTY, {**DIRTY, "air": 41, "grade": 0.8}, {**RESULT, "air": 42}]
    names = list(DIRTY)
    log.write_text(
        "\n".join([",".join(names), *(",".join(str(r.get(n, "")) for n in names) for r in rows)])
    )
    code, out, _ = run("load", "log.csv", "--dry-run")
    assert (code, runs_of(history)) == (0, 4)
    said = " ".join(out.split())
    assert "Hard to believe: ? log.csv, rows 2-3: for example, grade 82 % is below" in said
    assert "Nothing is stored yet" in said
    code, out, _ = run("load", "log.csv")
    assert (code, runs_of(history)) == (0, 7)
    said = " ".join(out.split())
    assert "highside correct" in said
    assert "highside withdraw" in said
    code, out, _ = run("load", "log.csv", "--json")
    assert json.loads(out)["questions"] == []
