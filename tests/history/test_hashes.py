"""Every changed byte of a run file or of the log is detected, without false alarms.

A file system may silently corrupt bytes; the bytes read are compared with the SHA-256 of the bytes
written (hashlib, FIPS 180-4).
"""

from __future__ import annotations

import hashlib
import json
import random
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from deltalake import DeltaTable, write_deltalake

import optimizer.history.storage.table
from cli.show import upkeep as show_upkeep
from optimizer.errors import HistoryError
from optimizer.history.history import History
from optimizer.history.storage.run_files import stated_hash
from optimizer.history.storage.table import files_of
from optimizer.history.upkeep import restore, verify
from optimizer.intake.settling.load import load_table
from optimizer.plant.site import Site
from tests.history.test_durability import commit, ids, runs
from tests.history.test_history import listing, run

SEED = 20270114
FLIPS = 60
"""Of each kind; each was seen with 1500."""


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> History:
    """A history of four loads with a checkpoint after the third; tests must not change it."""
    history = History(tmp_path_factory.mktemp("kept") / "history")
    for k in range(4):
        load_table(runs(*range(40 * k, 40 * k + 40), line="ABA"[k % 3]), history)
        if k == 2:
            history.table.open().create_checkpoint()  # type: ignore[union-attr]
    return history


def run_files(history: History) -> list[Path]:
    return sorted(history.folder.glob("line=*/*.parquet"))  # type: ignore[union-attr]


def log_files(history: History) -> list[Path]:
    return sorted((history.folder / "_delta_log").iterdir())  # type: ignore[operator]


@contextmanager
def changed(path: Path, at: int, bit: int = 0) -> Iterator[None]:
    """Flip one bit of a file, and restore the file at the end."""
    before = path.read_bytes()
    content = bytearray(before)
    content[at] ^= 1 << bit
    path.write_bytes(content)
    try:
        yield
    finally:
        path.write_bytes(before)


@pytest.mark.parametrize("files", [run_files, log_files])
def test_any_flipped_bit_is_named(kept: History, files: Any) -> None:
    chance, places = random.Random(SEED), files(kept)
    sizes = [path.stat().st_size for path in places]
    met = set()
    for path in chance.choices(places, sizes, k=FLIPS):
        with changed(path, chance.randrange(path.stat().st_size), chance.randrange(8)):
            health = verify(History(kept.location))
            assert not health.sound, path
            assert any(d.file.endswith(path.name) for d in health.damaged), (path, health.damaged)
            json.dumps(health.as_dict(), allow_nan=False)
        met.add(path.name)
    assert len(met) > 2
    assert verify(kept).sound


def test_a_file_name_contains_the_hash_of_its_content(kept: History) -> None:
    for path in run_files(kept):
        assert stated_hash(path.name) == hashlib.sha256(path.read_bytes()).hexdigest()
    for path in log_files(kept):
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        (found,) = kept.folder.glob(f"_hashes/*/*{path.name}.{digest}")  # type: ignore[union-attr]
        assert not found.read_bytes()


def test_a_changed_value_that_stays_readable_is_found(kept: History) -> None:
    # File size, row count and column extremes stay as the log states them.
    table = kept.table.open()
    stated = files_of(table).to_pylist()[0]  # type: ignore[arg-type]
    path = kept.folder / stated["path"]  # type: ignore[operator]
    reasons = set()
    for at in range(200, path.stat().st_size, 200):
        with changed(path, at):
            (damage,) = verify(kept).damaged
            reasons.add(damage.reason.partition(":")[0])
    assert "its bytes are not those that were written" in reasons


# -- files without a stored hash -------------------------------------------------------------------


def old_history(folder: Path) -> History:
    """A history from before hashes were stored: the table library named its files."""
    history = History(folder)
    load_table(runs(*range(30)), history)
    table = history.at().runs()
    older = History(folder.with_name("older"))
    for k in range(2):
        write_deltalake(
            older.location,
            table.slice(15 * k, 15),
            partition_by=["line"],
            mode="append",
            name="highside run history",
            description="highside.format=1",
        )
    return older


def test_files_without_a_hash_are_reported_once_and_still_compared(tmp_path: Path) -> None:
    history = old_history(tmp_path / "history")
    health = verify(history)
    assert (health.sound, health.runs, health.unhashed) == (True, 30, 4)  # two commits, two files
    said = " ".join(show_upkeep.verified(health.as_dict()).split())
    assert said.startswith("Sound: 30 runs in 2 files")
    assert said.count("Only their sizes and ranges of values can be checked") == 1
    path = run_files(history)[0]
    path.write_bytes(path.read_bytes()[:-7])
    assert "bytes, the log says" in verify(history).damaged[0].reason


