"""A snapshot is a history at one version; later loads do not change it, and it reads runs once."""

from __future__ import annotations

import pickle
from collections import Counter
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest

from optimizer import Brief, History, Site, suggest
from optimizer.errors import InputError
from optimizer.history.snapshot import Snapshot
from optimizer.history.sources import StoredRuns
from optimizer.history.start_times import MISDATED
from optimizer.history.storage.place import Place
from optimizer.intake.settling.load import load_table
from tests.history.runs import run

SITE = Site()
BRIEF = Brief.from_dict({"line": "A", "trials": {"count": 1}})


def rows(lines: str, start: int = 0) -> list[dict[str, Any]]:
    return [
        run(
            line=line,
            run_id=f"{line}{start + k}",
            started_at=f"2025-03-{10 - k:02d}T08:00:00Z",
            air=30.0 + start + k,
        )
        for line in lines
        for k in range(2)
    ]


@pytest.fixture
def history(tmp_path: Path) -> History:
    found = History(tmp_path / "history")
    assert load_table(rows("BA"), found).added == 4
    return found


@pytest.fixture
def scans(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """Count of how often the files of each line are read."""
    found: Counter[str] = Counter()
    plain = StoredRuns.batches

    def counted(self: StoredRuns, columns: Any, lines: Any) -> Any:
        found.update(self.lines if lines is None else lines)
        return plain(self, columns, lines)

    monkeypatch.setattr(StoredRuns, "batches", counted)
    return found


def test_a_later_load_is_not_seen(history: History) -> None:
    snapshot = history.at()
    load_table(rows("AC", start=10), history)
    assert (snapshot.version, snapshot.lines) == (0, ("A", "B"))
    assert snapshot.runs().num_rows == 4
    assert snapshot.summary().runs == 4
    later = history.at()
    assert (later.version, later.lines, later.runs().num_rows) == (1, ("A", "B", "C"), 8)


def test_an_answer_at_a_version_equals_the_answer_when_it_was_the_latest(history: History) -> None:
    def answers(snapshot: Snapshot) -> list[Any]:
        plan = suggest(snapshot, SITE, BRIEF).as_dict()
        return [snapshot.summary().as_dict(), plan, snapshot.runs().to_pydict()]

    before = answers(history.at())
    load_table(rows("AB", start=10), history)
    assert answers(history.at(0)) == before
    assert answers(history.at()) != before


def test_the_files_of_a_line_are_read_once(history: History, scans: Counter[str]) -> None:
    snapshot = history.at()
    first = snapshot.runs(lines=["B"])
    whole = snapshot.runs()
    assert scans == {"A": 1, "B": 1}
    assert snapshot.runs(SITE).num_rows == whole.num_rows == 4
    assert snapshot.runs(lines=["B"]).equals(first)
    assert scans == {"A": 1, "B": 1}
    assert whole["line"].to_pylist() == ["A", "A", "B", "B"]
    starts = whole["started_at"].to_pylist()
    assert starts[:2] == sorted(starts[:2])


def test_a_summary_keeps_no_runs(history: History, scans: Counter[str]) -> None:
    snapshot = history.at()
    snapshot.summary()
    snapshot.summary()
    assert scans == {"A": 2, "B": 2}


def test_a_plan_reads_each_line_once(history: History, scans: Counter[str]) -> None:
    # A line with few runs also learns from the others.
    suggest(history.at(), SITE, BRIEF)
    assert scans == {"A": 1, "B": 1}


def test_lines_are_chosen_and_unknown_ones_refused(history: History) -> None:
    snapshot = history.at()
    assert snapshot.chosen_lines() == ("A", "B")
    assert snapshot.chosen_lines(["B", "B"]) == ("B",)
    with pytest.raises(InputError, match="line 'D' has no runs"):
        snapshot.chosen_lines(["A", "D"])
    assert snapshot.runs(lines=["D"]).num_rows == 0
    assert snapshot.runs(lines=["D"]).column_names == snapshot.runs().column_names


def test_a_version_that_does_not_exist_is_refused(history: History, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="has no version 3"):
        history.at(3)
    with pytest.raises(InputError, match="has no version 0: it is empty"):
        History(tmp_path / "new").at(0)


def test_a_snapshot_of_a_history_without_loads(tmp_path: Path) -> None:
    snapshot = History(tmp_path / "new").at()
    assert (snapshot.version, snapshot.lines, snapshot.written) == (None, (), None)
    assert snapshot.runs().num_rows == 0
    assert list(snapshot.batches()) == list(snapshot.keys()) == []
    assert snapshot.summary().as_dict() == {
        "schema": "highside.history/1",
        "version": None,
        "runs": 0,
        "lines": [],
    }


def test_another_process_opens_the_same_version(
    history: History, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    sent = pickle.dumps(History("history").at())
    load_table(rows("C"), history)
    monkeypatch.chdir("/")
    received = pickle.loads(sent)
    assert (received.version, received.lines) == (0, ("A", "B"))
    assert received.runs().equals(history.at(0).runs())


def test_impossible_times_are_marked_only_where_they_are(history: History) -> None:
    runs = history.at().runs(lines=["A"])
    early = pa.array([-(10**17)] * 2, pa.int64()).cast(pa.timestamp("us", "UTC"))
    k = runs.column_names.index("started_at")
    history.append(
        runs.set_column(k, "started_at", early)
        .set_column(runs.column_names.index("run_id"), "run_id", pa.array(["x", "y"]))
        .set_column(runs.column_names.index("line"), "line", pa.array(["C", "C"]))
    )
    snapshot = history.at()
    assert MISDATED not in snapshot.runs(lines=["A"]).column_names
    whole = snapshot.runs()
    assert whole[MISDATED].is_valid().to_pylist() == [False] * 4 + [True] * 2
    assert whole.equals(history.at().runs())  # read in one piece


def test_runs_given_as_a_table_are_used_unchanged(history: History) -> None:
    table = history.at().runs()
    snapshot = Snapshot.of_table(table)
    assert (snapshot.version, snapshot.lines) == (None, ("A", "B"))
    assert snapshot.runs() is table
    assert snapshot.runs(lines=["B"])["line"].to_pylist() == ["B", "B"]
    assert sum(batch.num_rows for batch in snapshot.batches(["line"], ["A"])) == 2


def test_a_place_names_its_folder_and_refuses_volatile_stores(tmp_path: Path) -> None:
    assert Place(tmp_path.as_uri()).folder == tmp_path
    assert Place("s3://bucket/runs").folder is None
    with pytest.raises(InputError, match="would be gone"):
        Place("memory://runs")
