"""Issued batches on the command line: one number on terminal, sheet and record."""

from __future__ import annotations

import csv
import json
import re

import pypdfium2
import pytest

from cli.show import batch as show
from optimizer import History, Site, batch, issue
from optimizer.errors import LimitError
from optimizer.operations import recording
from optimizer.operations.batch_sheets import batch_sheet
from tests.operations.test_batches import BRIEF, history  # noqa: F401

ONE, TWO = "a-1.1", "a-1.2"
BRIEF_TOML = """
line = "a"
[goal]
min_grade = 0.97
[limits]
air = { low = 30, high = 60 }
end_raise = { fixed = 2.5 }
side_tilt = { fixed = 2.2 }
eccentric_speed = { fixed = 450 }
[trials]
count = 2
"""


@pytest.fixture
def issued(run, history, tmp_path):  # noqa: F811
    """A folder with a history in which batch a-1 was issued; its document."""
    return issue(history, Site(), BRIEF).as_dict()


@pytest.fixture
def no_plans(monkeypatch):
    def refused(*args, **more):
        raise LimitError("no settings")

    monkeypatch.setattr(recording, "suggest", refused)


def answered(run, *arguments):
    code, out, err = run(*arguments, "--json")
    assert code == 0, err
    return json.loads(out)


def refused(run, *arguments):
    code, out, err = run(*arguments)
    assert (code, out) == (2, ""), err
    return err


# ------------------------------------------------------------------ suggest --issue


def test_suggest_issues_a_batch(run, history, tmp_path):  # noqa: F811
    (tmp_path / "brief.toml").write_text(BRIEF_TOML)
    found = answered(run, "suggest", "--brief", "brief.toml", "--issue", "--by", "anna")
    assert (found["schema"], found["batch"], found["issued_by"]) == (
        "highside.batch/1", "a-1", "anna",
    )  # fmt: skip
    assert batch(history, "a-1", Site()).as_dict() == found
    code, out, _ = run("suggest", "--brief", "brief.toml", "--issue")
    assert code == 0
    assert max(map(len, out.splitlines())) <= 80
    assert "Under way: a-1.1, a-1.2." in out
    for words in ("a-2.1 (rank ", "a-2.2 (rank ", "Issued as a-2.", "record --trial a-2.1 "):
        assert words in out
    assert history.at().events[-1].by  # the user of this machine
    code, out, _ = run("suggest", "--brief", "brief.toml", "--issue", "--format", "csv")
    rows = list(csv.DictReader(out.splitlines()))
    assert [row["run_id"] for row in rows] == ["a-3.1", "a-3.2"]
    assert [row["order"] for row in rows] == ["1", "2"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--issue", "--as-of", "0"), "--issue plans one line on the latest version"),
        (("--issue", "--every-line"), "--issue plans one line on the latest version"),
        (("--by", "anna"), "--by needs --issue"),
    ],
)
def test_an_issue_of_another_kind_is_refused(run, history, options, said):  # noqa: F811
    assert said in refused(run, "suggest", *options)
    assert history.version == 0


# ------------------------------------------------------------------ batch


def test_batch_shows_and_changes_states(run, issued, no_plans):
    assert answered(run, "batch", "a-1") == issued
    assert answered(run, "batch") == {"schema": "highside.batches/1", "batches": [issued],
                                      "taught": []}  # fmt: skip
    assert answered(run, "batch", "--line", "b")["batches"] == []
    first = answered(run, "batch", "a-1", "--start", ONE, "--by", "ben")["trials"][0]
    assert first["state"] == "running"
    assert answered(run, "batch", "a-1", "--as-of", "1") == issued
    found = answered(run, "batch", "--skip", ONE, "--reason", "wet")
    assert found["trials"][0]["state"] == "skipped"
    assert answered(run, "batch", "--reopen", ONE)["trials"][0]["state"] == "to run"
    assert answered(run, "batch", "--close", "a-1")["closed_at"] is not None
    assert answered(run, "batch")["taught"][0]["left"] == 2
    assert "batch 'a-1' is closed: by hand" in refused(run, "batch", "--start", ONE)


def test_wrong_use_of_batch_says_what_to_do(run, issued):
    cases = {
        ("--start", ONE, "--skip", TWO): "give one of --start",
        ("--skip", ONE): "Give it with --reason TEXT",
        ("--start", ONE, "--reason", "x"): "--reason belongs to --skip",
        ("--by", "x"): "--by to a change",
        ("a-2", "--start", ONE): "does not belong to a-2",
        ("a-1", "--line", "a"): "give either a batch or --line",
        ("a-2",): "Did you mean 'a-1'",
        ("--start", "a-1.7"): "Did you mean 'a-1.",
    }
    for options, said in cases.items():
        assert said in refused(run, "batch", *options), options


