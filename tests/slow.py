"""Which tests take long, and run as proofs: by ``-m proof``, and in CI.

    python -m tests.slow            measures every test and writes tests/data/slow_tests.txt

A test function is slow where all its cases together take more than ``LONGEST`` of processor time,
its own and that of processes that it starts. Tests in a browser are slow, too: their processor time
is not seen here. The list is measured on an idle machine and written whole; the default run then
takes a few minutes, and no check is lost.
"""

from __future__ import annotations

import resource
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest

LIST = Path(__file__).parent / "data" / "slow_tests.txt"
LONGEST = 0.8
"""Seconds of processor time of a function's tests."""
ALWAYS = frozenset(
    f"tests/test_architecture.py::{name}"
    for name in (
        "test_modules_functions_and_folders_stay_small",
        "test_nothing_imports_in_a_circle",
    )
)
"""Slow tests that run by default all the same: any change may break them."""


def name_of(node: str) -> str:
    """The name of a test function, from the id of one of its cases."""
    return node.split("[")[0]


def is_slow(node: str, listed: frozenset[str]) -> bool:
    """Whether a test runs as a proof, by its id."""
    name = name_of(node)
    return (name in listed and name not in ALWAYS) or name.split("::")[0].endswith("_browser.py")


def listed() -> frozenset[str]:
    """Names of the functions that are listed as slow."""
    return frozenset(LIST.read_text(encoding="utf-8").split())


class Stopwatch:
    """Measures the processor time of each test function."""

    def __init__(self) -> None:
        self.seconds: Counter[str] = Counter()

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Iterator[None]:
        before = _used()
        found = yield
        self.seconds[name_of(item.nodeid)] += _used() - before
        return found


def _used() -> float:
    kinds = resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN
    return sum(u.ru_utime + u.ru_stime for u in map(resource.getrusage, kinds))


def main() -> int:
    """Runs all tests in one process and writes the list."""
    watch = Stopwatch()
    status = pytest.main(["-q", "-m", "", *sys.argv[1:]], plugins=[watch])
    found = sorted(n for n, s in watch.seconds.items() if s > LONGEST and n.startswith("tests/"))
    LIST.write_text("".join(f"{name}\n" for name in found), encoding="utf-8")
    return int(status)


if __name__ == "__main__":
    sys.exit(main())
