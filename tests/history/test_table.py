"""The table of a history: a commit is complete and based on the latest version, or adds nothing."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from deltalake import DeltaTable

import optimizer.history.storage.table
from optimizer.errors import HistoryError, InputError, Overtaken
from optimizer.history.schema import in_schema, schema_of
from optimizer.history.snapshot import Snapshot
from optimizer.history.storage.place import Place
from optimizer.history.storage.table import (
    RunTable,
    commit_file,
    files_of,
    scattered_lines,
    written_at,
)
from optimizer.plant.site import Site

SCHEMA = schema_of(Site())


def batch(*names: str, line: str = "A") -> pa.RecordBatch:
    """Runs of one line with the given ids."""
    table = in_schema(pa.table({"run_id": list(names), "line": [line] * len(names)}), SCHEMA)
    return table.combine_chunks().to_batches()[0]


def add(table: RunTable, *batches: pa.RecordBatch) -> int:
    """Commit batches on the latest version; return the new version."""
    return table.commit(table.open(), SCHEMA, iter(batches))


def names(table: RunTable, version: int | None = None) -> list[str]:
    opened = table.open(version)
    assert opened is not None
    return sorted(opened.to_pyarrow_table()["run_id"].to_pylist())


@pytest.fixture
def table(tmp_path: Path) -> RunTable:
    return RunTable(Place(str(tmp_path / "history")), 0.0)


def test_no_table_exists_before_the_first_commit(table: RunTable) -> None:
    assert table.open() is None
    with pytest.raises(InputError, match="has no version 0: it is empty"):
        table.open(0)
    assert add(table, batch("a")) == 0
    assert names(table) == ["a"]


def test_each_commit_is_a_version_and_every_version_stays(table: RunTable) -> None:
    versions = [add(table, batch("a"), batch("b", line="B")), add(table, batch("c"))]
    assert versions == [0, 1]
    assert (names(table, 0), names(table, 1)) == (["a", "b"], ["a", "b", "c"])
    with pytest.raises(InputError, match="has no version 2") as refused:
        table.open(2)
    assert refused.value.hint == "Versions are 0 to 1."


def test_a_commit_file_is_named_by_its_version() -> None:
    # Source: Delta transaction log protocol, section "Delta Log Entries": the version, zero-padded
    # to 20 digits, in the folder _delta_log (github.com/delta-io/delta, PROTOCOL.md; from memory).
    assert commit_file(Path("h"), 7) == Path("h/_delta_log/00000000000000000007.json")


def test_the_file_of_a_commit_exists(table: RunTable, tmp_path: Path) -> None:
    add(table, batch("a"))
    assert commit_file(tmp_path / "history", 0).is_file()


def test_a_commit_on_an_older_version_is_overtaken_and_adds_nothing(table: RunTable) -> None:
    add(table, batch("a"))
    stale = table.open()
    add(table, batch("b"))
    with pytest.raises(Overtaken):
        table.commit(stale, SCHEMA, iter([batch("c")]))
    assert names(table) == ["a", "b"]


def test_a_commit_that_fails_adds_nothing(table: RunTable, tmp_path: Path) -> None:
    def broken():
        yield batch("a")
        raise OSError("the log cannot be read")

    with pytest.raises(HistoryError, match="the log cannot be read"):
        table.commit(None, SCHEMA, broken())
    assert table.open() is None
    assert not list((tmp_path / "history").glob("line=*/*.parquet"))


def test_one_writer_at_a_time(table: RunTable) -> None:
    other = RunTable(table.place, 0.0)
    refused = pytest.raises(HistoryError, match="locked by another")
    with table.lock(), table.lock(), refused, other.lock():
        pass
    with other.lock():
        pass


def test_an_earlier_version_is_restored_as_a_new_one(table: RunTable) -> None:
    add(table, batch("a"))
    add(table, batch("b"))
    assert table.restore(0) == 2
    assert (names(table), names(table, 1)) == (["a"], ["a", "b"])


def test_a_restore_that_another_commit_overtakes_takes_nothing_back(
    table: RunTable, monkeypatch: pytest.MonkeyPatch
) -> None:
    add(table, batch("a"))
    add(table, batch("b"))
    restore = DeltaTable.restore

    def late(*given: Any, **how: Any) -> Any:
        add(table, batch("c"))
        return restore(*given, **how)

    monkeypatch.setattr(DeltaTable, "restore", late)
    with pytest.raises(Overtaken, match="others keep writing"):
        table.restore(0)
    assert names(table) == ["a", "b", "c"]


def test_many_small_files_of_a_line_become_one(
    table: RunTable, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in "abc":
        add(table, batch(name), batch(name + "2", line="B"))
    assert not table.compact()
    monkeypatch.setattr(optimizer.history.storage.table, "MOST_SMALL_FILES", 2)
    opened = table.open()
    assert opened is not None
    assert scattered_lines(opened) == ["A", "B"]
    before = names(table)
    assert table.compact()
    assert (names(table), names(table, 2)) == (before, before)
    merged = table.open()
    assert merged is not None
    assert (files_of(opened).num_rows, files_of(merged).num_rows) == (6, 2)


def test_the_time_of_a_version_comes_from_its_files(table: RunTable) -> None:
    begun = datetime.now(UTC)
    add(table, batch("a"))
    first = table.open()
    assert first is not None
    at = written_at(first)
    assert begun - timedelta(seconds=1) <= at <= datetime.now(UTC)
    add(table, batch("b"))
    again = table.open(0)
    assert again is not None
    assert written_at(again) == at


def test_peek_opens_an_existing_version_only(table: RunTable) -> None:
    add(table, batch("a"))
    found = table.peek(0)
    assert found is not None
    assert found.version() == 0
    assert table.peek(5) is None


@pytest.mark.parametrize(
    ("content", "said"),
    [("folder", "is not a history: it has no table and holds 'notes.txt'"), ("file", "is a file")],
)
def test_a_foreign_folder_is_never_written_to(tmp_path: Path, content: str, said: str) -> None:
    place = tmp_path / "mine"
    if content == "folder":
        place.mkdir()
        (place / "notes.txt").write_text("mine", encoding="utf-8")
    else:
        place.write_text("mine", encoding="utf-8")
    table = RunTable(Place(str(place)), 0.0)
    with pytest.raises(HistoryError, match=said):
        table.open()
    with pytest.raises(HistoryError, match=said), table.lock():
        pass


def test_files_that_another_writer_rewrote_are_read(table: RunTable) -> None:
    # Reference: the reader of the Delta library itself, which needs pyarrow.dataset. Its merge
    # names files in its own way and encodes the names of folders, as the Delta protocol asks.
    lines = ["Deck 1/\u03b1=\u03b2", "100 %", "..", "Z:\\x", "plain"]
    for k in range(2):
        add(table, *(batch(f"{k}a", f"{k}b", line=line) for line in lines))
    opened = table.open()
    assert opened is not None
    opened.optimize.compact()
    merged = table.open()
    assert merged is not None
    assert files_of(merged).num_rows == len(lines)
    order = [("line", "ascending"), ("run_id", "ascending")]
    expected = merged.to_pyarrow_dataset().to_table().sort_by(order)
    snapshot = Snapshot.of_version(table.place, merged)
    assert pa.Table.from_batches(snapshot.batches()).sort_by(order).equals(expected)
    (only,) = snapshot.batches(["line"], ["100 %"])
    assert only.to_pydict() == {"line": ["100 %"] * 4}


def test_a_table_that_needs_an_unknown_feature_to_be_read_is_refused(
    table: RunTable, tmp_path: Path
) -> None:
    # With deletion vectors a file holds rows that are deleted. Source: Delta transaction log
    # protocol, section "Deletion Vectors" (github.com/delta-io/delta, PROTOCOL.md; from memory).
    add(table, batch("a"))
    opened = table.open()
    assert opened is not None
    commit = commit_file(tmp_path / "history", 1)
    features = ["deletionVectors"]
    protocol = {
        "minReaderVersion": 3,
        "minWriterVersion": 7,
        "readerFeatures": features,
        "writerFeatures": features,
    }
    commit.write_text(json.dumps({"protocol": protocol}), encoding="utf-8")
    later = DeltaTable(str(tmp_path / "history"))
    snapshot = Snapshot.of_version(table.place, later)
    with pytest.raises(HistoryError, match="reading it needs deletionVectors"):
        snapshot.runs()
