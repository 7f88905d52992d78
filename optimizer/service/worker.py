"""Long work: done once for a version of the history, in a process of its own, and kept.

An answer's key is what it depends on: code, site, table, version, brief, seed. Answers and the
state of jobs are files that all processes over the history share; any of them can say how far a
job has come, and none has to remember anything.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import multiprocessing
import os
import signal
import threading
import time
from collections import OrderedDict
from collections.abc import Mapping
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from optimizer.errors import HighsideError, HistoryError
from optimizer.files import write_whole
from optimizer.history.history import History
from optimizer.history.table import commit_file
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.service import problems
from optimizer.service.options import Options
from optimizer.service.problems import Problem
from optimizer.version import __version__

KEPT_IN_MEMORY = 64
KEPT_ON_DISK = 400
"""Answers; the one longest unused goes first."""
LOST_SECONDS = 600.0
"""A running job that has said nothing for so long was lost with its process."""
TASKS_A_PROCESS = 500
"""A planning process is replaced after so many answers: whatever its libraries keep is freed."""


@dataclass(frozen=True)
class Order:
    """One answer asked for: everything it depends on."""

    key: str
    kind: str
    brief: Mapping[str, Any]
    seed: int
    version: int | None
    more: Mapping[str, Any] = field(default_factory=dict)


class Versions:
    """The history's latest version, asked for at every request and so without reading the log.

    In a folder, a commit that has no successor is still the latest: two looks at file names.
    """

    def __init__(self, history: History) -> None:
        self._history = history
        self._known: tuple[str, int, tuple[int, int]] | None = None
        self._held: tuple[str, int | None] | None = None

    def hold(self) -> None:
        """From now on the latest is the one of now, whatever is committed."""
        self._held = self.look()

    def release(self) -> None:
        """From now on the latest is the latest again."""
        self._held = None

    def latest(self) -> tuple[str, int | None]:
        """The table's own name and its latest version, None before the first; or the one held."""
        return self._held or self.look()

    def look(self) -> tuple[str, int | None]:
        """The same, held or not."""
        known, folder = self._known, self._history.folder
        if known is not None and folder is not None:
            table_id, version, stamp = known
            commit, following = (commit_file(folder, version + k) for k in (0, 1))
            if _stamp(commit) == stamp and not following.exists():
                return table_id, version
        table = self._history.table.open()
        if table is None:
            self._known = None
            return "", None
        table_id, version = str(table.metadata().id), table.version()
        stamped = None if folder is None else _stamp(commit_file(folder, version))
        self._known = None if stamped is None else (table_id, version, stamped)
        return table_id, version


def _stamp(path: Path) -> tuple[int, int] | None:
    try:
        found = path.stat()
    except OSError:
        return None
    return (found.st_ino, found.st_mtime_ns)


