"""Runs campaigns and keeps each as a JSON line, so that an interrupted run can continue.

A kept line is reused only while the code that made it is unchanged: its key contains a hash of the
sources of its method (for ours all modules that the planner imports) and of a peer's version.
"""

from __future__ import annotations

import argparse
import ast
import json
import multiprocessing
import os
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass
from functools import lru_cache
from hashlib import sha256
from importlib.metadata import version
from pathlib import Path
from typing import Any

from threadpoolctl import threadpool_limits

from tests.benchmarks.trials.decks import problem
from tests.benchmarks.trials.methods import METHODS
from tests.benchmarks.trials.task import STARTS, Task

ROOT = Path(__file__).resolve().parents[3]
MARKS = (8, 12, 16, 20, 30)
_HERE = "tests/benchmarks/trials"
_DECKS = (
    *(f"{_HERE}/task.py", f"{_HERE}/decks.py", f"{_HERE}/outsider.py", f"{_HERE}/other_laws"),
    f"{_HERE}/judge_laws",
    "optimizer/simulation",
)
_BOTORCH = (
    (
        *(f"{_HERE}/peer_botorch.py", "optimizer/measurement/run_readings.py"),
        *(f"optimizer/model/{part}coordinates.py" for part in ("", "deck_")),
    ),
    "botorch",
)
_PEERS = {
    "optuna": ((f"{_HERE}/peer_optuna.py",), "optuna"),
    **{name: _BOTORCH for name in METHODS if name.startswith("botorch")},
}


@dataclass(frozen=True)
class Key:
    """What identifies one campaign."""

    family: str
    demand: str
    seed: int
    method: str
    starts: int = STARTS


def keys_of(asked: argparse.Namespace) -> list[Key]:
    """The campaigns of a command, deck by deck, so that a run cut short has all methods alike."""
    return [
        Key(family, demand, asked.first + k, method)
        for k in range(asked.decks)
        for demand in asked.demands
        for family in asked.families
        for method in asked.methods
    ]


def behind(module: str, known: frozenset[str] = frozenset()) -> frozenset[str]:
    """Source files, relative to the root, of a module of the package and of all that it imports."""
    path = Path(*module.split("."))
    file = path / "__init__.py" if (ROOT / path).is_dir() else path.with_suffix(".py")
    if str(file) in known or not (ROOT / file).exists():
        return known
    known |= {str(file)}
    tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
    # Imports under TYPE_CHECKING do not run.
    idle = {
        inside
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for inside in ast.walk(node)
    }
    for node in ast.walk(tree):
        if node in idle:
            continue
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("optimizer"):
            known = behind(str(node.module), known)
            for alias in node.names:
                known = behind(f"{node.module}.{alias.name}", known)
    return known


@lru_cache(maxsize=16)
def stamp(method: str, *judges: str) -> str:
    """Hash of the code that a result depends on: the method, the decks and the files ``judges``."""
    sources = [*_DECKS, f"{_HERE}/methods.py"]
    if method == "ours":
        sources = [*_DECKS, *sorted(behind("optimizer.planning.planner"))]
    sources += judges
    digest = sha256()
    if method in _PEERS:
        own, package = _PEERS[method]
        sources += own
        digest.update(version(package).encode())
    for source in sources:
        path = ROOT / source
        for file in sorted(path.rglob("*.py")) if path.is_dir() else [path]:
            digest.update(file.read_bytes())
    return digest.hexdigest()[:12]


def campaign(key: Key) -> dict[str, Any]:
    """Gaps of every report of one method on one deck at each of the marks."""
    with threadpool_limits(1):
        task = Task(problem(key.family, key.demand, key.seed), key.starts)
        marks = [m for m in MARKS if m >= key.starts]
        found = played(task, METHODS[key.method], marks, task.gaps, task.run)
    return {
        **asdict(key),
        "stamp": stamp(key.method),
        **found,
        "best": round(task.problem.best, 5),
        "failed": int((~task.even).sum()),
    }