def test_a_load_into_a_history_without_hashes_is_hashed(tmp_path: Path) -> None:
    history = old_history(tmp_path / "history")
    before = run_files(history)
    load_table(runs(77), history)
    assert verify(history).unhashed == 3  # the first commit, and the files
    (new,) = set(run_files(history)) - set(before)
    for path in (new, commit(history, 1), commit(history, 2)):
        with changed(path, path.stat().st_size // 2):
            assert not verify(history).sound


def test_hashes_missing_after_an_interrupted_load_are_added_by_the_next(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    history = History(tmp_path / "history")
    with monkeypatch.context() as killed:
        killed.setattr(optimizer.history.storage.table, "hash_log", lambda *_: None)
        load_table(runs(1), history)
    health = verify(history)
    assert (health.sound, health.unhashed) == (True, 1)  # the run file has its hash in its name
    with changed(run_files(history)[0], 99):
        assert not verify(history).sound
    load_table(runs(2), history)
    assert verify(history).unhashed == 0
    with changed(commit(history, 0), 40):
        assert verify(history).damaged[0].file.endswith(commit(history, 0).name)


def test_a_lost_last_commit_is_detected(kept: History) -> None:
    last = commit(kept, 3)
    content = last.read_bytes()
    last.unlink()
    try:
        health = verify(kept)
        assert (health.sound, health.version, health.restorable) == (False, 2, 2)
        assert [(d.file, d.reason) for d in health.damaged] == [
            (f"_delta_log/{last.name}", "it is missing")
        ]
    finally:
        last.write_bytes(content)
    assert verify(kept).sound


# -- merges and restored versions ---------------------------------------------------------------


def test_a_merge_hides_no_changed_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    history = History(tmp_path / "history")
    for k in range(5):
        load_table(runs(k), history)
    path = run_files(history)[0]
    content = bytearray(path.read_bytes())
    content[len(content) // 3] ^= 4
    path.write_bytes(content)
    monkeypatch.setattr(optimizer.history.storage.table, "MOST_SMALL_FILES", 3)
    assert history.table.compact()
    paths = [p.rpartition("/")[2] for p in files_of(history.table.open())["path"].to_pylist()]  # type: ignore[arg-type]
    assert path.name in paths
    assert len(paths) == 2
    assert [d.file.rpartition("/")[2] for d in verify(history).damaged] == [path.name]
    assert all(stated_hash(name) for name in paths)
    merged = next(p for p in run_files(history) if p.name in paths and p != path)
    with changed(merged, 200):
        assert len(verify(history).damaged) == 2


@pytest.mark.parametrize("name", ["00000000000000000002.checkpoint.parquet", "_last_checkpoint"])
def test_a_damaged_checkpoint_costs_no_run(tmp_path: Path, name: str) -> None:
    history = History(tmp_path / "history")
    for k in range(3):
        load_table(runs(k), history)
    history.table.open().create_checkpoint()  # type: ignore[union-attr]
    load_table(runs(3), history)
    path = history.folder / "_delta_log" / name  # type: ignore[operator]
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 2
    path.write_bytes(content)
    if name.endswith(".parquet"):  # the table library would read it or fail
        with pytest.raises(HistoryError, match=rf"is damaged: .*{name} are not those"):
            history.at().runs()
    health = verify(history)
    assert (health.sound, health.version, health.restorable, health.runs) == (False, 3, 3, 4)
    said = " ".join(show_upkeep.verified(health.as_dict()).split())
    assert "No run is lost: 'highside history --restore 3'" in said
    assert restore(history, 3).version == 3
    assert verify(history).sound
    assert ids(history) == ["r0", "r1", "r2", "r3"]
    load_table(runs(4), history)
    assert (verify(history).sound, history.version) == (True, 4)


def test_a_changed_commit_is_set_aside_with_its_hash(tmp_path: Path) -> None:
    history = History(tmp_path / "history")
    for k in range(3):
        load_table(runs(k), history)
    time = commit(history, 1).read_text("utf-8")
    commit(history, 1).write_text(time.replace('"timestamp":1', '"timestamp":2'), "utf-8")
    before = listing(history.folder)  # type: ignore[arg-type]
    health = verify(history)
    assert [d.file for d in health.damaged] == [f"_delta_log/{commit(history, 1).name}"]
    assert health.restorable == 0
    restore(history, 0)
    kept = {Path(name).name for name in listing(history.folder)}  # type: ignore[arg-type]
    assert {Path(name).name for name in before} <= kept
    load_table(runs(1, 2), history)
    health = verify(history)
    assert (health.sound, health.unhashed, health.runs) == (True, 0, 3)


def test_a_single_commit_may_add_columns(tmp_path: Path) -> None:
    history = History(tmp_path / "history")
    load_table([run(run_id="1")], history)
    wet = Site.from_dict({"material": {"moisture": {"low": 0, "high": 30}}})
    assert load_table([run(run_id="2", moisture=12.0)], history, wet).version == 1
    actions = map(json.loads, commit(history, 1).read_text("utf-8").splitlines())
    assert [next(iter(action)) for action in actions] == ["commitInfo", "add", "metaData"]
    assert DeltaTable(history.location).count() == 2
    assert verify(history).sound


def test_files_without_a_hash_are_merged_with_new_ones(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    history = old_history(tmp_path / "history")
    load_table(runs(77), history)
    before = history.at().runs()
    monkeypatch.setattr(optimizer.history.storage.table, "MOST_SMALL_FILES", 1)
    assert history.table.compact()
    (path,) = files_of(history.table.open())["path"].to_pylist()  # type: ignore[arg-type]
    assert stated_hash(path)
    assert history.at().runs().equals(before)
    assert (verify(history).sound, verify(history).unhashed) == (True, 1)
