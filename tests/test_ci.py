"""The CI scripts in ``.ci``: every failure ends the run with an error."""

from __future__ import annotations

import json
import os
import re
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

CI = Path(__file__).resolve().parents[1] / ".ci"
pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="Bash is not a part of Windows: run this under WSL or Linux"
)

# A stub for every program that the script calls. It counts the calls, fails at the call number
# that it is given, and fills the environment of `python3 -m venv FOLDER` with copies of itself.
STUB = r"""#!{bash}
count=$(({cat} "$CALLS"; echo x) | {wc} -l)
echo "$count ${{0##*/}} $*" >> "$CALLS"
if [ "$count" = "$FAIL_AT" ]; then exit 3; fi
case "${{0##*/}} $*" in
  sudo*) exec "$@" ;;
  "python3 -m venv"*)
    {mkdir} -p "$3/bin"
    for name in python pip ruff mypy lint-imports highside pip-audit; do
      {ln} -sf "{stub}" "$3/bin/$name"
    done ;;
  *" freeze") echo highside==0; echo numpy==2.0 ;;
  date*|grep*|mkdir*|mktemp*|tail*) PATH={path} exec "${{0##*/}}" "$@" ;;
esac
"""
TOOLS = ("date", "grep", "mkdir", "mktemp", "tail")


@pytest.fixture
def ci(tmp_path):
    """``ci(fail_at, outside)``: runs the script with stubs; gives the process and the calls."""
    root, programs = tmp_path / "clone", tmp_path / "programs"
    (root / ".ci").mkdir(parents=True)
    programs.mkdir()
    shutil.copy(CI / "run", root / ".ci" / "run")
    stub = tmp_path / "stub"
    found = {name: shutil.which(name) for name in ("bash", "cat", "ln", "mkdir", "wc")}
    stub.write_text(STUB.format(stub=stub, path=os.environ["PATH"], **found), encoding="utf-8")
    stub.chmod(stub.stat().st_mode | stat.S_IXUSR)
    for name in ("audit", "oldest", "ran"):
        (root / ".ci" / name).symlink_to(stub)
    for name in ("apt-get", "python3", "sudo", *TOOLS):
        (programs / name).symlink_to(stub)
    (programs / "rm").symlink_to(shutil.which("rm"))  # for the final cleanup

    def call(fail_at: int = 0, outside: bool = True):
        for name in ("chromium", "java", "soffice"):
            (programs / name).unlink(missing_ok=True)
            if outside:
                (programs / name).symlink_to(stub)
        calls = tmp_path / "calls"
        calls.write_text("", encoding="utf-8")
        done = subprocess.run(
            [found["bash"], root / ".ci" / "run"],
            env={"PATH": str(programs), "CALLS": str(calls), "FAIL_AT": str(fail_at),
                 "TMPDIR": str(tmp_path)},
            capture_output=True, text=True, check=False,
        )  # fmt: skip
        said = re.sub(r"/tmp\.\w+", "/tmp", calls.read_text(encoding="utf-8"))
        return done, said.splitlines()

    return call


@pytest.mark.parametrize("outside", [True, False], ids=["a browser here", "none"])
def test_whatever_fails_in_ci_ends_it(ci, outside):
    done, calls = ci(outside=outside)
    assert done.returncode == 0, done.stderr
    assert done.stdout.endswith("== all green\n")
    said = "\n".join(calls)
    for step in (
        "python -m pytest -n 2", "python -m pytest -n 2 -m proof", "ruff check", "ruff format",
        "mypy", "lint-imports",
        "highside demo", "pip check", " audit ", "tests.fuzz.mutate_logs", "benchmarks.startup",
    ):  # fmt: skip
        assert step in said, step
    assert re.search(r" ran \S*/tests\.xml \S*/proofs\.xml$", said, re.M)
    assert ("apt-get install" in said) is not outside
    for k in range(1, len(calls) + 1):
        failed, until = ci(k, outside)
        assert failed.returncode != 0, calls[k - 1]
        assert "all green" not in failed.stdout
        assert until == calls[:k]


# ------------------------------------------------------------------ how many tests ran


def ran(folder: Path, *reports: str) -> subprocess.CompletedProcess:
    (folder / "tests").mkdir(exist_ok=True)
    source = "def test_a():\n    pass\n\n\nclass TestB:\n    def test_b(self):\n        pass\n"
    (folder / "tests" / "test_some.py").write_text(source, encoding="utf-8")
    names = [f"{k}.xml" for k in range(len(reports))]
    for name, cases in zip(names, reports, strict=True):
        (folder / name).write_text(f"<testsuites>{cases}</testsuites>", encoding="utf-8")
    command = [sys.executable, CI / "ran", *names]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


A = '<testcase classname="tests.test_some" name="test_a[{}]">{}</testcase>'
B = '<testcase classname="tests.test_some.TestB" name="test_b"/>'


def test_the_number_of_tests_that_ran_is_printed(tmp_path):
    skipped = A.format("skipped", "<skipped/>")
    done = ran(tmp_path, B + "".join(A.format(k, "") for k in range(198)) + skipped)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == "200 tests collected, 199 ran, 1 skipped\n"


def test_each_test_is_in_one_report_or_another(tmp_path):
    done = ran(tmp_path, A.format(1, "") * 2, B)
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == "3 tests collected, 3 ran, 0 skipped\n"


