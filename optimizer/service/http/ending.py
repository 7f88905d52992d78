"""The end of a service that is told to end: soon, whatever it waits for.

The server finishes requests before it lets the application end. Requests that wait for a long
answer would keep it, so the application is told at the signal, not after the last request. A thread
that waits for a lock or a disk cannot be ended, so the process is, in the end: what was
acknowledged is on the disk, and nothing else was.
"""

from __future__ import annotations

import asyncio
import os
import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

LAST_SECONDS = 27.0
"""Seconds after the signal at which the process ends whatever it waits for."""
SIGNALS = signal.SIGTERM, signal.SIGINT


@contextmanager
def told_to_end(act: Callable[[], None]) -> Iterator[None]:
    """Call a function in the event loop as soon as the process is told to end.

    Outside the main thread, where no signal arrives, nothing is called.

    Args:
        act: what to do at once; the server goes on with its own end meanwhile.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    loop = asyncio.get_running_loop()
    before = {number: signal.getsignal(number) for number in SIGNALS}

    def told(number: int, frame: FrameType | None) -> None:
        last = threading.Timer(LAST_SECONDS, os._exit, (0,))
        last.daemon = True
        last.start()
        loop.call_soon_threadsafe(act)
        then = before[signal.Signals(number)]
        if callable(then):
            then(number, frame)

    for number in SIGNALS:
        signal.signal(number, told)
    yield  # the server takes its own handlers away when it has ended