def played(
    task: Any,
    method: Callable[[Any], Any],
    marks: Sequence[int],
    judged: Callable[[Any], tuple[float, float]],
    run: Callable[[Any], None],
) -> dict[str, Any]:
    """Run a campaign to the last mark; return the gaps of its reports at each mark and the times.

    Args:
        task: the campaign; its ``values`` are the settings run so far.
        method: function from the task to reports and the next trial.
        marks: numbers of runs at which the reports are judged.
        judged: function from settings to run now, or None, to strict and proportional gap.
        run: function that runs settings.
    """
    strict: dict[str, list[float]] = {}
    proportion: dict[str, list[float]] = {}
    seconds = []
    while True:
        start = time.perf_counter()
        choice = method(task)
        seconds.append(time.perf_counter() - start)
        if len(task.values) in marks:
            for name, values in choice.reports.items():
                a, b = judged(values)
                strict.setdefault(name, []).append(round(a, 5))
                proportion.setdefault(name, []).append(round(b, 5))
        if len(task.values) >= marks[-1]:
            break
        run(choice.trial)
    return {
        "marks": list(marks),
        "strict": strict,
        "proportion": proportion,
        "seconds": round(sum(seconds), 2),
        "slowest": round(max(seconds), 3),
    }


class Kept:
    """The rows of a JSON-lines file by key.

    Args:
        path: path of the file; the first row creates it and its folder.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.rows: dict[tuple[Any, ...], dict[str, Any]] = {}
        if path.exists():
            for line in filter(None, path.read_text(encoding="utf-8").split("\n")):
                try:
                    row = json.loads(line)
                except json.JSONDecodeError:
                    continue  # the incomplete last line of an interrupted run
                self.rows[tuple(row["key"])] = row

    def add(self, key: tuple[Any, ...], row: dict[str, Any]) -> None:
        """Keep a row and write it to the file immediately."""
        row = {"key": list(key), **row}
        self.rows[key] = row
        self.path.parent.mkdir(parents=True, exist_ok=True)
        with self.path.open("a", encoding="utf-8") as file:
            # Start a new line, also after an incomplete one.
            file.write("\n" + json.dumps(row))


def each(
    work: Callable[[Any], dict[str, Any]],
    keys: Iterable[Any],
    kept: Kept,
    identity: Callable[[Any], tuple[Any, ...]],
    workers: int = 1,
) -> list[dict[str, Any]]:
    """Rows of all keys in their order; rows already kept are not computed again.

    Args:
        work: function from a key to a row; at module level, so that processes can import it.
        keys: keys of the rows.
        kept: the store of rows.
        identity: function from a key to the key in the store.
        workers: number of processes.
    """
    keys = list(keys)
    todo = [k for k in keys if identity(k) not in kept.rows]
    print(f"{len(keys) - len(todo)} of {len(keys)} kept, {len(todo)} to run", file=sys.stderr)
    if workers <= 1 or len(todo) <= 1:
        for done, key in enumerate(todo, 1):
            kept.add(identity(key), work(key))
            print(f"{done}/{len(todo)} {identity(key)}", file=sys.stderr, flush=True)
    else:
        # Spawned with the thread limit in the environment: a forked thread pool can hang.
        os.environ["OMP_NUM_THREADS"] = os.environ["OPENBLAS_NUM_THREADS"] = "1"
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, mp_context=context) as pool:
            running = {pool.submit(work, key): key for key in todo}
            for done, future in enumerate(as_completed(running), 1):
                key = running[future]
                kept.add(identity(key), future.result())
                print(f"{done}/{len(todo)} {identity(key)}", file=sys.stderr, flush=True)
    return [kept.rows[identity(k)] for k in keys]


def identity(key: Key) -> tuple[Any, ...]:
    """The key of a kept campaign: the campaign and a stamp of the code."""
    return (key.family, key.demand, key.seed, key.method, key.starts, stamp(key.method))
