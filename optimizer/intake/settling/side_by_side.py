"""Processes the parts of a log in a few threads, with results in the order of the parts."""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from itertools import chain, islice
from typing import TypeVar

from optimizer.errors import InputError

T = TypeVar("T")
U = TypeVar("U")

WORKERS = min(4, os.cpu_count() or 1)
"""Number of parts in work at a time; more parts would wait for the disk and only use memory."""


def side_by_side(parts: Iterator[T], work: Callable[[T], U]) -> Iterator[U]:
    """Iterate over the results of the work on each part, in order, with a few parts ahead in
    threads.

    Threads help because parsing, casting and hashing release the interpreter lock. A log of one
    part, which most logs are, starts no thread.
    """
    failures: list[InputError] = []
    sound = _until_failure(parts, failures)
    start = list(islice(sound, 2))
    if len(start) < 2:
        yield from map(work, start)
    else:
        with ThreadPoolExecutor(WORKERS) as pool:
            ahead: deque[Future[U]] = deque()
            for part in chain(start, sound):
                ahead.append(pool.submit(work, part))
                if len(ahead) > WORKERS:
                    yield ahead.popleft().result()
            while ahead:
                yield ahead.popleft().result()
    for failure in failures:
        raise failure


def _until_failure(parts: Iterator[T], failures: list[InputError]) -> Iterator[T]:
    """The parts up to the first one that cannot be read; the parts before it are used."""
    try:
        yield from parts
    except InputError as error:
        failures.append(error)
