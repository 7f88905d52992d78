"""Every answer is made from the history version that it names.

Another load may commit at any moment. Here a load commits each time that a snapshot is taken, so an
answer that reads the latest runs reports more runs than its version has. The lines have too few
runs to be fitted; the reasons why they cannot be diagnosed or compared state the number of runs.
"""

from __future__ import annotations

import json

import numpy as np
import pyarrow.parquet as pq
import pytest

from optimizer import Brief, History, Site, compare, diagnose, suggest
from optimizer.intake.settling.load import load_table
from optimizer.operations.every_line import suggest_every_line
from optimizer.planning.situation import situation_of
from optimizer.service.answers.kinds import make
from optimizer.service.answers.order import Order

SITE = Site()
BRIEF = Brief.from_dict({"goal": {"min_grade": 0.97}, "trials": {"count": 1}})
ALL = 4


def rows(lines=("deck-1", "deck-2"), n=2, seed=6):
    random = np.random.default_rng(seed)
    for line in lines:
        for k in range(n):
            x = random.uniform(0, 1, 5)
            yield {
                "line": line,
                "started_at": f"2025-03-{k + 1:02d}",
                "feed_rate": round(1 + 2 * x[0], 1),
                "end_raise": round(1 + 3 * x[1], 1),
                "side_tilt": round(1 + 3 * x[2], 1),
                "eccentric_speed": 400 + 5 * int(20 * x[3]),
                "air": 20 + int(40 * x[4]),
                "grade": round(0.99 - 0.03 * x[0] + 0.01 * x[1], 4),
                "recovery": round(0.85 + 0.1 * x[0] - 0.05 * x[3], 4),
            }


@pytest.fixture
def history(tmp_path):
    found = History(tmp_path / "history")
    assert load_table(list(rows()), found).added == ALL
    return found


@pytest.fixture
def busy(history, monkeypatch):
    """The history, patched so that another load commits right after each snapshot is taken."""
    plain, loads = History.at, []

    def overtaken(self, version=None):
        found = plain(self, version)
        if version is None and (not loads or loads[-1] == "done"):  # the load also takes a snapshot
            loads.append("begun")
            load_table(list(rows(n=2, seed=1000 + len(loads))), History(self.location))
            loads[-1] = "done"
        return found

    monkeypatch.setattr(History, "at", overtaken)
    return history


def runs_at(history, version, line=None):
    return history.at(version).runs(lines=None if line is None else [line]).num_rows


def counted(document):
    """Number of runs, by name, of each line with too few runs to be diagnosed or compared."""
    left = document["skipped" if "skipped" in document else "not_compared"]
    return {entry["line"]: int(entry["reason"].split(" measured runs; 8 ")[0]) for entry in left}


def runs_of_lines(history, version):
    return {line: runs_at(history, version, line) for line in history.at(version).lines}


def test_a_snapshot_of_the_latest_version_is_overtaken(busy):
    snapshot = busy.at()
    assert busy.version > snapshot.version
    assert snapshot.runs().num_rows == runs_at(busy, snapshot.version) == ALL


def test_a_plan_reads_its_version(busy):
    plan = suggest(busy.at(), SITE, BRIEF.model_copy(update={"line": "deck-1"}))
    assert plan.runs_used == runs_at(busy, plan.history_version, "deck-1")


def test_plans_of_every_line_read_one_version(busy):
    found = suggest_every_line(busy.at(), SITE, BRIEF, workers=1)
    assert [plan.runs_used for plan in found.plans] == [
        runs_at(busy, found.history_version, plan.line) for plan in found.plans
    ]
    assert len(found.plans) == 2


def test_a_diagnosis_reads_its_version(busy):
    found = diagnose(busy.at(), SITE, BRIEF).as_dict()
    assert counted(found) == runs_of_lines(busy, found["history_version"])


def test_a_comparison_reads_its_version(busy):
    found = compare(busy.at(), SITE, BRIEF, workers=1).as_dict()
    assert counted(found) == runs_of_lines(busy, found["history_version"])