def test_the_text_of_batches(run, issued, no_plans):
    code, out, _ = run("batch")
    assert code == 0
    assert "Batch a-1: open" in out
    assert "a-1.1 (rank " in out
    run("record", "--trial", ONE, "--grade", "92%", "--recovery", "91%", "--setting", "air=41")
    code, out, _ = run("batch", "a-1")
    assert "(run: 41)" in out
    assert "measured 92.0 % (-" in out
    assert "very surprising" in out
    run("batch", "--skip", TWO, "--reason", "x")
    code, out, _ = run("batch")
    assert "No batch is open." in out
    table = out.partition("What finished batches taught")[2]
    assert "a-1" in table
    assert max(map(len, out.splitlines())) <= 80
    assert "No plan was issued yet" in show.batches({"batches": [], "taught": []})


# ------------------------------------------------------------------ record


def test_record_by_number(run, issued, history, no_plans):  # noqa: F811
    found = answered(run, "record", "--trial", ONE, "--grade", "92%", "--recovery", "91%",
                     "--setting", "air=33", "--setting", "feed_rate=1900 kg/h",
                     "--started-at", "2026-05-04T08:00:00Z")  # fmt: skip
    assert found["trial"]["state"] == "done"
    assert (found["trial"]["run"]["air"], found["trial"]["run"]["feed_rate"]) == (33, 1.9)
    assert found["says"][0].startswith("a-1.1: the grade is far lower than expected")
    assert run("record", "--trial", TWO, "--deck-state", "boiling")[0] == 0
    assert batch(history, "a-1").as_dict()["trials"][1]["state"] == "failed"
    said = refused(run, "record", "--trial", ONE, "--grade", "97%", "--recovery", "91%")
    assert "trial 'a-1.1' has a result: grade 92.0 %, recovery 91.0 %" in said
    assert "highside correct a-1.1" in said


def test_wrong_use_of_record_by_number(run, issued, history, no_plans):  # noqa: F811
    result = ("--grade", "97%", "--recovery", "91%")
    cases = {
        ("--trial", "a-1.9", *result): "Did you mean 'a-1.",
        ("--trial", ONE): "no result was given",
        ("--trial", ONE, *result, "--setting", "ari=3"): "Did you mean 'air'",
        ("--trial", ONE, *result, "--air", "3", "--setting", "air=3"): "air is given twice",
        ("--trial", ONE, "--from", "x.csv"): "give neither --from",
        ("--trial", ONE, *result, "--plan", "x.json"): "give neither --from",
        ("--trial", ONE, *result, "--run-id", "x"): "run_id 'x' is not that of trial",
        ("--trial", ONE, *result, "--line", "b"): "line 'b' is not that of trial",
    }
    for options, said in cases.items():
        assert said in refused(run, "record", *options), options
    assert history.version == 1


def test_the_plan_after_a_result_is_that_of_the_batch(run, issued):
    found = answered(run, "record", "--trial", ONE, "--grade", "97.5%", "--recovery", "91%")
    assert found["after"]["goal"] == issued["plan"]["goal"]
    found = answered(run, "record", "--trial", TWO, "--grade", "97.6%", "--recovery", "91%",
                     "--min-grade", "96%")  # fmt: skip
    assert found["after"]["goal"]["min_grade"] == 0.96


# ------------------------------------------------------------------ sheets


