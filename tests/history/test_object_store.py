"""The history on an object store: an S3-compatible server that the tests start, no network.

The server is moto's. Like S3 it refuses a conditional put of an object that exists; this keeps two
loads apart that share no lock.
"""

from __future__ import annotations

import multiprocessing
import os
import re
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import Any

import pytest

from optimizer.errors import HistoryError, Overtaken
from optimizer.history.history import History
from optimizer.history.storage.log_hashes import read_file
from optimizer.history.storage.table import files_of
from optimizer.history.upkeep import restore, verify
from optimizer.intake.settling.load import LoadOptions, load_logs, load_table
from tests.faults import ids_of, write_log
from tests.history.test_durability import ids, runs
from tests.history.test_history import run

SERVER = """
import sys
from moto.server import ThreadedMotoServer
server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
server.start()
print(server.get_host_and_port()[1], flush=True)
sys.stdin.read()
"""


@pytest.fixture(scope="module")
def store() -> Any:
    """Environment variables for a process that uses the server."""
    # The server needs its own process: the table library blocks the threads of this one.
    server = subprocess.Popen(
        [sys.executable, "-c", SERVER],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    )
    assert server.stdout is not None
    address = f"http://127.0.0.1:{int(server.stdout.readline().split()[-1])}"
    urllib.request.urlopen(urllib.request.Request(f"{address}/mill", method="PUT")).read()
    yield {
        "AWS_ENDPOINT_URL": address,
        "AWS_ALLOW_HTTP": "true",
        "AWS_ACCESS_KEY_ID": "tests",
        "AWS_SECRET_ACCESS_KEY": "tests",
        "AWS_REGION": "us-east-1",
        "AWS_EC2_METADATA_DISABLED": "true",
    }
    server.kill()
    server.communicate()


@pytest.fixture
def history(store: Any, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, request: Any) -> History:
    for name, value in store.items():
        monkeypatch.setenv(name, value)
    monkeypatch.chdir(tmp_path)
    return History(f"s3://mill/{re.sub('[^a-z]', '-', request.node.name)}")


def test_runs_are_stored_recognized_and_read_at_any_version(history: History) -> None:
    assert (history.exists, history.version, history.at().runs().num_rows) == (False, None, 0)
    assert load_table(runs(0, 1, 2), history).version == 0
    report = load_table([*runs(2, 3), {**runs(4)[0], "grade": 97.0}], history)
    assert (report.added, report.already_known, report.rejected, report.version) == (1, 1, 1, 1)
    assert ids(history) == ["r0", "r1", "r2", "r3"]
    assert ids(history, 0) == ["r0", "r1", "r2"]
    assert history.at().lines == ("A",)
    # A person has to correct rejects, so they stay on this machine and the report says where.
    assert report.rejects_file == str(Path("highside-rejected") / "rejected.csv")
    assert Path(report.rejects_file).exists()
    health = verify(history)
    assert (health.sound, health.runs, health.files) == (True, 4, 2)
    assert restore(history, 0).version == 2
    assert ids(history) == ["r0", "r1", "r2"]


def test_changed_bytes_are_named_and_set_aside(history: History) -> None:
    for k in range(3):
        load_table(runs(k), history)
    files = history.place.filesystem

    def change(path: str) -> None:
        content = bytearray(read_file(files, path))
        content[len(content) // 2] ^= 1
        with files.open_output_stream(path, buffer_size=1 << 20) as file:
            file.write(bytes(content))

    commit = "_delta_log/00000000000000000002.json"
    assert (verify(history).sound, verify(history).unhashed) == (True, 0)
    change(commit)
    health = verify(history)
    assert (health.sound, health.restorable) == (False, 1)
    assert any(d.file == commit for d in health.damaged)
    assert restore(history, 1).version == 1
    assert (verify(history).sound, ids(history)) == (True, ["r0", "r1"])
    path = files_of(history.table.open())["path"][0].as_py()  # type: ignore[arg-type]
    change(path)
    assert [(d.file, d.line) for d in verify(history).damaged] == [(path, "A")]
    change(path)  # restore the byte
    load_table(runs(2), history)
    assert verify(history).unhashed == 0


def test_a_commit_on_an_older_version_is_refused_by_the_store(history: History) -> None:
    load_table(runs(0), history)
    old = history.table.open()
    load_table(runs(1), history)
    more = history.at().runs()
    with pytest.raises(Overtaken):
        history.table.commit(old, more.schema, iter(more.to_batches()))
    with pytest.raises(Overtaken):
        history.table.commit(None, more.schema, iter(more.to_batches()))
    assert (history.version, ids(history)) == (1, ["r0", "r1"])


def load_as_another_machine(location: str, log: str, folder: str, store: dict[str, str]) -> None:
    """Load a log with a separate folder for locks, so that no lock is shared."""
    os.environ.update(store, TMPDIR=folder)
    os.chdir(folder)
    load_logs([log], History(location))


def test_machines_without_a_common_lock_add_each_run_once(
    history: History, store: Any, tmp_path: Path
) -> None:
    context = multiprocessing.get_context("spawn")
    children = []
    for k in range(3):
        folder, log = tmp_path / f"machine-{k}", tmp_path / f"{k}.csv"
        folder.mkdir()
        write_log(log, 100 * k, 200)
        arguments = (history.location, str(log), str(folder), store)
        children.append(context.Process(target=load_as_another_machine, args=arguments))
    for child in children:
        child.start()
    for child in children:
        child.join()
    assert [child.exitcode for child in children] == [0, 0, 0]
    assert ids(history) == sorted(ids_of(0, 400))


def test_single_readings_stay_on_this_machine_and_the_report_says_where(history: History) -> None:
    readings = [run(started_at=f"2025-03-01T10:{k:02d}") for k in range(8)]
    report = load_table(readings, history, options=LoadOptions(samples=True))
    assert (report.added, report.readings) == (1, 8)
    assert any("'highside-samples'" in text for text in report.warnings)
    assert list(Path("highside-samples").glob("*.parquet"))


def test_a_store_that_does_not_answer_is_reported(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(HistoryError, match="cannot be reached") as refusal:
        History("s3://no-such-bucket/runs").at().runs()
    assert refusal.value.exit_code == 3
    assert "credentials" in refusal.value.hint
