"""Runs replaced, left out and taken back in the files of a history, and the record of it."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from deltalake import DeltaTable

from optimizer.errors import HistoryError, Overtaken
from optimizer.history.changes import Why, changes_of, former_runs, withdrawn_runs
from optimizer.history.history import History
from optimizer.history.storage.run_files import RunFiles
from optimizer.history.storage.table import files_of
from optimizer.history.upkeep import verify
from optimizer.intake.settling.load import load_corrections, load_table
from optimizer.operations.corrections import correct, reinstate, withdraw
from optimizer.plant.site import Site
from tests.history.runs import run

SITE = Site()
NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)


def rows(*numbers: int, **values) -> list[dict]:
    return [run(run_id=f"r{k:03d}", air=float(k % 80), **values) for k in numbers]


@pytest.fixture
def history(tmp_path: Path) -> History:
    made = History(tmp_path / "history", clock=lambda: NOON)
    load_table(rows(*range(50)), made, SITE)
    load_table(rows(*range(50, 60), line="B"), made, SITE)
    return made


def stored(history: History, version: int | None = None) -> list[dict]:
    """All runs of a version in the order of the files, without provenance."""
    found = pa.Table.from_batches(list(history.at(version).batches()))
    return found.drop_columns(["source", "source_row"]).to_pylist()


def paths(history: History) -> set[str]:
    return set(files_of(history.table.open())["path"].to_pylist())


def test_the_other_runs_of_a_file_keep_order_and_values(history):
    before, files = stored(history), paths(history)
    correct(history, SITE, "r007", {"grade": 0.5}, reason="typo")
    withdraw(history, SITE, "r020", reason="mixed up")
    after = stored(history)
    wanted = [{**r, "grade": 0.5} if r["run_id"] == "r007" else r for r in before]
    wanted = [r for r in wanted if r["run_id"] != "r020"]
    # The two lines are in files of their own, whose order is not fixed.
    for line in ("A", "B"):
        assert [r for r in after if r["line"] == line] == [r for r in wanted if r["line"] == line]
    assert len(paths(history) & files) == 1  # the file of line B stayed
    assert stored(history, 1) == before
    assert verify(history, SITE).sound


def test_the_statistics_of_a_rewritten_file_are_those_of_its_runs(history):
    correct(history, SITE, "r049", {"grade": 0.123}, reason="typo")
    for file in files_of(history.table.open()).to_pylist():
        runs = pq.read_table(Path(history.location) / file["path"])
        assert file["num_records"] == len(runs)
        assert file["min.grade"] == min(runs["grade"].to_pylist())
        assert file["max.run_id"] == max(runs["run_id"].to_pylist())
    actions = (Path(history.location) / "_delta_log" / f"{2:020d}.json").read_text("utf-8")
    removed = [json.loads(a)["remove"] for a in actions.splitlines() if a.startswith('{"remove"')]
    assert [each["dataChange"] for each in removed] == [True]


def test_the_last_run_of_a_line_can_be_withdrawn_and_taken_back(tmp_path):
    history = History(tmp_path / "history")
    load_table(rows(1), history, SITE)
    withdraw(history, SITE, "r001", reason="test")
    assert history.at().lines == ()
    assert verify(history, SITE).runs == 0
    reinstate(history, SITE, "r001", reason="real")
    assert stored(history) == stored(history, 0)


def test_a_new_column_is_added_by_a_correction(history):
    site = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 0, "high": 20}}})
    correct(history, site, "r003", {"moisture": 11.5}, reason="measured later")
    found = history.at().runs(site)
    assert {m for m in found["moisture"].to_pylist() if m is not None} == {11.5}
    assert DeltaTable(history.location).to_pyarrow_table().num_rows == 60
    withdraw(history, site, "r004", reason="in the same file")
    assert history.at().runs(site).num_rows == 59


def test_a_change_reaches_the_file_that_holds_the_run_and_no_other(tmp_path, monkeypatch):
    history = History(tmp_path / "history")
    for numbers in ((0, 40), (20, 30), (21, 22)):  # the first file could hold r020, too
        load_table(rows(*numbers), history, SITE)
    files, added = paths(history), []
    add = RunFiles.add
    monkeypatch.setattr(RunFiles, "add", lambda s, b: (added.append(len(b)), add(s, b))[1])
    withdraw(history, SITE, "r020", reason="test")
    assert added == [1]
    assert len(files & paths(history)) == 2


def test_runs_of_files_with_other_columns_are_corrected_in_one_commit(tmp_path):
    site = Site.from_dict({"material": {"moisture": {"unit": "%", "low": 0, "high": 20}}})
    history, log = History(tmp_path / "history"), tmp_path / "log.csv"
    load_table(rows(1, 2), history, SITE)
    load_table(rows(3, 4, moisture=11.0), history, site)
    log.write_text("run_id,line,grade\nr001,A,0.5\nr003,A,0.6\n", encoding="utf-8")
    assert load_corrections(log, history, site, reason="lab").corrected == 2
    found = history.at().runs(site).select(["grade", "moisture"]).to_pydict()
    assert found == {"grade": [0.5, 0.97, 0.6, 0.97], "moisture": [None, None, 11.0, 11.0]}


def flipped(file: Path) -> None:
    content = bytearray(file.read_bytes())
    content[len(content) // 3] ^= 1
    file.write_bytes(content)


def replaced(file: Path) -> None:
    """Puts a sound file with other values in the place of a file, and its size in the log."""
    runs, size = pq.read_table(file), file.stat().st_size
    place = runs.column_names.index("grade")
    pq.write_table(runs.set_column(place, "grade", pa.array([0.1] * len(runs))), file)
    commit = file.parents[1] / "_delta_log" / f"{0:020d}.json"
    text = commit.read_text("utf-8")
    assert text.count(f'"size":{size}') == 1
    commit.write_text(text.replace(f'"size":{size}', f'"size":{file.stat().st_size}'), "utf-8")


@pytest.mark.parametrize("damage", [flipped, replaced])
def test_a_damaged_file_is_refused_and_nothing_is_written(history, damage):
    (file,) = Path(history.location).glob("line=A/*.parquet")
    damage(file)
    version = history.version
    with pytest.raises(HistoryError, match="damaged") as refusal:
        withdraw(history, SITE, "r007", reason="test")
    assert refusal.value.exit_code == 3
    assert history.version == version
    correct(history, SITE, "r055", {"grade": 0.5}, reason="another file", line="B")


def test_a_change_of_an_overtaken_version_is_refused(history):
    why = Why(NOON, None, "test")
    values = {"run_id": "r001", "line": "A"}
    with pytest.raises(Overtaken):
        history.change([why.withdrawn(values)], 0, left_out={"A": ["r001"]})
    assert changes_of(history.at(), SITE).changes == ()


def test_a_change_starts_again_when_another_commit_comes_first(history, monkeypatch):
    other, times = History(history.location), []
    monkeypatch.setattr("optimizer.intake.settling.load.LONGEST_PAUSE", 0.0)
    monkeypatch.setattr(History, "lock", lambda self: self.table.lock())
    change = history.change

    def overtaken(events, follows, **how):
        if len(times) < 2:
            times.append(follows)
            load_table(rows(100 + len(times)), other, SITE)
        return change(events, follows, **how)

    # The lock of one machine may be entered again by the thread that holds it.
    monkeypatch.setattr(other, "table", history.table)
    monkeypatch.setattr(history, "change", overtaken)
    (made,) = withdraw(history, SITE, "r001", reason="test").changes
    assert times == [1, 2]
    assert made.version == 4
    assert history.at().runs(SITE).num_rows == 61


def test_the_record_folds_into_what_was_and_what_is(history):
    correct(history, SITE, "r001", {"grade": 0.5}, reason="first")
    correct(history, SITE, "r001", {"grade": 0.6}, reason="second")
    withdraw(history, SITE, "r001", reason="third")
    gone = withdrawn_runs(history.at().events)
    assert [(place, run["grade"]) for place, run in gone.items()] == [(("A", "r001"), 0.6)]
    former = former_runs(history.at().events)
    assert former.runs.column("grade").to_pylist() == [0.97, 0.5, 0.6]
    assert former.withdrawn == [True] * 3
    reinstate(history, SITE, "r001", reason="fourth")
    former = former_runs(history.at().events)
    assert former.runs.column("grade").to_pylist() == [0.97, 0.5]
    assert former.withdrawn == [False] * 2
    assert withdrawn_runs(history.at().events) == {}
    told = changes_of(history.at(), SITE, "r001").changes
    assert [change.reason for change in told] == ["first", "second", "third", "fourth"]
    assert [change.version for change in told] == [2, 3, 4, 5]
    assert changes_of(history.at(3), SITE).changes == told[:2]
    assert changes_of(history.at(), SITE, "r002").changes == ()


def test_a_restored_version_forgets_later_changes(history):
    withdraw(history, SITE, "r001", reason="test")
    history.table.restore(1)
    assert changes_of(history.at(), SITE).changes == ()
    withdraw(history, SITE, "r001", reason="again")
    assert [change.version for change in changes_of(history.at(), SITE).changes] == [4]


def test_values_are_told_in_the_units_of_the_site(tmp_path):
    site = Site.from_dict({"settings": {"feed_rate": {"unit": "kg/h", "low": 500, "high": 4000,
                                                      "step": 10}}})  # fmt: skip
    history = History(tmp_path / "history")
    load_table([run(run_id="r1", feed_rate=1800.0)], history, site)
    (change,) = correct(history, site, "r1", {"feed_rate": "1.9 t/h"}, reason="typo").changes
    assert (change.before, change.after) == ({"feed_rate": 1800.0}, {"feed_rate": 1900.0})
    (told,) = changes_of(history.at(), SITE).changes
    assert (told.before, told.after) == ({"feed_rate": 1.8}, {"feed_rate": 1.9})
