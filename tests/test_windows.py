"""The rules of Windows, simulated: what it refuses of files, paths and names, its line ends, its
consoles, and the modules of POSIX that it lacks.

How ``os.open``, ``os.write``, ``os.fsync`` and ``os.replace`` behave there is from the reference of
Microsoft's C runtime (_open, _write, _commit: text mode, and access for writing) and of MoveFileEx
(sharing violation); none of this ran on Windows.
"""

from __future__ import annotations

import csv
import errno
import fcntl
import json
import os
import subprocess
import sys
import textwrap
import warnings
from pathlib import Path

import pytest

from optimizer import History, Site, verify, verify_audit
from optimizer.files import WAITS, write_whole
from optimizer.history.storage.place import Place
from optimizer.intake.settling.load import load_logs, load_table
from optimizer.plant.brief import Brief
from optimizer.service.recording.audit import Audit
from tests.history.runs import run

BINARY = 1 << 30
"""Stands for ``os.O_BINARY``, which POSIX lacks."""


@pytest.fixture
def windows(monkeypatch):
    """Files as Windows has them. Returns the number of times that a replacement is refused."""
    opened, wrote, synced, replaced = os.open, os.write, os.fsync, os.replace
    as_text: set[int] = set()
    refusals = [0]

    def open_(path, flags, mode=0o777, **how):
        if os.path.isdir(path):
            raise PermissionError(errno.EACCES, "Permission denied", str(path))
        handle = opened(path, flags & ~BINARY, mode, **how)
        (as_text.discard if flags & BINARY else as_text.add)(handle)
        return handle

    def write(handle, content):
        whole = bytes(content)
        done = wrote(handle, whole.replace(b"\n", b"\r\n") if handle in as_text else whole)
        return len(whole) if handle in as_text else done

    def fsync(handle):
        if fcntl.fcntl(handle, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
            raise OSError(errno.EBADF, "Bad file descriptor")
        synced(handle)

    def replace(source, target):
        if refusals[0]:
            refusals[0] -= 1
            raise PermissionError(errno.EACCES, "The process cannot access the file", str(target))
        replaced(source, target)

    for name, other in (("open", open_), ("write", write), ("fsync", fsync), ("replace", replace)):
        monkeypatch.setattr(os, name, other)
    monkeypatch.setattr("optimizer.files.WINDOWS", True)
    monkeypatch.setattr("optimizer.files.time.sleep", lambda seconds: None)
    monkeypatch.setattr("optimizer.service.recording.audit.BINARY", BINARY)
    return refusals


def test_a_file_that_someone_reads_is_replaced_a_moment_later(windows, tmp_path):
    path = tmp_path / "plan.json"
    write_whole(path, b"old")
    windows[0] = len(WAITS)
    write_whole(path, b"new\n")
    assert path.read_bytes() == b"new\n"
    windows[0] = len(WAITS) + 1
    with pytest.raises(Exception, match="cannot be written"):
        write_whole(path, b"newest")
    assert path.read_bytes() == b"new\n"
    assert os.listdir(tmp_path) == ["plan.json"]


def test_a_history_is_loaded_and_found_sound(windows, tmp_path):
    history = History(tmp_path / "history")
    assert load_table([run(run_id="a"), run(run_id="b")], history).added == 2
    assert verify(history).sound


def test_the_audit_trail_has_the_line_ends_that_its_hashes_are_of(windows, tmp_path):
    audit = Audit(tmp_path)
    for name in ("first", "second"):
        audit.add(event=name)
    health = verify_audit(tmp_path)
    assert health is not None
    assert health.sound
    assert [entry["event"] for entry in audit.recent()] == ["first", "second"]


@pytest.mark.parametrize(
    "location", [r"C:\plant\history", r"\\server\share\history", r"..\history", "C:history"]
)
def test_a_path_of_windows_is_a_folder_and_no_store(location):
    assert Place(location).folder == Path(location)


def test_a_file_uri_with_a_drive_is_its_folder(monkeypatch):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        from nturl2path import url2pathname

    monkeypatch.setattr("optimizer.history.storage.place.url2pathname", url2pathname)
    assert Place("file:///C:/plant/the%20history").folder == Path(r"C:\plant\the history")


def test_logs_site_and_brief_with_the_line_ends_of_windows_say_the_same(tmp_path):
    rows = [run(run_id=f"r{k}", feed_rate=1.5 + 0.1 * k) for k in range(3)]
    found = {}
    for name, end in (("posix", "\n"), ("windows", "\r\n")):
        log = tmp_path / f"{name}.csv"
        with log.open("w", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, rows[0], lineterminator=end)
            writer.writeheader()
            writer.writerows(rows)
        site, brief = tmp_path / "site.toml", tmp_path / "brief.toml"
        lines = ["[site]", 'name = "Mill"', "[settings.air]", 'unit = "%"', "low = 10", "high = 90"]
        lines.append("step = 1")
        site.write_bytes(end.join([*lines, ""]).encode())
        brief.write_bytes(end.join(["[goal]", "min_grade = 0.97", ""]).encode())
        history = History(tmp_path / name)
        report = load_logs([log], history)
        runs = history.at().runs().drop_columns(["source"]).to_pylist()
        found[name] = report.added, runs, Site.read(site).fingerprint, Brief.read(brief)
    assert found["posix"] == found["windows"]
    assert found["posix"][0] == 3


def console(arguments: list[str], encoding: str) -> bytes:
    """What a command writes to a file or another program, where text has this encoding."""
    command = [sys.executable, "-c", "from cli.main import program; program()", *arguments]
    env = {**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    done = subprocess.run(command, env=env, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.parametrize("encoding", ["cp1252", "cp437", "ascii"])
def test_an_answer_with_any_letter_reaches_a_file(tmp_path, encoding):
    line = "Łódź 漢字 \U0001f642"
    history = str(tmp_path / "history")
    load_table([run(line=line)], History(history))
    for form in ([], ["--json"]):
        said = console(["history", "--history", history, *form], encoding).decode("utf-8")
        assert line in said
    assert json.loads(said)["lines"][0]["line"] == line


WITHOUT_POSIX = """
    import importlib, os, pkgutil, sys
    import cli, optimizer

    def every():
        for room in (optimizer, cli):
            for module in pkgutil.walk_packages(room.__path__, f"{room.__name__}."):
                importlib.import_module(module.name)

    every()  # loads the libraries, which have their own way with Windows
    for name in [n for n in sys.modules if n.partition(".")[0] in ("optimizer", "cli")]:
        del sys.modules[name]
    for name in ("fcntl", "grp", "pwd", "resource", "termios"):
        sys.modules[name] = None
    for name in ("fork", "geteuid", "getuid", "nice", "killpg", "setsid"):
        delattr(os, name)
    import signal
    for name in ("SIGKILL", "SIGHUP", "SIGCHLD", "alarm", "pthread_sigmask"):
        delattr(signal, name)
    sys.platform = "win32"
    import cli, optimizer
    every()
    print("loaded")
"""


def test_every_module_loads_without_the_modules_of_posix():
    done = subprocess.run(
        [sys.executable, "-W", "ignore", "-c", textwrap.dedent(WITHOUT_POSIX)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.stdout == "loaded\n", done.stderr
