"""Terminal output: no control characters from data, and a sentence for every refusal."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import textwrap
from pathlib import Path
from typing import Any

import pytest

from cli.output import as_text
from cli.show import plan as show
from cli.show import upkeep as show_upkeep
from optimizer.history.history import History
from optimizer.intake.settling.load import load_table
from optimizer.text.visible_text import json_text, printable
from tests.conftest import names_of_before
from tests.history.test_history import RUN
from tests.history.test_history import run as row

# C0, DEL and C1 controls; marks of direction (Unicode Technical Report 36, section 2.5, "bidi").
HOSTILE = "deck\x1b[2J\x07\r\b\x7f\x9b31m\u202e\u2066\u200f\u2028\ud800 1"
RAW = {chr(k) for k in (*range(32), *range(127, 160))} - {"\n"}
RAW |= set("\u061c\u200e\u200f\u2028\u2029\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def assert_printable(text: str) -> None:
    assert not RAW & set(text), RAW & set(text)
    text.encode("utf-8")


def test_control_characters_are_shown_as_escapes() -> None:
    assert_printable(printable(HOSTILE))
    assert printable("a\tb\nc\x1b") == r"a\tb\nc\x1b"
    plain = "Größe 5 °C, 漢字, עברית, नमस्ते, e\u0301, \u200d"  # right-to-left letters are printable
    assert printable(plain) == plain


def test_a_json_answer_has_the_same_text_in_escapes() -> None:
    text = json_text({HOSTILE: [HOSTILE, "Größe"], "n": 1.5})
    assert_printable(text)
    assert "Größe" in text
    # Half a surrogate pair is no character (RFC 8259, section 8.2): it is written out.
    whole = HOSTILE.replace("\ud800", r"\ud800")
    assert json.loads(text) == {whole: [whole, "Größe"], "n": 1.5}


def _no_constant(name: str) -> Any:
    raise ValueError(f"{name} is not JSON (RFC 8259, section 6)")


def test_a_json_answer_has_no_number_that_json_has_not() -> None:
    document = {"a": [float("nan"), {"b": float("-inf")}], "c": (float("inf"), 1.5, 2)}
    found = json.loads(json_text(document), parse_constant=_no_constant)
    assert found == {"a": [None, {"b": None}], "c": [None, 1.5, 2]}


@pytest.fixture
def hostile(tmp_path: Path) -> Path:
    """A folder with a log whose line, run ids and notes contain terminal commands."""
    name = HOSTILE.replace("\ud800", "")
    rows = [
        row(line=name, note=name, material=name, air=20.0 + k, grade=0.96 + k / 1000, run_id=f"{k}")
        for k in range(12)
    ]
    with names_of_before():
        load_table(rows, History(tmp_path / "history"))
    cells = ",".join(f'"{name}"' if key == "line" else str(v) for key, v in row().items())
    (tmp_path / f"log{name.replace('/', '')}.csv").write_text(
        f"{','.join(RUN)}\n{cells}\n{cells.replace('0.97', name)}\n", "utf-8"
    )
    return tmp_path


def test_control_characters_in_names_reach_no_terminal(run: Any, hostile: Path) -> None:
    name = HOSTILE.replace("\ud800", "")
    (log,) = hostile.glob("log*.csv")
    for arguments in (
        ["history"],
        ["load", log, "--dry-run"],
        ["load", log],
        ["load", f"no{name}.csv"],
        ["suggest", "--line", name, "--min-grade", "0.9", "--trials", "1"],
        ["suggest", "--line", f"{name}?", "--min-grade", "0.9", "--trials", "1"],
        ["diagnose", "--line", name],
        ["compare", "--min-grade", "0.9"],
        ["history", "--export", f"out{name}.csv"],
        ["history", "--verify"],
        ["history", f"--{name}"],
        ["history", "--restore", name],
        ["record", "--line", name, "--grade", name],
        ["load", log, "--map", f"{name}=x"],
        ["init", f"site{name}.toml"],
    ):
        code, out, err = run(*arguments)
        assert_printable(out)
        assert_printable(err)
        assert code in (0, 1, 2), (arguments, err)
    code, out, _ = run("history", "--json")
    assert json.loads(out)["lines"][0]["line"] == name
    assert_printable(out)


def test_damage_is_named_without_its_control_characters() -> None:
    document = {
        "version": 1, "sound": False, "restorable": None, "doubled": 0, "odd_ids": 0, "unhashed": 0,
        "left_over": 0, "damaged": [{"file": HOSTILE, "line": HOSTILE, "runs": 1, "reason": "x"}],
    }  # fmt: skip
    assert_printable(as_text(document, show_upkeep.verified))


def test_bold_of_the_program_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    said = as_text({"line": "a\x1b[1mb"}, lambda d: show.bold(d["line"]))
    assert said == "\x1b[1ma\\x1b[1mb\x1b[0m"


# -- refusals of the system --------------------------------------------------------------------

CLOSED = [
    ("history", ["history"], 3, "history 'history' cannot be read: Permission denied."),
    ("history", ["history", "--verify"], 3, "history 'history' cannot be read: "),
    ("history/_delta_log", ["history"], 3, "cannot be read: Permission denied"),
    ("history/_delta_log/*.json", ["history"], 3, "Permission denied"),
    ("history/line=A/*.parquet", ["history"], 3, "Permission denied"),
    ("history/line=A", ["history", "--verify"], 3, "cannot be read: Permission denied"),
    ("history/_rejected", ["load", "bad.csv"], 3, "Permission denied"),
    ("logs/shut", ["load", "logs"], 2, "'logs/shut' cannot be read: Permission denied"),
    ("logs/shut", ["load", "logs/shut/a.csv"], 2, "cannot be read: Permission denied"),
    ("logs/shut", ["history", "--export", "logs/shut/a.csv"], 2, "cannot be written: Permission"),
    ("logs/shut", ["balance", "logs/shut/a.csv"], 2, "cannot be read: Permission denied"),
]
AS_NOBODY = """
    import contextlib, io, json, os, sys
    from pathlib import Path
    from cli.main import run
    from cli.show import history, load, plan, upkeep as show_upkeep
    from optimizer.history import upkeep  # before its own files are out of reach
    from optimizer.history.history import History
    from optimizer.intake.settling.load import load_logs
    from optimizer.operations.balancing import stream_log
    from optimizer.plant import brief
    root = os.getuid() == 0  # whom permissions do not hold back
    found = []
    for closed, arguments in json.load(sys.stdin):
        paths = {path: path.stat().st_mode for path in Path().glob(closed)}
        for path in paths:
            path.chmod(0)
        if root:
            os.seteuid(65534)
        sys.argv, said, code = ["highside", *arguments], io.StringIO(), 0
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            try:
                run()
            except SystemExit as stop:
                code = stop.code
        if root:
            os.seteuid(0)
        for path, mode in paths.items():
            path.chmod(mode)
        found.append([code, said.getvalue()])
    print(json.dumps(found))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="POSIX permissions")
