"""The code of a planning process, which makes one answer at a time and records its progress."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import signal
import threading
import traceback
from collections.abc import Mapping
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from optimizer.errors import HighsideError
from optimizer.files import write_whole
from optimizer.service.answers.job_files import CANCELLED, moment, write_state
from optimizer.service.answers.order import Order
from optimizer.text.sentences import listed, sentence


def start_up() -> None:
    """Make the process end with its parent, and ignore an interrupt from the keyboard."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent,), daemon=True).start()


def _end_with(parent: Any) -> None:
    parent.join()
    os._exit(0)


def load_libraries() -> None:
    """Load the libraries that answers need, so that the first answer does not wait for them."""
    import optimizer.service.answers.kinds  # noqa: F401, PLC0415 - in this process only


def serve(link: Connection, niceness: int = 0) -> None:
    """Make answers for as long as the parent asks for any.

    Args:
        link: brings the arguments of ``make_answer``, and takes the content of the answer and the
            error, of which one is None.
        niceness: how far this process gives way to others; systems without ``nice`` ignore it.
    """
    start_up()
    if hasattr(os, "nice"):
        os.nice(niceness)
    load_libraries()
    while True:
        try:
            work = link.recv()
        except (EOFError, OSError):
            return
        try:
            found: tuple[bytes | None, Exception | None] = make_answer(*work), None
        except Exception as error:
            if not isinstance(error, HighsideError):  # the log of the parent tells where it was
                error.add_note(traceback.format_exc())
            found = None, error
        try:
            link.send(found)
        except (TypeError, AttributeError, pickle.PicklingError):
            link.send((None, RuntimeError(repr(found[1]))))


def make_answer(history: str, order: Order, job: str, about: Mapping[str, Any]) -> bytes:
    """Make the answer to an order and store it beside its job file.

    Args:
        history: path or URI.
        order: the order of the answer.
        job: path of the job file, in which each stage is recorded.
        about: what the job file says of the job besides its state and progress.

    Raises:
        HighsideError: the errors of the library function that makes the answer; also when the
            answer cannot be stored, and at the next stage after the job was cancelled.
    """
    from optimizer.service.answers.kinds import make  # noqa: PLC0415 - in this process only

    path, stages = Path(job), list[str]()
    about = {**about, "began_at": moment()}

    def note(stage: str) -> None:
        if path.with_suffix(f".{CANCELLED}").exists():
            raise HighsideError("the job was cancelled.", code=CANCELLED)
        stages.append(stage)
        write_state(path, listed({**about, "state": "running", "progress": stages}))

    note(sentence("stage_reading"))
    content = make(order, history, note)
    write_whole(path.with_suffix(".answer"), content, own=True)
    done = {**about, "state": "done", "progress": stages, "ended_at": moment()}
    write_state(path, listed(done))
    return content
