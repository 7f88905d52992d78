"""Results, corrections, plans and comparisons of a line whose air is set at several gates."""

from __future__ import annotations

import csv
import json
import re

import numpy as np
import pytest
from pypdfium2 import PdfDocument

from cli.show.batch import batch as show_batch
from cli.show.diagnosis import diagnosis as show_diagnosis
from cli.show.plan import plan as show_plan
from optimizer import Brief, History, Site, compare, diagnose, suggest
from optimizer.errors import InputError, ValueRefused
from optimizer.history.changes import changes_of
from optimizer.history.issued import ISSUED, find_batch
from optimizer.intake.settling.load import load_corrections, load_table
from optimizer.landscape.what_if import WhatIf
from optimizer.operations.batch_sheets import write_batch_sheets
from optimizer.operations.batches import batch as batch_of
from optimizer.operations.corrections import correct
from optimizer.operations.issuing import issue
from optimizer.operations.looking import look
from optimizer.operations.plan_file import read_plan, result_row
from optimizer.operations.recording import record
from optimizer.operations.reporting import ReportFiles, report
from optimizer.operations.trial_results import add_result
from optimizer.planning.situation import situation_of

GATES = ("air_1", "air_2", "air_3")
GATED = {"air": {"gates": 3, "max_taper": 15, "max_change": 12}, "air_2": {"high": 70}}
SITE = Site.from_dict({"lines": {"deck-1": {}, "deck-3": GATED}}, source="site.toml")
UNGATED = Site.from_dict({"lines": {"deck-1": {}, "deck-3": {}}})
FIXED = {"end_raise": 2.5, "side_tilt": 2.2, "eccentric_speed": 450}
BRIEF = Brief.from_dict(
    {
        "line": "deck-3",
        "goal": {"min_grade": 0.96},
        "limits": {name: {"fixed": value} for name, value in FIXED.items()},
        "current": {"air": 40},
        "trials": {"count": 2},
    }
)


def row(k: int, line: str, **airs):
    at = {"line": line, "started_at": f"2026-01-{k + 1:02d} 08:00", "feed_rate": 2.0 + k % 3 / 10}
    read = {"grade": 0.97 + k % 5 / 500, "recovery": 0.88 + k % 7 / 200, "grade_count": 400}
    return {**at, **FIXED, **dict.fromkeys(("air", *GATES)), **airs, **read}


@pytest.fixture
def history(tmp_path, monkeypatch):
    """Runs of an ungated line, and of a gated one of which the first are from before its gates;
    models with one draw and few candidates keep it fast."""
    monkeypatch.setattr("optimizer.model.surrogate.MEMBERS", ())
    monkeypatch.setattr("optimizer.planning.limits.POOL", 64)
    made = History(tmp_path / "history")
    old = [row(k, line, air=34.0 + 3 * (k % 4)) for line in ("deck-1", "deck-3") for k in range(8)]
    assert load_table(old, made, UNGATED).added == 16
    new = [
        row(k, "deck-3", air_1=34.0 + k, air_2=40.0 + k % 4, air_3=44.0 - k % 3)
        for k in range(8, 16)
    ]
    assert load_table(new, made, SITE).added == 8
    return made


def settings_of(history, run_id):
    runs = history.at().runs(SITE, ["deck-3"]).to_pylist()
    (run,) = (run for run in runs if run["run_id"] == run_id)
    return tuple(run[name] for name in ("air", *GATES))


def newest(history):
    return history.at().runs(SITE, ["deck-3"])["run_id"].to_pylist()[-1]


# -- plans ------------------------------------------------------------------------------------


def test_a_plan_stays_on_the_steps_and_limits_of_each_gate(history):
    plan = suggest(history, SITE, BRIEF).as_dict()
    planned = [each["settings"] for each in plan["recommendations"]]
    assert planned
    for each in (*planned, plan["run_now"]["settings"]):
        airs = [each[gate] for gate in GATES]
        assert "air" not in each
        assert 28 <= min(airs) <= max(airs) <= 52
        assert np.abs(np.diff(airs)).max() <= 15
    assert suggest(history, SITE, BRIEF).as_dict() == plan


def test_all_gates_can_be_fixed_at_one_value(history):
    brief = Brief.from_dict(BRIEF.as_document(), limits__air={"fixed": 41})
    plan = suggest(history, SITE, brief).as_dict()
    assert {plan["run_now"]["settings"][gate] for gate in GATES} == {41.0}


def test_the_other_answers_are_given(history):
    goal = {"goal": {"min_grade": 0.96}}
    found = diagnose(history.at(), SITE, Brief.from_dict({**goal, "line": "deck-3"})).as_dict()
    assert {each["setting"] for each in found["sensitivity"]} >= {"air", "air_taper", "air_bow"}
    compared = compare(history.at(), SITE, Brief.from_dict(goal)).as_dict()
    assert {entry["line"] for entry in compared["lines"]} == {"deck-1", "deck-3"}
    assert {"air", *GATES} <= set(compared["units"])