def test_a_diagnosis_and_a_comparison_can_read_an_earlier_version(history):
    before = [ask(history.at(), SITE, BRIEF).as_dict() for ask in (diagnose, compare)]
    load_table(list(rows(n=5, seed=7)), history)
    after = [ask(history.at(0), SITE, BRIEF).as_dict() for ask in (diagnose, compare)]
    assert json.dumps(after) == json.dumps(before)
    assert counted(before[0]) == counted(before[1]) == {"deck-1": 2, "deck-2": 2}
    assert compare(history.at(), SITE, BRIEF).as_dict()["history_version"] > 0


def test_a_summary_reads_its_version(busy):
    found = busy.at().summary(SITE).as_dict()
    assert found["runs"] == runs_at(busy, found["version"])


@pytest.mark.parametrize("asked", ["plan", "diagnosis", "comparison", "summary"])
def test_a_snapshot_before_the_first_load_stays_empty(tmp_path, asked):
    # The first load commits right after the snapshot was taken.
    first = History(tmp_path / "history")
    snapshot = first.at()
    load_table(list(rows()), first)
    if asked == "summary":
        found = snapshot.summary(SITE)
        assert (found.version, found.runs) == (None, 0)
        return
    ask = {"plan": suggest, "diagnosis": diagnose, "comparison": compare}[asked]
    found = ask(snapshot, SITE, BRIEF).as_dict()
    assert found["history_version"] is None
    assert not found.get("runs_used")
    assert not found.get("lines")
    assert first.at().runs().num_rows == ALL


def test_answers_of_the_service_read_their_version(history):
    load_table(list(rows(n=5, seed=7)), history)
    wanted = {**BRIEF.model_dump(exclude_unset=True), "line": "deck-1"}
    plan, comparison = (
        json.loads(make(Order("", kind, wanted, 0, 0, {}), history.location, print))
        for kind in ("plan", "comparison")
    )
    assert plan["history_version"] == comparison["history_version"] == 0
    assert plan["runs_used"] == 2
    assert counted(comparison) == {"deck-1": 2, "deck-2": 2}


def test_the_landscape_and_diagnosis_of_a_plan_read_its_version(busy):
    from optimizer.operations.reporting import review

    found = review(situation_of(busy.at(), SITE, BRIEF.model_copy(update={"line": "deck-1"})))
    runs = runs_at(busy, found.plan.history_version, "deck-1")
    assert found.landscape.as_dict()["history_version"] == found.plan.history_version
    assert sum(found.landscape.as_dict()["points"]["count"]) == runs
    assert sum(stretch["runs"] for stretch in found.landscape.as_dict()["progress"]) == runs


def ask(monkeypatch, capsys, *words):
    from cli import main as cli

    monkeypatch.setattr("sys.argv", ["highside", *map(str, words)])
    with pytest.raises(SystemExit):
        cli.run()
    return json.loads(capsys.readouterr().out)


def test_a_report_compares_lines_on_the_version_of_its_plan(history, tmp_path, monkeypatch, capsys):
    load_table(list(rows(n=5, seed=7)), history)
    shown = {}

    def written(work, files, comparison):
        shown.update(comparison=comparison.as_dict(), version=work.snapshot.version)
        return type("WrittenReport", (), {"as_dict": lambda _: {}})()

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("optimizer.operations.reporting.write_report", written)
    for asked, expected in ((("--as-of", "0"), 0), ((), 1)):
        ask(monkeypatch, capsys, "report", "--compare", "--line", "deck-1", *asked, "--json")
        assert shown["version"] == expected
        assert shown["comparison"]["history_version"] == expected


def test_an_export_reads_the_version_that_it_prints(busy, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "runs.parquet"
    said = ask(monkeypatch, capsys, "history", "--export", file, "--json")
    assert pq.read_table(file).num_rows == said["runs"] == runs_at(busy, said["version"])