def test_missing_read_permission_is_reported() -> None:
    with tempfile.TemporaryDirectory() as name:  # pytest's own folders are closed to other users
        folder = Path(name)
        folder.chmod(0o777)
        (folder / "logs/shut").mkdir(parents=True)
        bad = f"{','.join(RUN)}\n{','.join(map(str, row(air='x').values()))}\n"
        for log in ("bad.csv", "logs/good.csv", "logs/shut/a.csv"):
            (folder / log).write_text(bad, "utf-8")
        load_table([row(), row(air=None)], History(folder / "history"))
        for path in folder.rglob("*"):
            path.chmod(0o777 if path.is_dir() else 0o666)
        done = subprocess.run(
            [sys.executable, "-c", textwrap.dedent(AS_NOBODY)],
            input=json.dumps([(closed, arguments) for closed, arguments, *_ in CLOSED]),
            capture_output=True, text=True, check=False, cwd=folder,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )  # fmt: skip
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    for (closed, arguments, wanted, says), (code, text) in zip(CLOSED, found, strict=True):
        said = " ".join(text.split())
        assert code == wanted, (closed, arguments, said)
        assert says in said, (closed, arguments, said)
        assert "fault" not in said


def test_a_path_through_a_file_is_reported(run: Any, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x", "utf-8")
    assert run("history", "--history", "file/history")[0] == 0  # no history exists there
    (tmp_path / "log.csv").write_text(
        f"{','.join(RUN)}\n{','.join(map(str, row().values()))}\n", "utf-8"
    )
    code, _, err = run("load", "log.csv", "--history", "file/history")
    assert (code, "cannot be written: Not a directory." in err) == (3, True)
    for arguments in (["history", "--history", "x" * 5000], ["load", "x" * 5000]):
        code, out, err = run(*arguments)
        assert code in (2, 3)
        assert "File name too long" in " ".join((out + err).split())


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="Linux's full device")
def test_a_full_disk_for_the_answer_is_reported(tmp_path: Path) -> None:
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-c", "from cli.main import program; program()", "history"],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False, cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith("highside: No space left on device.\n")
    assert "Traceback" not in done.stderr
