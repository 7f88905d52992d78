"""What runs in a planning process: it makes one answer at a time and writes how far it has come."""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from optimizer.files import write_whole
from optimizer.service.answers.order import Order


def start_up() -> None:
    """Makes the process end with its parent, and not before it by the keyboard."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(0)


def load_libraries() -> None:
    """Loads what answers are made with, so that the first one does not wait for it."""
    import optimizer.service.answers.kinds  # noqa: F401, PLC0415 - in this process only


def make_answer(history: str, site: Mapping[str, Any], order: Order, job: str) -> bytes:
    """The answer to an order, kept beside its job file.

    Args:
        history: path or URI.
        site: content of the site file.
        order: what to make.
        job: path of the job file, where each stage is noted.

    Raises:
        HighsideError: as the library function behind the answer, or when it cannot be kept.
    """
    from optimizer.service.answers.kinds import make  # noqa: PLC0415 - in this process only

    path, stages = Path(job), list[str]()

    def note(stage: str) -> None:
        stages.append(stage)
        write_job(path, {"state": "running", "kind": order.kind, "progress": stages})

    note("reading the history")
    content = make(order, history, site, note)
    write_whole(path.with_suffix(".answer"), content, own=True)
    write_job(path, {"state": "done", "kind": order.kind, "progress": stages})
    return content


def write_job(path: Path, state: Mapping[str, Any]) -> None:
    """Writes the state of a job.

    Raises:
        HistoryError: when it cannot be written.
    """
    write_whole(path, json.dumps(state).encode(), own=True)