def filled(path, **results):
    """Fills in readings of the sheet by trial, and writes it again."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        row |= results.get(row["run_id"].partition(".")[2], {})
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    return rows


def test_the_sheets_of_a_batch_show_its_numbers(run, issued, history, tmp_path):  # noqa: F811
    found = answered(run, "report", "--batch", "a-1", "--sheet", "s.pdf", "--sheet", "s.html",
                     "--sheet", "s.csv")  # fmt: skip
    assert found == {"schema": "highside.sheets/1", "batch": "a-1",
                     "sheets": ["s.pdf", "s.html", "s.csv"]}  # fmt: skip
    pdf = pypdfium2.PdfDocument(tmp_path / "s.pdf")
    printed = "".join(page.get_textpage().get_text_bounded() for page in pdf)
    page = (tmp_path / "s.html").read_text()
    rows = filled(tmp_path / "s.csv")
    assert [row["run_id"] for row in rows] == [ONE, TWO]
    assert [each["rank"] for each in issued["trials"]] == [2, 1]  # not the order
    for shown in (re.findall(r"a-1\.\d", printed), re.findall(r'"s-id">([^<]*)<', page)):
        assert shown == [ONE, TWO]
    for name, trial in zip((ONE, TWO), issued["trials"], strict=True):
        row = next(row for row in rows if row["run_id"] == name)
        assert float(row["air [turn]"]) == trial["planned"]["air"]
    assert (tmp_path / "s.pdf").read_bytes() == batch_sheet(history, "a-1")
    assert not (tmp_path / "report.html").exists()
    for options, said in {
        ("--batch", "a-1"): "Give it with --sheet FILE",
        ("--batch", "a-2", "--sheet", "s.pdf"): "Did you mean 'a-1'",
        ("--batch", "a-1", "--sheet", "s.txt"): "sheet '.txt': expected .pdf",
        ("--batch", "a-1", "--sheet", "s.pdf", "--paper", "a3"): "paper 'a3': expected a4",
    }.items():
        assert said in refused(run, "report", *options)


def test_a_sheet_is_read_as_often_as_it_is_filled_in(run, issued, history, tmp_path, no_plans):  # noqa: F811
    assert run("report", "--batch", "a-1", "--sheet", "s.csv")[0] == 0
    sheet = tmp_path / "s.csv"
    first = {"grade [%]": "97.5", "recovery [%]": "91"}
    filled(sheet, **{"1": first})
    counts = ("added", "already_known", "rejected")

    def read():
        code, out, _ = run("record", "--from", "s.csv", "--json")
        return code, [json.loads(out)["load"][name] for name in counts]

    assert read() == (0, [1, 0, 0])
    filled(sheet, **{"2": {"deck_state": "boiling"}})
    assert read() == (0, [1, 1, 0])
    assert read() == (0, [0, 2, 0])
    states = [t["state"] for t in batch(history, "a-1").as_dict()["trials"]]
    assert states == ["done", "failed"]
    filled(sheet, **{"1": {**first, "grade [%]": "97.9"}})
    assert read() == (2, [0, 1, 1])
    run_of_one = batch(history, "a-1").issued.trials[0].run
    assert run_of_one["grade"] == 0.975


def test_a_sheet_is_replanned_by_the_brief_of_its_batch(run, issued, tmp_path, monkeypatch):
    asked = []

    def plan_by(history, site, brief, seed):  # noqa: F811
        asked.append((brief.goal.min_grade, brief.line, seed))
        raise LimitError("no settings")

    monkeypatch.setattr(recording, "suggest", plan_by)
    assert run("report", "--batch", "a-1", "--sheet", "s.csv")[0] == 0
    filled(tmp_path / "s.csv", **{"1": {"grade [%]": "97.5", "recovery [%]": "91"}})
    assert run("record", "--from", "s.csv")[0] == 0
    assert asked == [(0.97, "a", 0)] * 2
    (tmp_path / "other.csv").write_text(
        (tmp_path / "s.csv").read_text().replace("a-1.1", "x").replace("a-1.2", "a-11")
    )
    assert run("record", "--from", "other.csv")[0] == 0
    assert asked[2:] == [(None, None, 0)] * 2


def test_a_line_of_any_name_gets_a_sheet_that_can_be_read(tmp_path, monkeypatch, no_plans):
    line = "=Linie, 7.2 “ä”-" + "x" * 30
    new = History(tmp_path / "h")
    found = issue(new, Site(), BRIEF.model_copy(update={"line": line}))
    name = found.issued.trials[0].trial
    assert batch_sheet(new, f"{line}-1").startswith(b"%PDF")
    path = tmp_path / "s.csv"
    path.write_bytes(batch_sheet(new, f"{line}-1", ".csv"))
    text = path.read_text(encoding="utf-8-sig").splitlines()
    heads = next(csv.reader(text[:1]))
    cells = next(csv.reader(text[1:2]))
    values = dict(zip(heads, cells, strict=True)) | {"grade [%]": "97", "recovery [%]": "90"}
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([heads, list(values.values())])
    done = recording.record(new, Site(), path)
    assert done.load.added == 1
    assert batch(new, f"{line}-1").as_dict()["trials"][0]["run_id"] == name
