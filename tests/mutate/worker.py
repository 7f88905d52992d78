"""Runs tests on mutants, in a copy of the tree: ``__main__.py`` starts it there.

It reads jobs as lines of JSON and answers each with one. The libraries are loaded once; the tests
of each mutant run in a process forked from this one, which has loaded none of the project's code.
Time is counted as the work of the processor, so that a busy machine changes no verdict.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import resource
import signal
import sys
import time
from pathlib import Path

import pytest

LIBRARIES = (
    "deltalake", "hypothesis", "matplotlib", "numpy", "pandas", "pint", "pyarrow.compute",
    "pyarrow.dataset", "pydantic", "scipy.optimize", "scipy.special", "scipy.stats", "typer",
)  # fmt: skip
# A mutant may take this many times the work of the clean code and this many seconds more; a
# process that works no more (two that wait for each other) ends after so many seconds of the clock.
TIMES, SECONDS, CLOCK = 4.0, 5.0, 1200.0


HOW = (
    "-x", "-q", "-m", "", "--doctest-modules",
    "-p", "_hypothesis_pytestplugin", "--hypothesis-seed=0",
)  # fmt: skip
"""Every mutant pays for each plugin of pytest, so only one is loaded, for the sake of its option:
the environment that ``__main__.py`` sets leaves out the others."""
NOT_RUN = 100
"""Exit code where the tests could not be started at all."""


def work_of(files: list[str], limit: float) -> tuple[int, float]:
    """Run files of tests until one fails: the exit code, and the seconds of work.

    Args:
        files: files of tests, in the order in which they run, and options of pytest.
        limit: seconds of work after which the run is ended.

    Returns:
        0 where all passed; else another number, negative where the run was ended by a signal.
    """
    child = os.fork()
    if not child:
        os.setpgid(0, 0)
        seconds = int(limit) + 1
        resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
        silence = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):
            os.dup2(silence, stream)
        code = NOT_RUN
        try:
            code = int(pytest.main([*HOW, *files]))
        finally:
            os._exit(code)
    end = time.monotonic() + CLOCK
    while True:
        found, status, used = os.wait4(child, os.WNOHANG)
        if found:
            break
        if time.monotonic() > end:
            os.killpg(child, signal.SIGKILL)
        time.sleep(0.05)
    with contextlib.suppress(ProcessLookupError):
        os.killpg(child, signal.SIGKILL)  # what a test left behind
    return os.waitstatus_to_exitcode(status), used.ru_utime + used.ru_stime


def main() -> None:
    """Answer every job, which has ``files``; without ``path`` clean code is run, for at most
    ``limit`` seconds of work; with it a mutant, of this ``source``, where ``clean`` are the seconds
    of work of the clean code."""
    for name in LIBRARIES:
        importlib.import_module(name)
    sys.dont_write_bytecode = True
    for line in sys.stdin:
        job = json.loads(line)
        if "path" not in job:
            code, seconds = work_of(job["files"], job["limit"])
        else:
            path = Path(job["path"])
            clean = path.read_text(encoding="utf-8")
            path.write_text(job["source"], encoding="utf-8")
            try:
                code, seconds = work_of(job["files"], TIMES * job["clean"] + SECONDS)
            finally:
                path.write_text(clean, encoding="utf-8")
        print(json.dumps({"code": code, "seconds": seconds}), flush=True)


if __name__ == "__main__":
    main()
