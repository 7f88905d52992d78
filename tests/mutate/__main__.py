"""Mistakes planted in the code, one at a time, and whether a test notices.

    python -m tests.mutate --rooms planning evidence --mutants 20

picks so many mutants of each room by the seed and runs the tests that belong to the changed module:
its own examples, the files that name it, in ``tests/ROOM`` and a few other folders of tests, else
in any, and all others of ``tests/ROOM``. Where none names it, those that name a module which uses
it stand in for them. One runs after the other until a test fails. A mutant is killed where a test
fails or the work of the tests grows out of proportion, and survives where all pass. It works in
copies of the tree.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from scipy.stats import binom

from tests.mutate.mutants import Mutant, mutants_of
from tests.slow import listed

ROOT = Path(__file__).resolve().parents[2]
LEFT_OUT = (".git", ".venv*", "__pycache__", "build", ".*_cache")
ROOMS = (
    "measurement", "model", "gaussian_process", "planning", "evidence", "plant", "history",
    "intake", "campaign", "comparison", "diagnostics", "time_effects", "numerics", "landscape",
    "interop",
)  # fmt: skip
BESIDE = ("planning", "model", "operations", "diagnostics", "outside")
"""Folders whose tests check modules of other rooms, too."""
SLOW = ("browser",)
"""Files of tests whose names have one of these words are left out."""
FALSE_ALARM = 1e-3
"""Chance that a share of just the floor is judged to be below it."""
NO_TESTS = int(pytest.ExitCode.NO_TESTS_COLLECTED)
"""Exit code where all tests of a file are listed as slow, and none is left."""
KILLED, SURVIVED, UNTESTED = "killed", "survived", "untested"


@dataclass(frozen=True)
class Verdict:
    """What became of a mutant: killed, survived, or untested where all its tests take too long."""

    room: str
    mutant: Mutant
    outcome: str


class Clean(NamedTuple):
    """What a file of tests does on clean code: its arguments for pytest, the exit code, negative
    where it takes too long, and the seconds of work."""

    arguments: tuple[str, ...]
    code: int
    seconds: float


def sample(room: str, count: int, seed: int, constants: bool = False) -> list[Mutant]:
    """So many mutants of a room, spread over its modules as their mistakes are.

    Those in constants at the top of modules are a kind of their own: most of these are numbers of
    draws and limits that are chosen by benchmarks, and a test that repeats them proves nothing.
    """
    modules = sorted((ROOT / "optimizer" / room).rglob("*.py"))
    every = [
        mutant
        for path in modules
        for mutant in mutants_of(str(path.relative_to(ROOT)), path.read_text(encoding="utf-8"))
        if mutant.constant == constants
    ]
    rng = random.Random(f"{seed} {room}")
    return sorted(rng.sample(every, min(count, len(every))), key=lambda m: (m.path, m.line))


def files_of(room: str, module: str) -> list[str]:
    """The files of tests that belong to a module, from the root of the tree: its own examples,
    where it has any, those without slow tests, and others; those that name it or the modules that
    use it before the others of its room."""
    own, near, every = (
        sorted({path for each in folders for path in (ROOT / "tests" / each).glob("**/test_*.py")})
        for folders in ((room,), (room, *BESIDE), (".",))
    )
    modules = [path for path in (ROOT / "optimizer").rglob("*.py") if path.name != "__init__.py"]
    found: list[Path] = []
    users = known = {module}
    while users and not found:
        found = naming(near, users) or naming(every, users)
        users = {str(path.relative_to(ROOT)) for path in naming(modules, users)} - known
        known = known | users
    examples = [module] if ">>>" in (ROOT / module).read_text(encoding="utf-8") else []
    every = [p for p in dict.fromkeys([*found, *own]) if not any(word in p.name for word in SLOW)]
    slow = Counter(name.split("::")[0] for name in listed())
    return examples + sorted((str(p.relative_to(ROOT)) for p in every), key=lambda n: slow[n] > 0)


def naming(files: Iterable[Path], modules: Iterable[str]) -> list[Path]:
    """Those of some files of Python that import one of some modules, given from the root."""
    names = [module.removesuffix(".py").replace("/", ".").rpartition(".") for module in modules]
    one = "|".join(
        rf"{re.escape(package)}\.{last}\b|from {re.escape(package)} import [^\n]*\b{last}\b"
        for package, _, last in names
    )
    return [path for path in files if re.search(one, path.read_text(encoding="utf-8"))]


class Copy:
    """A copy of the tree, and a process that runs tests there."""

    def __init__(self, folder: Path) -> None:
        ignored = shutil.ignore_patterns(*LEFT_OUT)
        shutil.copytree(ROOT, folder, ignore=ignored, dirs_exist_ok=True)
        self._clean: dict[str, Clean] = {}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.mutate.worker"],
            cwd=folder,
            env={
                **os.environ,
                "PYTHONPATH": str(folder),
                "PYTHONDONTWRITEBYTECODE": "1",
                "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1",
            },
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )

    def ask(self, **job: Any) -> tuple[int, float]:
        """The exit code of a job and its seconds of work."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        print(json.dumps(job), file=self._process.stdin, flush=True)
        answer = json.loads(self._process.stdout.readline())
        return answer["code"], answer["seconds"]

    def clean(self, file: str, longest: float) -> Clean:
        """A file of tests on clean code, which runs once. Where it takes longer than so many
        seconds of work, it is judged without those of its tests that are listed as slow."""
        if file not in self._clean:
            found = Clean((file,), *self.ask(files=[file], limit=longest))
            slow = [f"--deselect={name}" for name in listed() if name.startswith(f"{file}::")]
            if found.code < 0 and slow:
                rest = Clean((file, *slow), *self.ask(files=[file, *slow], limit=longest))
                found = found if rest.code == NO_TESTS else rest
            self._clean[file] = found
        return self._clean[file]

    def judge(self, mutant: Mutant, files: Sequence[str], longest: float) -> tuple[str, float]:
        """The outcome of a mutant by files of tests, and the seconds of work. One runs after the
        other until one fails: those known to take least first, then others in their order."""
        outcome, total = UNTESTED, 0.0
        known = {file: self._clean[file].seconds for file in files if file in self._clean}
        for file in sorted(files, key=lambda each: known.get(each, math.inf)):
            clean = self.clean(file, longest)
            if clean.code > 0:
                raise SystemExit(f"these tests fail without any mistake: {file}")
            if clean.code < 0:
                continue
            changed = {"path": mutant.path, "source": mutant.source, "clean": clean.seconds}
            code, took = self.ask(files=clean.arguments, **changed)
            outcome, total = KILLED if code else SURVIVED, total + took
            if code:
                break
        return outcome, total

    def __enter__(self) -> Copy:
        return self

    def __exit__(self, *_: object) -> None:
        # Closes the pipes; without jobs the process ends.
        self._process.__exit__(None, None, None)