@pytest.mark.parametrize(
    ("cases", "said"),
    [
        ("", "2 tests were not collected"),
        (A.format(1, "") * 500, "1 tests were not collected, such as tests.test_some.TestB.test_b"),
        (B + A.format(1, "") * 100 + A.format(2, "<skipped/>") * 2, "2 of 103 tests were skipped"),
        (B.replace("/>", "><skipped/></testcase>") + A.format(1, "<skipped/>"), "too many"),
    ],
)
def test_too_few_tests_are_a_failure(tmp_path, cases, said):
    done = ran(tmp_path, cases)
    assert done.returncode == 1
    assert said in done.stderr


@pytest.mark.parametrize("in_ci", [False, True])
def test_a_missing_program_is_named_with_its_install_command(tmp_path, in_ci):
    from tests.test_docs import README

    environment = {name: value for name, value in os.environ.items() if name != "CI"}
    environment |= {"PATH": str(tmp_path), "PYTHONPATH": str(CI.parent)}
    environment |= {"CI": "1"} if in_ci else {}
    browser, checker = "test_report_browser.py", "test_report_html.py"
    command = [
        sys.executable,
        "-m",
        "pytest",
        f"tests/outside/{browser}",
        f"tests/outside/{checker}",
    ]
    command += ["-m", "", "-k", "no_request_leaves or checker_detects"]
    done = subprocess.run(
        command, cwd=CI.parent, env=environment, capture_output=True, text=True, check=False
    )
    said = " ".join(done.stdout.split())
    if in_ci:
        assert done.returncode == 2  # not even collected
        assert "CI needs the browser Chromium: sudo apt-get install chromium" in said
        return
    assert done.returncode == 0
    assert re.search(rf"SKIPPED \[1\] \S*{browser}:\d+: needs the browser Chromium", said), said
    assert re.search(rf"SKIPPED \[1\] \S*{checker}:\d+: needs a Java runtime", said), said
    _, beside = README.split("python -m pytest -n 2\n", 1)
    for package in ("chromium", "default-jre-headless"):
        assert f"apt-get install {package}" in said
        assert package in beside.split("\n## ")[0]


def test_only_missing_programs_skip_tests():
    """A missing package of the test extra is an error; tests.programs lists the programs."""
    for path in (CI.parent / "tests").rglob("test_*.py"):
        text = path.read_text(encoding="utf-8")
        wanted = re.findall(r"\b(?:importorskip|skip)\((.*)\)", text)
        assert all(given.endswith("reason=PEERS") for given in wanted), path


# ------------------------------------------------------------------ the audit

CLEAN = {"name": "numpy", "version": "2.0", "vulns": []}
BAD = {"name": "Some.Thing", "version": "1.0", "vulns": [{"id": "X-1", "fix_versions": ["1.1"]}]}
UNKNOWN = {"name": "some-thing", "skip_reason": "not there"}
TWO = "numpy==2.0\nsome_thing==1.0\n"


def answer(*packages: dict) -> str:
    return json.dumps({"dependencies": packages})


@pytest.mark.parametrize(
    ("pinned", "first", "second", "code", "said"),
    [
        ("numpy==2.0\n", answer(CLEAN), "", 0, "no known vulnerability in 1 packages"),
        (TWO, answer(CLEAN, BAD), "", 1, "VULNERABLE: Some.Thing 1.0: X-1, fixed in 1.1"),
        (TWO, answer(CLEAN, UNKNOWN), answer(CLEAN, BAD), 1, "VULNERABLE"),
        (TWO, answer(CLEAN, UNKNOWN), answer(CLEAN, UNKNOWN), 0, "as clean: some-thing"),
        (TWO, answer(CLEAN), answer(CLEAN), 0, "as clean: some-thing"),
        (TWO, answer(CLEAN), "connection timed out", 0, "as clean: some-thing"),
        (TWO, "connection timed out", "connection timed out", 0, "as clean: numpy, some-thing"),
        (TWO, "no such option", "", 1, "the audit itself failed"),
        ("", answer(), answer(), 1, "names no package"),
    ],
)
def test_a_package_without_an_audit_is_never_called_clean(
    tmp_path, pinned, first, second, code, said
):
    auditor = tmp_path / "pip-audit"
    auditor.write_text(
        f"#!{sys.executable}\nimport sys\n"
        f"said = {second!r} if 'osv' in sys.argv else {first!r}\n"
        "print(said, file=sys.stdout if said.startswith('{') else sys.stderr)\n",
        encoding="utf-8",
    )
    auditor.chmod(0o755)
    (tmp_path / "pinned.txt").write_text(pinned, encoding="utf-8")
    command = [sys.executable, CI / "audit", auditor, tmp_path / "pinned.txt"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == code, done.stdout + done.stderr
    assert said in done.stdout + done.stderr


# ------------------------------------------------------------------ busy machines


def test_no_property_test_has_a_deadline():
    assert settings.default.deadline is None
    assert HealthCheck.too_slow in settings.default.suppress_health_check
    for path in (CI.parent / "tests").rglob("test_*.py"):
        found = re.findall(r"\bdeadline=(\w+)", path.read_text(encoding="utf-8"))
        assert set(found) <= {"None"}, path
