"""Campaigns of the replays, kept by ``tests.benchmarks.trials.campaigns.Kept``."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from functools import lru_cache
from hashlib import sha256
from importlib.metadata import version
from typing import Any

from threadpoolctl import threadpool_limits

from tests.benchmarks.replays.experiments import TABLES, table
from tests.benchmarks.replays.functions import NAMES, functions
from tests.benchmarks.replays.methods import LAST, METHODS
from tests.benchmarks.replays.problem import Problem
from tests.benchmarks.replays.task import Task
from tests.benchmarks.trials.campaigns import ROOT, behind, played

MARKS = (10, 15, 20, LAST)
PROBLEMS = (*NAMES, *TABLES)
_HERE = "tests/benchmarks/replays"
_PEERS = {
    "optuna": ("peer_optuna", "optuna"),
    "botorch": ("peer_botorch", "botorch"),
    "botorch-listed": ("peer_botorch", "botorch"),
    "skopt": ("methods", "scikit-optimize"),
}


@dataclass(frozen=True)
class Key:
    """What identifies one campaign."""

    problem: str
    seed: int
    method: str


def problem(name: str) -> Problem:
    """A function or an experiment by name."""
    return functions()[name] if name in NAMES else table(name)


@lru_cache(maxsize=32)
def stamp(kind: str, method: str) -> str:
    """Hash of the code that a method's answers to a kind of problem depend on."""
    own, package = _PEERS.get(method, ("methods", ""))
    names = {"problem", "task", kind} | (
        {"ours", "shares"} if method == "ours" else {"methods", own}
    )
    sources = [f"{_HERE}/{n}.py" for n in sorted(names)]
    sources += sorted(behind("optimizer.planning.planner")) if method == "ours" else []
    digest = sha256(version(package).encode() if package else b"")
    for source in sources:
        digest.update((ROOT / source).read_bytes())
    return digest.hexdigest()[:12]


def campaign(key: Key) -> dict[str, Any]:
    """Regret of every report of one method on one problem at each of the marks."""
    with threadpool_limits(1):
        task = Task(problem(key.problem), key.seed)
        found = played(task, METHODS[key.method], MARKS, task.regret, task.ask)
    return {
        **asdict(key),
        "family": key.problem,
        "demand": task.problem.kind,
        **found,
        "failed": int((~task.good).sum()),
    }


def identity(key: Key) -> tuple[Any, ...]:
    """The key of a kept campaign: the campaign and a stamp of the code."""
    kind = "functions" if key.problem in NAMES else "experiments"
    return (key.problem, key.seed, key.method, stamp(kind, key.method))
