"""No run is ever lost: kills, many writers, full disks, damaged files and restored versions.

The long form of the first test is ``python -m tests.benchmarks.kills``.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
import textwrap
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from deltalake import DeltaTable
from deltalake.exceptions import CommitFailedError

import optimizer.history.storage.commits
import optimizer.history.storage.table
import optimizer.intake.settling.load
from cli.show import upkeep as show_upkeep
from optimizer.errors import HistoryError, InputError, Overtaken
from optimizer.history.history import History
from optimizer.history.snapshot import Snapshot
from optimizer.history.storage.table import files_of
from optimizer.history.upkeep import restore, verify
from optimizer.intake.settling.load import load_logs, load_table
from tests.faults import Campaign, context, ids_of, load_one, write_log
from tests.history.test_history import listing, run

SEED = 20261125


def runs(*numbers: int, **values: Any) -> list[dict[str, Any]]:
    return [run(run_id=f"r{k}", air=20.0 + k % 40, grade=0.9 + k / 1e5, **values) for k in numbers]


def ids(history: History, version: int | None = None) -> list[str]:
    return sorted(history.at(version).runs()["run_id"].to_pylist())


@pytest.fixture
def history(tmp_path: Path) -> History:
    return History(tmp_path / "history")


# -- killed at any moment -----------------------------------------------------------------------


def test_a_kill_at_any_moment_leaves_whole_loads_and_can_be_completed(tmp_path: Path) -> None:
    campaign = Campaign(tmp_path, SEED)
    campaign.run(16)
    assert campaign.kills == 16
    assert campaign.kept_by.total() < 16  # some did die before their commit


def test_many_writers_at_once_lose_nothing_and_add_nothing_twice(tmp_path: Path) -> None:
    # Each log is loaded by two of the sixteen, and overlaps with the next log by half.
    logs = [tmp_path / f"{k}.csv" for k in range(8)]
    for k, log in enumerate(logs):
        write_log(log, 100 * k, 200)
    place = str(tmp_path / "history")
    children = [
        context().Process(target=load_one, args=(place, str(log))) for log in (*logs, *logs)
    ]
    for child in children:
        child.start()
    for child in children:
        child.join()
    assert [child.exitcode for child in children] == [0] * 16
    history = History(place)
    assert ids(history) == sorted(ids_of(0, 900))
    assert verify(history).sound


def test_without_a_common_lock_loads_still_add_each_run_once(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Two machines use one object store without a common lock; the other commits in between.
    load_table(runs(0), history)
    other = History(history.location)
    known_runs, times = Snapshot.known_runs, [0]

    def overtaken(self: Snapshot, lines: Any = None) -> Any:
        known = list(known_runs(self, lines))
        if self.version == times[-1] < 2:  # not again by the load of the other machine
            times.append(times[-1] + 1)
            with monkeypatch.context() as patch:
                patch.setattr(Snapshot, "known_runs", known_runs)
                patch.setattr(other.table, "lock", nullcontext)
                load_table(runs(times[-1]), other)
        return iter(known)

    monkeypatch.setattr(Snapshot, "known_runs", overtaken)
    report = load_table(runs(0, 1, 2, 3), history)
    assert (report.added, report.already_known, report.version) == (1, 3, 3)
    assert ids(history) == ["r0", "r1", "r2", "r3"]


def test_a_load_that_other_commits_always_overtake_gives_up(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    def late(*_: Any, **__: Any) -> int:
        raise Overtaken(history.location)

    monkeypatch.setattr(history.table, "commit", late)
    monkeypatch.setattr(optimizer.intake.settling.load, "LONGEST_PAUSE", 0.0)
    with pytest.raises(HistoryError, match="others keep writing") as refusal:
        load_table(runs(0), history)
    assert (refusal.value.exit_code, refusal.value.code) == (3, "overtaken")


def test_a_commit_that_succeeded_before_an_error_counts(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    # For example: the answer of an object store is lost, or the next checkpoint cannot be written.
    def stands(write: Any) -> Any:
        def write_then_fail(*data: Any, **how: Any) -> None:
            write(*data, **how)
            raise CommitFailedError("the connection broke")

        return write_then_fail

    for place, name in (
        (optimizer.history.storage.commits, "create_table_with_add_actions"),
        (DeltaTable, "create_write_transaction"),
    ):
        monkeypatch.setattr(place, name, stands(getattr(place, name)))
    for k in range(2):
        assert load_table(runs(k), history).added == 1
    assert (history.version, ids(history)) == (1, ["r0", "r1"])


# -- disks --------------------------------------------------------------------------------------

SMALL_DISK = """
    import resource, sys
    from optimizer.errors import HistoryError
    from optimizer.history.history import History
    from optimizer.intake.settling.load import load_logs
    resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]), resource.RLIM_INFINITY))
    try:
        load_logs([sys.argv[2]], History(sys.argv[1]))
    except HistoryError as error:
        sys.exit(f"{error.exit_code} {error}")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX limits")
