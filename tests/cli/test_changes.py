"""The commands that change runs: options, output and exit codes."""

from __future__ import annotations

import getpass
import json
import sys

import pytest

from cli import main as cli
from optimizer import History
from optimizer.intake.settling.load import load_table
from tests.history.runs import run as run_of


@pytest.fixture
def history(tmp_path, monkeypatch) -> History:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "site.toml").write_text(
        "[material.moisture]\nunit = '%'\nlow = 0.0\nhigh = 20.0\n", encoding="utf-8"
    )
    made = History("history")
    load_table([run_of(run_id=f"r{k}", air=20.0 + k) for k in range(4)], made)
    return made


def run(words: str, monkeypatch, capsys, *more: str) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["highside", *words.split(), *more])
    with pytest.raises(SystemExit) as stop:
        cli.run()
    return (stop.value.code or 0, *capsys.readouterr())


def test_a_run_is_corrected_with_every_option(history, monkeypatch, capsys):
    words = (
        "correct r1 --grade 98.2% --recovery 0.91 --grade-se 0.4% --recovery-se 0.01 "
        "--grade-count 400 --deck-state boiling --started-at 2026-05-04T06:00 --note checked "
        "--setting air=33 --setting feed_rate=1.9 --material moisture=11 --by ann --json --reason"
    )
    code, out, _ = run(words, monkeypatch, capsys, "digits exchanged")
    assert code == 0
    document = json.loads(out)
    (change,) = document["changes"]
    assert document["schema"] == "highside.changes/1"
    assert (change["by"], change["reason"]) == ("ann", "digits exchanged")
    assert change["after"] == {
        "started_at": "2026-05-04T06:00:00Z", "feed_rate": 1.9, "air": 33.0, "grade": 0.982,
        "recovery": 0.91, "grade_se": 0.004, "recovery_se": 0.01, "grade_count": 400,
        "deck_state": "boiling", "note": "checked", "moisture": 11.0,
    }  # fmt: skip
    assert list(change) == [
        "at", "by", "run_id", "line", "what", "reason", "before", "after", "version"
    ]  # fmt: skip


def test_a_change_is_told_as_text_with_who_made_it(history, monkeypatch, capsys):
    code, out, _ = run("correct r1 --grade 98.2% --reason typo", monkeypatch, capsys)
    assert code == 0
    assert "Run r1 of line A: corrected" in out
    assert f"by {getpass.getuser()}, history version 1" in out
    assert "Reason: typo" in out
    assert "grade 0.97 → 0.982." in out
    code, out, _ = run("withdraw r2 --reason mixed", monkeypatch, capsys)
    assert "Run r2 of line A: withdrawn" in out
    assert "air 22" in out
    code, out, _ = run("withdraw r2 --undo --reason right", monkeypatch, capsys)
    assert "Run r2 of line A: reinstated" in out
    code, out, _ = run("history --changes", monkeypatch, capsys)
    assert out.count("Reason:") == 3
    code, out, _ = run("history --changes --run r2 --json", monkeypatch, capsys)
    assert [c["what"] for c in json.loads(out)["changes"]] == ["withdrawn", "reinstated"]
    code, out, _ = run("history --changes --run r3", monkeypatch, capsys)
    assert (code, out) == (0, "No run was changed.\n")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("correct r1 --grade 98.2%", "--reason"),
        ("correct r1 --reason x", "no value to correct"),
        ("correct r1 --grade 98.2 --reason x", "could be per cent"),
        ("correct r11 --grade 98.2% --reason x", "Did you mean 'r1'"),
        ("correct r1 --setting air --reason x", "--setting"),
        ("withdraw r1", "--reason"),
        ("withdraw r1 --undo --reason x", "is not withdrawn"),
        ("history --run r1", "--changes"),
        ("load log.csv --reason x", "--correct"),
        ("load log.csv --correct", "needs a reason"),
        ("load log.csv --correct --samples --reason x", "--samples"),
    ],
)
def test_wrong_use_ends_with_2_and_says_why(history, monkeypatch, capsys, words, says):
    code, _, said = run(words, monkeypatch, capsys)
    assert (code, history.version) == (2, 0)
    assert says in " ".join(said.split())


def test_a_blank_reason_is_refused(history, monkeypatch, capsys):
    code, _, said = run("withdraw r1 --reason", monkeypatch, capsys, " ")
    assert (code, history.version) == (2, 0)
    assert "needs a reason" in said


def test_a_log_corrects_runs(history, tmp_path, monkeypatch, capsys):
    (tmp_path / "lab.csv").write_text("run_id,line,grade\nr1,A,98.2%\nr2,A,97%\n", "utf-8")
    code, out, _ = run("load lab.csv --correct --reason lab", monkeypatch, capsys)
    assert code == 0
    assert "Read 2 rows: 0 added, 1 already known, 1 corrected, 0 rejected." in out
    code, out, _ = run("load lab.csv --correct --reason lab --json", monkeypatch, capsys)
    assert (json.loads(out)["corrected"], json.loads(out)["already_known"]) == (0, 2)
    assert history.at().runs()["grade"].to_pylist() == [0.97, 0.982, 0.97, 0.97]