def verdicts(
    work: Sequence[tuple[str, Mutant]], longest: float, until: float = math.inf
) -> Iterator[Verdict]:
    """What became of each mutant of a room, in a copy of the tree.

    Args:
        work: rooms and their mutants.
        longest: files of tests that take more seconds of work than this run without those of their
            tests that are listed as slow, or not at all where they still do.
        until: time of ``time.monotonic`` from which no further mutant is begun.
    """
    with tempfile.TemporaryDirectory() as folder, Copy(Path(folder)) as copied:
        for room, mutant in work:
            if time.monotonic() > until:
                return
            outcome, took = copied.judge(mutant, files_of(room, mutant.path), longest)
            told(f"{outcome:<10}{took:6.0f} s  {said(mutant)}")
            yield Verdict(room, mutant, outcome)


def said(mutant: Mutant) -> str:
    """A mutant in one line."""
    was, became = (" ".join(text.split()) for text in (mutant.was, mutant.became))
    return f"{mutant.path}:{mutant.line}: {was} -> {became}"


def told(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


def report(found: Sequence[Verdict], command: str) -> str:
    """The counts by room, and the survivors, as Markdown."""
    lines = [f"`{command}`", "", "| room | mutants | killed | survived | untested | share killed |"]
    lines.append("|---|---|---|---|---|---|")
    rooms = list(dict.fromkeys(v.room for v in found))
    for room in rooms:
        here = [v.outcome for v in found if v.room == room]
        counts = [here.count(outcome) for outcome in (KILLED, SURVIVED, UNTESTED)]
        told_share = share_told([v for v in found if v.room == room])
        lines.append(f"| {room} | {len(here)} | {' | '.join(map(str, counts))} | {told_share} |")
    for room in rooms:
        left = [v for v in found if v.room == room and v.outcome != KILLED]
        if left:
            lines += ["", f"Not killed in `{room}`:", ""]
            lines += [f"- `{said(v.mutant)}`" + f" ({v.outcome})" for v in left]
    return "\n".join(lines) + "\n"


def share_killed(found: Sequence[Verdict]) -> float | None:
    """Share of the mutants whose tests ran that a test noticed; None where none ran."""
    ran = [v.outcome for v in found if v.outcome != UNTESTED]
    return ran.count(KILLED) / len(ran) if ran else None


def below(found: Sequence[Verdict], floor: float) -> bool:
    """Whether so few mutants were killed that their share of all mutants is hardly the floor."""
    ran = [v.outcome for v in found if v.outcome != UNTESTED]
    return bool(binom.cdf(ran.count(KILLED), len(ran), floor) < FALSE_ALARM)


def share_told(found: Sequence[Verdict]) -> str:
    share = share_killed(found)
    return "none ran" if share is None else f"{share:.0%}"


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutate", description="Plant mistakes.")
    parser.add_argument("--rooms", nargs="+", choices=ROOMS, default=list(ROOMS))
    parser.add_argument("--mutants", type=int, default=20, help="number for each room")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--constants", action="store_true", help="in those of modules, alone")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--longest", type=float, default=60.0, help="seconds of a file of tests")
    parser.add_argument("--minutes", type=float, default=math.inf, help="then no further mutant")
    parser.add_argument("--floor", type=float, default=0.0, help="share killed, less chance")
    options = parser.parse_args(arguments)
    until = time.monotonic() + 60.0 * options.minutes
    work = [
        (room, mutant)
        for room in options.rooms
        for mutant in sample(room, options.mutants, options.seed, options.constants)
    ]
    if options.minutes < math.inf:  # the mutants that fit are then a sample of all
        random.Random(options.seed).shuffle(work)
    modules = list(dict.fromkeys(mutant.path for _, mutant in work))
    parts = [
        [(r, m) for r, m in work if modules.index(m.path) % options.workers == k]
        for k in range(options.workers)
    ]
    with ThreadPoolExecutor(options.workers) as pool:
        each = pool.map(lambda part: list(verdicts(part, options.longest, until)), parts)
        found = [verdict for part in each for verdict in part]
    order = {room: k for k, room in enumerate(options.rooms)}
    found.sort(key=lambda v: (order[v.room], v.mutant.path, v.mutant.line))
    command = " ".join(["python -m tests.mutate", *(arguments or sys.argv[1:])])
    print(report(found, command))
    share = share_killed(found)
    told(f"noticed of the mistakes whose tests ran: {share_told(found)}")
    return int(share is None or below(found, options.floor))


if __name__ == "__main__":
    sys.exit(main())