@pytest.mark.parametrize(
    ("room", "says"), [(2_000, "history '"), (9_000, "history '"), (30_000, "rejected.")]
)
def test_a_full_disk_is_reported_and_the_stored_runs_stay(
    history: History, tmp_path: Path, room: int, says: str
) -> None:
    # A limit on the file size simulates a disk that fills up during a write: in the first case
    # the runs do not fit, in the second only their commit, in the third only the rejects.
    log = tmp_path / "log.csv"
    write_log(log, 0, 2500 if room != 9_000 else 90)
    if room == 9_000:  # many lines give small files and a large commit
        log.write_text(re.sub(r"r(\d+),deck-\d", r"r\1,deck-\1", log.read_text("utf-8")), "utf-8")
    if says.startswith("rejected"):
        text = log.read_text("utf-8").replace("high", "".join(f"{k:x}" for k in range(9000)), 9)
        log.write_text(text, "utf-8")
    load_table(runs(1), history)
    before = listing(history.folder)  # type: ignore[arg-type]
    command = [sys.executable, "-c", textwrap.dedent(SMALL_DISK), history.location, log, str(room)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    (said,) = done.stderr.splitlines()  # no library prints a message of its own
    assert said.startswith("3 "), done.stderr
    assert says in said
    remedy = (
        "what is stored is not added twice, and what is rejected is found again."
        if says.startswith("rejected")
        else "Check the space on the disk and the permissions, then do the same again."
    )
    assert said.endswith(remedy)
    after = listing(history.folder)  # type: ignore[arg-type]
    assert {k: after[k] for k in before} == before
    # With room again, the same load completes.
    load_logs([log], history)
    assert set(ids(history)) == ids_of(0, 2500 if room != 9_000 else 90) | {"r1"}
    assert verify(history).sound


def test_a_first_load_that_failed_on_a_full_disk_can_be_repeated(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(uri: str, *_: Any, **how: Any) -> None:
        (Path(uri) / "_delta_log").mkdir()  # the table library created only this folder
        raise OSError("no space left")

    with monkeypatch.context() as disk:
        disk.setattr(optimizer.history.storage.commits, "create_table_with_add_actions", full)
        with pytest.raises(HistoryError, match="no space left"):
            load_table(runs(1), history)
    assert (history.version, verify(history).sound) == (None, True)
    assert load_table(runs(1), history).added == 1
    assert verify(history).left_over == 1


def test_a_message_ends_in_one_full_stop(history: History) -> None:
    load_table(runs(1), history)
    commit(history, 0).write_text("{nonsense")
    with pytest.raises(HistoryError) as refusal:
        history.at().runs()
    said = show_upkeep.verified(verify(history).as_dict())
    assert ".." not in refusal.value.message + said
    assert "\x1b" not in refusal.value.message


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX permissions")
def test_a_read_only_history_is_read_but_not_written() -> None:
    script = """
        import os, sys
        from optimizer.errors import HistoryError
        from optimizer.history.history import History
        from optimizer.intake.settling.load import load_table
        if os.getuid() == 0:  # whom permissions do not hold back
            os.setuid(65534)
        history = History(sys.argv[1])
        print(history.at().runs().num_rows)
        try:
            load_table([{"run_id": "r2", "line": "A", "grade": 0.9, "recovery": 0.9}], history)
        except HistoryError as error:
            sys.exit(f"{error.exit_code} {error}")
    """
    with tempfile.TemporaryDirectory() as name:  # pytest's own folders are closed to other users
        folder = Path(name)
        history = History(folder / "history")
        load_table(runs(1), history)
        before = listing(folder)
        places = [folder, *folder.rglob("*")]
        for place in places:
            place.chmod(0o555 if place.is_dir() else 0o444)
        command = [sys.executable, "-c", textwrap.dedent(script), history.location]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        for place in places:
            place.chmod(0o755 if place.is_dir() else 0o644)
        assert done.stdout == "1\n", done.stderr
        assert done.stderr.startswith("3 history '"), done.stderr
        assert "cannot be written: Permission denied" in done.stderr
        assert "permissions" in done.stderr
        assert listing(folder) == before


# -- small commits ------------------------------------------------------------------------------


def test_small_commits_are_merged_automatically(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(optimizer.history.storage.table, "MOST_SMALL_FILES", 5)
    reports = [load_table(runs(k), history) for k in range(12)]
    load_table(runs(0, line="Ü 1/2"), history)
    files = files_of(history.table.open())["partition.line"].to_pylist()  # type: ignore[arg-type]
    assert files.count("A") <= 6
    assert history.at().runs(lines=["A"]).num_rows == 12
    # A merge is an ordinary version; the versions before it can still be read.
    versions = [report.version for report in reports]
    assert versions == [0, 1, 2, 3, 4, 6, 7, 8, 9, 10, 12, 13]
    for k, version in enumerate(versions):
        assert len(ids(history, version)) == k + 1
    assert verify(history).sound


def test_a_merge_rewrites_no_large_file(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    load_table(runs(*range(2000)), history)
    (large,) = files_of(history.table.open()).to_pylist()  # type: ignore[arg-type]
    monkeypatch.setattr(optimizer.history.storage.table, "MOST_SMALL_FILES", 3)
    monkeypatch.setattr(optimizer.history.storage.table, "SMALL_BYTES", large["size_bytes"])
    for k in range(2000, 2010):
        load_table(runs(k), history)
    files = files_of(history.table.open())  # type: ignore[arg-type]
    assert large["path"] in files["path"].to_pylist()
    assert files.num_rows < 7


def test_a_merge_that_fails_leaves_the_commit(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: Any) -> list[str]:
        raise OSError("no space left")

    monkeypatch.setattr(optimizer.history.storage.table, "scattered_lines", full)
    assert load_table(runs(1), history).added == 1
    assert ids(history) == ["r1"]


# -- damage and restored versions ---------------------------------------------------------------


@pytest.fixture
def three(history: History) -> History:
    """A history of three loads; the second is of another line."""
    load_table(runs(*range(40)), history)
    load_table(runs(*range(40, 80), line="B"), history)
    load_table(runs(*range(80, 120)), history)
    return history


def data_file(history: History, version: int) -> Path:
    """The file that a version added."""
    now, before = (set(history.table.peek(v).file_uris()) for v in (version, version - 1))  # type: ignore[union-attr]
    (uri,) = now - before
    return Path(uri.removeprefix("file://"))


def commit(history: History, version: int) -> Path:
    return optimizer.history.storage.table.commit_file(history.folder, version)  # type: ignore[arg-type]


def cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-100])


def scratch(path: Path) -> None:
    content = bytearray(path.read_bytes())
    middle = len(content) // 2
    content[middle : middle + 400] = bytes(400)
    path.write_bytes(content)


def rewrite(path: Path, old: str, new: str) -> None:
    """Replace a text in a commit file."""
    said = path.read_text("utf-8")
    assert old in said
    path.write_text(said.replace(old, new), "utf-8")


DAMAGE = [
    (lambda h: data_file(h, 2).unlink(), "it is missing", 1),
    (lambda h: cut(data_file(h, 2)), "bytes, the log says", 1),
    (lambda h: cut(data_file(h, 1)), "bytes, the log says", 0),
    (lambda h: scratch(data_file(h, 2)), "it cannot be read", 1),
    (
        lambda h: rewrite(commit(h, 2), r"\"numRecords\":40", r"\"numRecords\":41"),
        "it holds 40 runs, the log says 41",
        1,
    ),
    (
        lambda h: rewrite(commit(h, 2), r"\"air\":59.0", r"\"air\":60.0"),
        "air goes from 20 to 59, the log says 20 to 60",
        1,
    ),
    (lambda h: commit(h, 2).write_text("{nonsense"), "is damaged", 1),
    (lambda h: commit(h, 2).write_text(""), "commit 2 is empty", 1),
    (lambda h: commit(h, 1).write_text(""), "this commit is empty", 0),
    (lambda h: commit(h, 1).unlink(), "is damaged", 0),
]


@pytest.mark.parametrize(("damage", "reason", "back"), DAMAGE, ids=map(str, range(len(DAMAGE))))
def test_damage_is_found_and_an_earlier_version_restored(
    three: History, damage: Any, reason: str, back: int
) -> None:
    sound = verify(three)
    assert (sound.sound, sound.runs, sound.files, sound.left_over) == (True, 120, 3, 0)
    damage(three)
    before = listing(three.folder)  # type: ignore[arg-type]
    health = verify(three)
    assert listing(three.folder) == before  # type: ignore[arg-type]
    assert not health.sound
    assert reason in health.damaged[0].reason
    assert health.restorable == back
    said = " ".join(show_upkeep.verified(health.as_dict()).split())
    assert f"'highside history --restore {back}' goes back to it" in said
    json.dumps(health.as_dict(), allow_nan=False)

    restore(three, back)
    assert verify(three).sound
    assert ids(three) == sorted(f"r{k}" for k in range(40 if back == 0 else 80))
    # No earlier file is gone, and loading again completes the history.
    kept = listing(three.folder).values()  # type: ignore[arg-type]
    assert not set(before.values()) - set(kept) - {b"", before.get("_delta_log/_last_checkpoint")}
    load_table(runs(*range(40)), three)
    load_table(runs(*range(40, 80), line="B"), three)
    assert load_table(runs(*range(80, 120)), three).added == 40
    assert len(ids(three)) == 120
    assert verify(three).sound


def test_a_restored_history_keeps_its_later_versions(three: History) -> None:
    assert restore(three, 0).version == 3
    assert (len(ids(three)), len(ids(three, 2))) == (40, 120)
    assert restore(three, 2).version == 4
    assert len(ids(three)) == 120


def test_only_a_sound_other_version_is_restored(three: History) -> None:
    with pytest.raises(InputError, match="version 2 is the current one"):
        restore(three, 2)
    with pytest.raises(InputError, match="has no version 7"):
        restore(three, 7)
    with pytest.raises(InputError, match="is empty"):
        restore(History(three.location + "-new"), 0)
    cut(data_file(three, 1))
    before = listing(three.folder)  # type: ignore[arg-type]
    with pytest.raises(HistoryError, match=r"is damaged: line=B/.*bytes, the log says") as refusal:
        restore(three, 1)
    assert "--verify" in refusal.value.hint
    commit(three, 2).write_text("{nonsense")
    for version in (2, 5):
        with pytest.raises(InputError, match=f"has no readable version {version}"):
            restore(three, version)
    assert {**listing(three.folder), "_delta_log/" + commit(three, 2).name: b""} == {  # type: ignore[arg-type]
        **before,
        "_delta_log/" + commit(three, 2).name: b"",
    }


def test_duplicate_runs_are_counted(three: History) -> None:
    three.append(three.at().runs(lines=["B"]))
    health = verify(three)
    assert (health.sound, health.doubled, health.runs) == (False, 40, 160)
    assert "40 runs are there twice" in show_upkeep.verified(health.as_dict())


def test_ids_that_disagree_with_their_runs_are_counted(history: History) -> None:
    load_table([run(air=20.0 + k) for k in range(30)], history)
    assert verify(history).odd_ids == 0
    table = history.at().runs()
    changed = pa.array([0.5, *table["grade"].to_pylist()[1:]])
    place = table.column_names.index("grade")
    copy = History(history.location + "-copy")
    copy.append(table.set_column(place, "grade", changed))
    health = verify(copy)
    assert (health.sound, health.odd_ids) == (True, 1)
    assert "1 runs have an id" in show_upkeep.verified(health.as_dict())


def test_files_of_an_interrupted_load_are_recognized(three: History) -> None:
    left = three.folder / "line=A" / "part-0.parquet"  # type: ignore[operator]
    left.write_bytes(b"x" * 1000)
    health = verify(three)
    assert (health.sound, health.left_over, health.left_over_bytes) == (True, 1, 1000)
    assert "1 files (0.0 MB) were left" in show_upkeep.verified(health.as_dict())


def test_an_empty_history_and_one_of_another_format(tmp_path: Path, history: History) -> None:
    assert verify(history).as_dict()["version"] is None
    assert show_upkeep.verified(verify(history).as_dict()) == "The history is empty."
    load_table(runs(1), history)
    history.table.open().alter.set_table_description("highside.format=2")  # type: ignore[union-attr]
    for use in (verify, lambda h: restore(h, 0)):
        with pytest.raises(HistoryError, match="Update highside"):
            use(history)
