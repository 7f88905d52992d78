"""Processes that are killed while they work on a history, and the checks afterwards.

Used by a short test and by the long campaign (``tests/benchmarks/kills.py``). Child processes come
from a fork server that has imported all modules, so that a kill hits the work and not the start-up.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.errors import InputError
from optimizer.history.changes import changes_of, withdrawn_runs
from optimizer.history.history import History
from optimizer.history.issued import issued_batches
from optimizer.history.upkeep import restore, verify
from optimizer.intake.settling.load import load_logs, load_table
from optimizer.intake.settling.rejects import RejectsStore
from optimizer.operations import issuing
from optimizer.operations.corrections import correct, reinstate, withdraw
from optimizer.operations.trial_results import add_result
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.text.trial_numbers import id_of_batch, id_of_trial, line_of_batch
from tests.history.issued import fixed_plan, without_planner
from tests.serving import SECONDS

HEADER = "run_id,line,started_at,feed_rate,end_raise,side_tilt,eccentric_speed,air,grade,recovery\n"
ROWS_A_LOG = 3000
LINE, TRIALS = "deck-9", 3
"""Line of the issued batches, and number of trials of each."""
MEASURED = 1.15
"""Half of the kills fall into this share of the time that the work takes when it is left alone."""
WRITING = 0.15
"""The other half fall into this share of that time, counted from the first file that is written."""
STEPS_A_HISTORY = 25
"""Then a new folder: reading all runs at each step would take the longer the more there are."""


def context() -> Any:
    """A fork-server context whose server process has imported all that the children need."""
    methods = multiprocessing.get_all_start_methods()
    if "forkserver" not in methods:
        return multiprocessing.get_context("spawn")
    made = multiprocessing.get_context("forkserver")
    made.set_forkserver_preload(["tests.faults"])
    return made


def write_log(path: Path, first: int, rows: int = ROWS_A_LOG) -> None:
    """Write a log of runs of three lines with ids from ``first`` on; one row in fifty is faulty."""
    k = np.arange(first, first + rows)
    grade = np.where(k % 50 == 7, "high", np.char.mod("%.4f", 0.95 + (k % 400) / 1e4))
    columns = [
        np.char.mod("r%d", k),
        np.char.mod("deck-%d", k % 3),
        np.char.add("2025-03-", np.char.mod("%02d", 1 + k % 28)),
        np.char.mod("%.1f", 1 + (k % 20) / 10),
        np.char.mod("%.1f", 1 + (k % 30) / 10),
        np.char.mod("%.1f", 1 + (k % 25) / 10),
        np.char.mod("%d", 400 + 5 * (k % 20)),
        np.char.mod("%d", 20 + k % 50),
        grade,
        np.char.mod("%.4f", 0.85 + (k % 900) / 1e4),
    ]
    body = "\n".join(",".join(row) for row in zip(*columns, strict=True))
    path.write_text(HEADER + body + "\n", "utf-8")


def grades_of(first: int, rows: int = ROWS_A_LOG) -> dict[str, float]:
    """Grade by id of the good rows of the log that ``write_log`` writes with these arguments."""
    good = (k for k in range(first, first + rows) if k % 50 != 7)
    return {f"r{k}": float(f"{0.95 + (k % 400) / 1e4:.4f}") for k in good}


def ids_of(first: int, rows: int = ROWS_A_LOG) -> set[str]:
    """Ids of the good rows of the log that ``write_log`` writes with these arguments."""
    return {f"r{k}" for k in range(first, first + rows) if k % 50 != 7}


def load_one(folder: str, log: str) -> None:
    load_logs([log], History(folder, lock_seconds=SECONDS))  # others may hold the lock


def record_one(folder: str, k: int) -> None:
    row = {
        "run_id": f"s{k}", "line": "deck-0", "started_at": None, "feed_rate": 2.0,
        "end_raise": 2.0, "side_tilt": 2.0, "eccentric_speed": 450.0, "air": 40.0,
        "grade": 0.98, "recovery": 0.9,
    }  # fmt: skip
    load_table([row], History(folder), file="record")


def issue_one(folder: str, batch: str) -> None:
    """Issues a batch without the planner, whose work stores nothing."""
    issuing.situation_of, issuing.plan_to_issue = without_planner, fixed_plan  # type: ignore[assignment]
    history, line = History(folder), line_of_batch(batch)
    brief = Brief.from_dict({"line": line, "trials": {"count": TRIALS}})
    if batch not in [each.batch for each in issued_batches(history.at())]:
        issuing.issue(history, Site(), brief)


def record_trial(folder: str, trial: str, grade: float) -> None:
    result = {"grade": grade, "recovery": 0.9, "started_at": "2025-03-01"}
    with unless_done("trial-has-result"):
        add_result(History(folder), Site(), trial, result)


def correct_one(folder: str, run_id: str, grade: float) -> None:
    with unless_done("nothing-changes"):
        correct(History(folder), None, run_id, {"grade": grade}, reason="kill test")


def withdraw_one(folder: str, run_id: str) -> None:
    with unless_done("withdrawn-run"):
        withdraw(History(folder), None, run_id, reason="kill test")


def reinstate_one(folder: str, run_id: str) -> None:
    with unless_done("not-withdrawn"):
        reinstate(History(folder), None, run_id, reason="kill test")


@contextmanager
def unless_done(code: str) -> Iterator[None]:
    """The killed process may have changed the run; changing it again is then refused."""
    try:
        yield
    except InputError as error:
        if error.code != code:
            raise


def compact_now(folder: str) -> None:
    import optimizer.history.storage.table

    optimizer.history.storage.table.MOST_SMALL_FILES = 0
    History(folder).table.compact()


def go_back(folder: str, version: int) -> None:
    restore(History(folder), version)


@dataclass(frozen=True)
class State:
    """What a history holds: grade by run id, the changes on record as kind and run id, and the ids
    of the issued batches in their order."""

    runs: dict[str, float] = field(default_factory=dict)
    changes: tuple[tuple[str, str], ...] = ()
    batches: tuple[str, ...] = ()

    def loaded(self, new: dict[str, float]) -> State:
        return replace(self, runs={**self.runs, **new})

    def changed(self, what: str, run_id: str, grade: float | None) -> State:
        runs = {k: v for k, v in self.runs.items() if k != run_id}
        runs |= {} if grade is None else {run_id: grade}
        return replace(self, runs=runs, changes=(*self.changes, (what, run_id)))

    def issued(self, batch: str) -> State:
        return replace(self, batches=(*self.batches, batch))

    @property
    def to_run(self) -> list[str]:
        """The issued trials without a result."""
        trials = [id_of_trial(batch, k + 1) for batch in self.batches for k in range(TRIALS)]
        return [trial for trial in trials if trial not in self.runs]


def state_of(history: History, version: int | None = None) -> State:
    """What a version holds; asserts that no id occurs twice, and that each trial has the state that
    its run gives it."""
    snapshot = history.at(version)
    runs = snapshot.runs()
    ids = runs["run_id"].to_pylist()
    assert len(ids) == len(set(ids)), "a run is stored twice"
    changes = changes_of(snapshot).changes
    issued = issued_batches(snapshot)
    for trial in chain.from_iterable(batch.trials for batch in issued):
        assert trial.state == ("done" if trial.trial in ids else "to run"), trial
    return State(
        dict(zip(ids, runs["grade"].to_pylist(), strict=True)),
        tuple((change.what, change.run_id) for change in changes),
        tuple(batch.batch for batch in issued),
    )


CHANCES = {
    "load": 0.2, "record": 0.1, "compact": 0.1, "restore": 0.1, "issue": 0.1, "result": 0.1,
    "correct": 0.1, "withdraw": 0.1, "reinstate": 0.1,
}  # fmt: skip
"""How often each kind of work is chosen."""


class Campaign:
    """A history and processes that work on it and are killed at random moments.

    Args:
        folder: an empty folder.
        seed: determines the work and the moments of the kills.

    Attributes:
        kills: number of processes killed before they ended.
        by_work: number of kills by kind of work.
        kept_by: number of kills after which the work was stored completely, by kind of work;
            after every other kill nothing of the work was stored.
    """

    def __init__(self, folder: Path, seed: int) -> None:
        self.folder, self.random = folder, np.random.default_rng(seed)
        self.context = context()
        self.seconds: dict[str, float] = {}
        self.kills = self.step = 0
        self.by_work: Counter[str] = Counter()
        self.kept_by: Counter[str] = Counter()
        self._new_history()

    def _new_history(self) -> None:
        self.path = self.folder / f"history-{self.step}"
        self.history = History(self.path)
        self.state = State()
        self.bad = 0
        self.at: dict[int, State] = {}

    def run(self, kills: int) -> None:
        """Run steps until ``kills`` processes were killed in the middle of their work."""
        # Timed twice: the first child also waits for the fork server to import all modules.
        for kind in ("load", *CHANCES):
            self._step(kind, killed=False)
        while self.kills < kills:
            if self.step % STEPS_A_HISTORY == 0:
                self._new_history()
            kinds = self._possible()
            chance = np.array([CHANCES[kind] for kind in kinds])
            self._step(str(self.random.choice(kinds, p=chance / chance.sum())), killed=True)

    def _possible(self) -> list[str]:
        """The kinds of work that the history allows now."""
        never = set() if len(self.at) > 1 else {"compact", "restore"}
        never |= set() if self.state.runs else {"correct", "withdraw"}
        never |= set() if self.state.to_run else {"result"}
        never |= set() if self._withdrawn() else {"reinstate"}
        return [kind for kind in CHANCES if kind not in never]

    def _withdrawn(self) -> list[str]:
        """Runs that can be taken back; the number of a trial may be that of a new result."""
        gone = {run_id for _, run_id in withdrawn_runs(self.history.at().events)}
        return sorted(gone - self.state.runs.keys())

    def _step(self, kind: str, killed: bool) -> None:
        self.step += 1
        function, arguments, after, bad = self._work(kind)
        before = self.state
        if killed and self._killed(kind, function, arguments):
            now = state_of(self.history)
            assert now in (before, after), f"{kind}: runs neither as before nor as after"
            self.kills += 1
            self.by_work[kind] += 1
            self.kept_by[kind] += now == after
        if kind != "restore" or state_of(self.history) != after:
            # The interrupted work is repeated and must complete.
            started = time.perf_counter()
            self._finish(function, arguments)
            self.seconds[kind] = time.perf_counter() - started
        self.state, self.bad = after, self.bad + bad
        assert state_of(self.history) == after, f"{kind}: the repeated work did not complete"
        rejects = RejectsStore(self.history.rejects_folder).read()
        assert rejects.num_rows == self.bad, f"{kind}: {rejects.num_rows} rejects of {self.bad}"
        self._check_versions()

    def _work(self, kind: str) -> tuple[Callable[..., None], tuple[Any, ...], State, int]:
        """A function, its arguments, what is stored after it, and the number of rows it rejects."""
        place, k, state = str(self.path), self.step, self.state
        if kind == "load":
            log = self.folder / f"{k}.csv"
            write_log(log, k * ROWS_A_LOG)
            new = grades_of(k * ROWS_A_LOG)
            return load_one, (place, str(log)), state.loaded(new), ROWS_A_LOG - len(new)
        if kind == "record":
            return record_one, (place, k), state.loaded({f"s{k}": 0.98}), 0
        if kind == "compact":
            return compact_now, (place,), state, 0
        if kind == "restore":
            version = int(self.random.choice(sorted(self.at)[:-1]))
            return go_back, (place, version), self.at[version], 0
        if kind == "issue":
            batch = id_of_batch(LINE, len(state.batches) + 1)
            return issue_one, (place, batch), state.issued(batch), 0
        if kind == "result":
            trial, grade = str(self.random.choice(state.to_run)), 0.3 + k / 1e4
            return record_trial, (place, trial, grade), state.loaded({trial: grade}), 0
        return *self._change(kind, place), 0

    def _change(self, kind: str, place: str) -> tuple[Callable[..., None], tuple[Any, ...], State]:
        """A function that changes a random run, its arguments, and what is stored after it."""
        known = self._withdrawn() if kind == "reinstate" else sorted(self.state.runs)
        results = [each for each in known if each.startswith(f"{LINE}-")]
        known = results if results and self.random.random() < 0.5 else known
        run_id = str(self.random.choice(known))
        if kind == "correct":
            grade = 0.5 + self.step / 1e4  # no other run has it
            after = self.state.changed("corrected", run_id, grade)
            return correct_one, (place, run_id, grade), after
        if kind == "withdraw":
            return withdraw_one, (place, run_id), self.state.changed("withdrawn", run_id, None)
        (run,) = (
            v for (_, k), v in withdrawn_runs(self.history.at().events).items() if k == run_id
        )
        after = self.state.changed("reinstated", run_id, run["grade"])
        return reinstate_one, (place, run_id), after

    def _killed(self, kind: str, function: Callable[..., None], arguments: Any) -> bool:
        """Whether the process was killed before it ended."""
        child = self.context.Process(target=function, args=arguments)
        child.start()
        left_alone = self.seconds.get(kind, 0.2)
        if self.random.random() < 0.5:
            child.join(self.random.uniform(0.0, MEASURED * left_alone))
        else:
            self._join_until_it_writes(child)
            child.join(self.random.uniform(0.0, WRITING * left_alone))
        child.kill()
        child.join()
        assert child.exitcode in (0, -signal.SIGKILL), f"{kind}: ended with {child.exitcode}"
        return bool(child.exitcode)

    def _join_until_it_writes(self, child: Any) -> None:
        """Wait until a process has changed a file of the history, or has ended.

        Most of its time a process reads; a moment of all its time seldom falls into its writing.
        """
        before = self._files()
        while child.is_alive() and self._files() == before:
            time.sleep(0.0005)

    def _files(self) -> set[str]:
        return {f"{path}/{name}" for path, _, names in os.walk(self.path) for name in names}

    def _finish(self, function: Callable[..., None], arguments: Any) -> None:
        child = self.context.Process(target=function, args=arguments)
        child.start()
        child.join()
        assert child.exitcode == 0, f"{function.__name__} repeated, ended with {child.exitcode}"

    def _check_versions(self) -> None:
        """Assert that a random earlier version is unchanged and that the history is sound."""
        version = self.history.version
        assert version is not None
        self.at[version] = self.state
        then = int(self.random.choice(sorted(self.at)))
        assert state_of(self.history, then) == self.at[then], f"version {then} changed"
        health = verify(self.history)
        assert health.sound, health
        assert health.runs == len(self.state.runs)