class Work:
    """Answers that take long, of one service.

    Args:
        options: history, seed, and how much may wait.
        site: content of the site file.
        history: the run history.
    """

    def __init__(self, options: Options, site: Mapping[str, Any], history: History) -> None:
        self.options = options
        self.site = site
        self.plant = Site.from_dict(site)
        self.versions = Versions(history)
        self.folder = options.folder / "answers"
        self._code = fingerprint()
        self._memory: OrderedDict[str, bytes] = OrderedDict()
        self._running: dict[str, asyncio.Task[bytes]] = {}
        self._pool: Executor | None = None

    # -- asking ------------------------------------------------------------------------------

    def order(
        self,
        kind: str,
        brief: Mapping[str, Any],
        seed: int,
        as_of: int | None = None,
        more: Mapping[str, Any] | None = None,
    ) -> Order:
        """An answer of a kind for a brief, on the latest version or the one named.

        Raises:
            InputError: when the brief is not one, or names what the site does not have.
        """
        wanted = Brief.from_dict(brief).check_names(self.plant).model_dump(mode="json")
        table, latest = self.versions.latest()
        version = latest if as_of is None else as_of
        if as_of is not None and (latest is None or not 0 <= as_of <= latest):
            raise Problem(422, f"the history has no version {as_of}.", code="no-version")
        depends = [self._code, self.options.history, table, version, self.site]
        stated = json.dumps([*depends, kind, wanted, seed, more], sort_keys=True)
        given = Brief.from_dict(brief).model_dump(mode="json", exclude_unset=True)
        key = hashlib.sha256(stated.encode()).hexdigest()[:32]
        return Order(key, kind, given, seed, version, more or {})

    def kept(self, key: str) -> bytes | None:
        """An answer made before, here or by another process."""
        found = self._memory.get(key)
        if found is None:
            try:
                found = self._file(key).read_bytes()
            except OSError:
                return None
        self._remember(key, found)
        return found

    async def answer(self, order: Order) -> bytes:
        """The answer: kept, under way, or made now.

        Raises:
            HighsideError: as the library function behind it; or too much is waiting.
        """
        found = self.kept(order.key)
        # Shielded: who waits no longer does not end the work that others wait for.
        return found if found is not None else await asyncio.shield(self._begin(order))

    def begin(self, order: Order) -> None:
        """Starts an answer without waiting for it."""
        if self.kept(order.key) is None:
            self._begin(order)

    def _begin(self, order: Order) -> asyncio.Task[bytes]:
        task = self._running.get(order.key)
        if task is None:
            if len(self._running) >= self.options.waiting:
                raise Problem(
                    429,
                    f"{len(self._running)} plans and reports are waiting already.",
                    code="too-many-waiting",
                    headers={"Retry-After": str(problems.RETRY_SECONDS)},
                )
            task = asyncio.create_task(self._make(order))
            self._running[order.key] = task
            task.add_done_callback(partial(self._ended, order.key))
        return task

    def _ended(self, key: str, task: asyncio.Task[bytes]) -> None:
        self._running.pop(key, None)
        if not task.cancelled():
            task.exception()  # was told to whoever waits, and stands in the job

    async def _make(self, order: Order) -> bytes:
        said = self._file(order.key, "job")
        _write_job(said, {"state": "waiting", "kind": order.kind, "progress": []})
        for again in (True, False):
            try:
                found = await asyncio.get_running_loop().run_in_executor(
                    self._processes(), _run, self.options.history, self.site, order, str(said)
                )
                break
            except BrokenProcessPool:
                self._pool = None
                if not again:
                    _write_job(said, {"state": "lost", "kind": order.kind, "progress": []})
                    raise HistoryError(
                        "the process that makes plans ended.", code="planner-ended",
                        hint="Ask again; when it goes on, look for too little memory.",
                    ) from None  # fmt: skip
            except HighsideError as error:
                failed = {"state": "failed", "problem": problems.document(error)}
                _write_job(said, {**failed, "kind": order.kind, "progress": []})
                raise
        self._remember(order.key, found)
        await asyncio.to_thread(self._clear)
        return found

    # -- jobs --------------------------------------------------------------------------------

    def job(self, key: str) -> dict[str, Any]:
        """How far a job has come, as ``highside.job/1``.

        Raises:
            Problem: when there is none of that name.
        """
        path = self._file(key, "job")
        try:
            said, age = json.loads(path.read_bytes()), time.time() - path.stat().st_mtime
        except (OSError, ValueError):
            raise Problem(404, "there is no such job.", code="no-job") from None
        if said["state"] == "done" and self.kept(key) is None:
            said["state"] = "lost"
        if said["state"] in ("waiting", "running") and key not in self._running:
            said["state"] = "lost" if age > LOST_SECONDS else said["state"]
        result = {"result": f"/v1/results/{key}"} if said["state"] == "done" else {}
        return {"schema": "highside.job/1", "id": key, **said, **result}

    def kind(self, key: str) -> str:
        """Of what kind an answer is."""
        return str(self.job(key)["kind"])

    def _file(self, key: str, suffix: str = "answer") -> Path:
        if len(key) != 32 or not set(key) <= set("0123456789abcdef"):
            raise Problem(404, "there is no such job.", code="no-job")
        return self.folder / f"{key}.{suffix}"

    # -- keeping -----------------------------------------------------------------------------

    def _remember(self, key: str, found: bytes) -> None:
        self._memory[key] = found
        self._memory.move_to_end(key)
        while len(self._memory) > KEPT_IN_MEMORY:
            self._memory.popitem(last=False)

    def _clear(self) -> None:
        """Takes away the oldest answers beyond what is kept, and their jobs."""
        dated = []
        for path in self.folder.glob("*.job"):
            try:
                dated.append((path.stat().st_mtime, path))
            except OSError:
                continue
        for _, path in sorted(dated)[:-KEPT_ON_DISK]:
            for file in (path, path.with_suffix(".answer")):
                file.unlink(missing_ok=True)

    def _processes(self) -> Executor:
        if self._pool is None and not self.options.planners:
            self._pool = ThreadPoolExecutor(1)
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                self.options.planners,
                # Spawned: a fork would copy the threads' locks in whatever state they are.
                mp_context=multiprocessing.get_context("spawn"),
                initializer=_settle_in,
                max_tasks_per_child=TASKS_A_PROCESS,
            )
        return self._pool

    def warm_up(self) -> None:
        """Starts the planning processes: the first plan need not wait for their libraries."""
        for _ in range(self.options.planners):
            self._processes().submit(_load_libraries)

    async def close(self) -> None:
        """Ends what is waiting; what is being made is waited for."""
        for task in list(self._running.values()):
            task.cancel()
        if self._pool is not None:
            pool = self._pool
            await asyncio.to_thread(partial(pool.shutdown, wait=True, cancel_futures=True))


# -- in the other process --------------------------------------------------------------------


def _settle_in() -> None:
    """The planning process ends with its parent, and not by the keyboard before it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_follow, args=(parent,), daemon=True).start()


def _follow(parent: Any) -> None:
    parent.join()
    os._exit(0)


def _load_libraries() -> None:
    import optimizer.service.tasks  # noqa: F401, PLC0415 - in this process only


def _run(history: str, site: Mapping[str, Any], order: Order, said: str) -> bytes:
    from optimizer.service.tasks import make  # noqa: PLC0415 - in this process only

    path, lines = Path(said), list[str]()

    def say(text: str) -> None:
        lines.append(text)
        _write_job(path, {"state": "running", "kind": order.kind, "progress": lines})

    say("reading the history")
    found = make(order.kind, history, site, order.brief, order.more, order.seed, order.version, say)
    write_whole(path.with_suffix(".answer"), found, own=True)
    _write_job(path, {"state": "done", "kind": order.kind, "progress": lines})
    return found


def _write_job(path: Path, content: Mapping[str, Any]) -> None:
    write_whole(path, json.dumps(content).encode(), own=True)


def fingerprint() -> str:
    """Of the code: another version of highside, other answers."""
    found = hashlib.sha256(__version__.encode())
    for path in sorted(Path(__file__).resolve().parents[1].rglob("*")):
        if path.suffix in (".py", ".toml", ".html", ".css"):
            found.update(path.read_bytes())
    return found.hexdigest()