def test_what_to_expect_takes_one_value_for_all_gates(history):
    asked = WhatIf(situation_of(history, SITE, BRIEF))
    all_alike = asked.expected({"air": 44}).settings
    assert {all_alike[gate] for gate in GATES} == {44.0}
    one = asked.expected({"air": 44, "air_3": 40}).settings
    assert [one[gate] for gate in GATES] == [44, 44, 40]
    with pytest.raises(InputError, match="air gate 2 and air gate 3 at most 15 turn apart"):
        asked.expected({"air": 30, "air_3": 50})
    with pytest.raises(InputError, match="air gate 1 60 turn is outside the limits"):
        asked.expected({"air": 60})


# -- results ----------------------------------------------------------------------------------


@pytest.fixture
def batch(history):
    issue(history, SITE, BRIEF)
    event = [event for event in history.at().events if event.what == ISSUED][-1]
    return event.about["batch"]


def planned(history, batch, k):
    trials = find_batch(history.at(), batch, SITE).trials
    (trial,) = (each for each in trials if each.trial == f"{batch}.{k}")
    return tuple(trial.planned[gate] for gate in GATES)


def test_the_result_of_a_trial_states_all_gates_or_one(history, batch):
    read = {"grade": 0.975, "recovery": 0.9}
    before = planned(history, batch, 2)
    assert add_result(history, SITE, f"{batch}.1", {**read, "settings": {"air": 44}}).added == 1
    assert settings_of(history, f"{batch}.1") == (None, 44, 44, 44)
    with pytest.raises(InputError, match="unknown name 'air_4'"):
        add_result(history, SITE, f"{batch}.2", {**read, "settings": {"air_4": 44}})
    second = {"recovery": 0.91, "grade": 0.974, "settings": {"air_2": 39.0}}
    assert add_result(history, SITE, f"{batch}.2", second).added == 1
    assert settings_of(history, f"{batch}.2") == (None, before[0], 39, before[2])


def test_a_batch_from_before_the_gates_has_them_alike(history, tmp_path):
    other = History(tmp_path / "other")
    load_table([row(k, "deck-3", air=34.0 + 3 * (k % 4)) for k in range(8)], other, UNGATED)
    issue(other, UNGATED, BRIEF)
    (batch,) = [e.about["batch"] for e in other.at().events if e.what == ISSUED]
    (first, *_) = find_batch(other.at(), batch, SITE).trials
    assert len({first.planned[gate] for gate in GATES}) == 1
    plan = suggest(other, SITE, BRIEF).as_dict()
    assert not [said for said in plan["warnings"] if "does not take its trials" in said]
    assert len(plan["pending"]) == 2
    read = {"grade": 0.975, "recovery": 0.9, "settings": {"air_3": 33}}
    assert add_result(other, SITE, first.trial, read).added == 1


def test_the_sheet_of_a_batch_comes_back(history, batch, tmp_path):
    sheet = tmp_path / "sheet.csv"
    write_batch_sheets(history, batch, [sheet])
    rows = list(csv.reader(sheet.read_text(encoding="utf-8-sig").splitlines()))
    head = next(k for k, cells in enumerate(rows) if "grade" in " ".join(cells).lower())
    columns = [cell.split(" ")[0] for cell in rows[head]]
    assert {*GATES} <= set(columns)
    for k, cells in enumerate(rows[head + 1 :]):
        if len(cells) == len(columns):
            cells[columns.index("grade")] = f"97.{k}%"
            cells[columns.index("recovery")] = f"91.{k}%"
    with sheet.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    before = [planned(history, batch, k) for k in (1, 2)]
    done = record(history, SITE, sheet)
    assert (done.load.added, done.failure) == (2, None)
    assert [settings_of(history, f"{batch}.{k}")[1:] for k in (1, 2)] == before


def test_a_result_beside_a_plan_states_all_gates_or_one(history, tmp_path):
    path = tmp_path / "plan.json"
    path.write_text(json.dumps(suggest(history, SITE, BRIEF).as_dict()), encoding="utf-8")
    plan = read_plan(path)
    whole = result_row({"air": 41, "grade": 0.97, "recovery": 0.9}, plan)
    assert not [heading for heading in whole if heading.startswith("air_")]
    assert whole["air"] == 41
    one = result_row({"grade": 0.97, "recovery": 0.9}, plan)
    assert [one[f"{gate} [turn]"] for gate in GATES] == [plan.trials[1][gate] for gate in GATES]


def test_a_row_without_gates_is_told_what_it_lacks(history):
    given = {name: value for name, value in row(20, "deck-3").items() if value is not None}
    done = record(history, SITE, [given], BRIEF)
    (reject,) = done.load.as_dict()["rejects"]
    assert reject["reason"].startswith("air is missing")


# -- corrections ------------------------------------------------------------------------------


def test_one_gate_of_a_run_from_before_the_gates_is_corrected(history):
    runs = history.at().runs(SITE, ["deck-3"]).to_pylist()
    run = runs[0]
    ids = {"line": "deck-3", "reason": "misread"}
    (change,) = correct(history, SITE, run["run_id"], {"air_2": "39"}, **ids).changes
    assert settings_of(history, run["run_id"]) == (None, run["air_1"], 39, run["air_1"])
    assert change.after == {"air": None, "air_1": 34.0, "air_2": 39.0, "air_3": 34.0}
    correct(history, SITE, run["run_id"], {"settings": {"air": 42}}, **ids)
    assert settings_of(history, run["run_id"]) == (None, 42, 42, 42)
    with pytest.raises(ValueRefused, match="air is 42 and air_1 is 41: air means all gates alike"):
        correct(history, SITE, run["run_id"], {"air": "42", "air_1": "41"}, **ids)
    with pytest.raises(ValueRefused, match="air_2 75 is outside the declared range"):
        correct(history, SITE, run["run_id"], {"air_2": 75}, **ids)
    told = changes_of(history.at(), SITE).changes
    assert told[0].before["air"] == 34.0


def test_a_log_corrects_all_gates_or_one(history, tmp_path):
    run_id = newest(history)
    before = settings_of(history, run_id)
    log = tmp_path / "correct.csv"
    log.write_text(f"run_id,line,air_3\n{run_id},deck-3,39\n", encoding="utf-8")
    assert load_corrections([log], history, SITE, reason="misread").corrected == 1
    assert settings_of(history, run_id) == (None, before[1], before[2], 39)
    log.write_text(f"run_id,line,air\n{run_id},deck-3,45\n", encoding="utf-8")
    assert load_corrections([log], history, SITE, reason="misread").corrected == 1
    assert settings_of(history, run_id) == (None, 45, 45, 45)


# -- what people see --------------------------------------------------------------------------

RAW = re.compile(r"\bair_(\d|taper|bow)")


def visible(page: str) -> str:
    """The text of a page, without what only its scripts and forms read."""
    return re.sub(r"<(style|script)\b.*?</\1>|<[^>]*>", " ", page, flags=re.S)


def test_report_and_sheet_call_gates_by_their_number(history, batch, tmp_path):
    files = ReportFiles(tmp_path / "report.html", (tmp_path / "sheet.html", tmp_path / "sheet.pdf"))
    report(history.at(), SITE, BRIEF, files)
    page = visible((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert not RAW.findall(page)
    for said in ("Air along the deck", "Air gate 3", "Air, mean of the gates", "first gate over"):
        assert said in page
    drawn = (tmp_path / "sheet.html").read_text(encoding="utf-8")
    sheet = visible(drawn)
    assert not RAW.findall(sheet)
    assert "gates side by side at most 15 turn apart" in sheet
    assert "Air, each of 3 gates from the feed end, 28 to 52 turn" in sheet
    for trial in drawn.split('class="s-trial"')[1:]:
        moves = re.findall(r"Air gate (\d) \d+ → \d+ turn", trial)
        assert moves == sorted(moves)
    assert "Air gate 1, feed end" in sheet
    pdf = PdfDocument(tmp_path / "sheet.pdf")[0].get_textpage().get_text_bounded()
    assert "Air gate 1, feed end" in pdf


def test_the_terminal_calls_gates_by_their_number(history, batch):
    plan = suggest(history, SITE, BRIEF).as_dict()
    text = show_plan(plan)
    now = " / ".join(f"{plan['run_now']['settings'][gate]:g}" for gate in GATES)
    assert f"air {now} turn at gates 1 to 3 from the feed end" in " ".join(text.split())
    assert text.count("at gates 1 to 3 from the feed end") == 3
    found = find_batch(history.at(), batch, SITE)
    shown = show_batch(batch_of(history, batch, SITE).as_dict())
    assert all(trial.trial in shown for trial in found.trials)
    goal = {"goal": {"min_grade": 0.96}, "line": "deck-3"}
    told = show_diagnosis(diagnose(history.at(), SITE, Brief.from_dict(goal)).as_dict())
    assert "air taper" in told
    said = "the first one, at the feed end, has than the last one (air taper)"
    assert said in " ".join(told.split())
    for answer in (text, shown, told):
        assert not RAW.findall(answer)
        assert max(map(len, answer.splitlines())) <= 80


def test_pictures_are_drawn_of_a_deck_with_gates(history):
    found = look(situation_of(history, SITE, BRIEF)).as_dict()
    effects = {effect["setting"]: effect for effect in found["effects"]}
    assert [name for name in effects if name.startswith("air")] == ["air", "air_taper"]
    # All gates together, until the first of them is at its end.
    now = np.array([found["run_now"]["settings"][gate] for gate in GATES])
    least, most = (np.array([s[end] for s in found["settings"][-3:]]) for end in ("low", "high"))
    level = effects["air"]
    assert level["low"] == pytest.approx(now.mean() + (least - now).max())
    assert level["high"] == pytest.approx(now.mean() + (most - now).min())
    # The taper is told as how much more the first gate has than the last one.
    assert effects["air_taper"]["now"] == pytest.approx(now[0] - now[2])
