"""Applies a function to many items: in this process, in other processes, or on a Dask cluster.

In come a function and items; out come the results in the order of the items. The place of the
computation never changes a result: each item is computed independently from its own arguments, and
the computations share no state.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any, TypeVar

from optimizer.errors import InputError, reason_of

T = TypeVar("T")
U = TypeVar("U")

CONNECT_SECONDS = WORKER_SECONDS = 10.0
"""Seconds to wait for a scheduler to answer, and then for its first worker."""


def run_all(
    function: Callable[[T], U],
    items: Iterable[T],
    scheduler: str | None = None,
    workers: int | None = None,
) -> list[U]:
    """The results of the function for each item, in the order of the items.

    Args:
        function: function of one item, defined in a module so that other processes can import it.
        items: arguments of the function; items and results must be picklable.
        scheduler: address of a Dask scheduler, such as ``tcp://host:8786``, whose workers have this
            version of the package.
        workers: number of processes on this machine; 1, the default, means this process.

    Raises:
        InputError: when no cluster answers at the address, or both ``scheduler`` and ``workers``
            are given.
        Exception: the error that the function raised for the first failing item in order.

    >>> run_all(abs, [-1, 2, -3])
    [1, 2, 3]
    """
    work = list(items)
    if workers is not None and workers < 1:
        raise InputError(f"{workers} workers: expected 1 or more.")
    if scheduler is None and (workers in (None, 1) or len(work) < 2):
        return [function(item) for item in work]
    if scheduler is None:
        from joblib import Parallel, delayed  # noqa: PLC0415 - a single process does not need it

        tries = Parallel(n_jobs=workers)(delayed(_try)(function, item) for item in work)
    elif workers is not None:
        raise InputError("give either a scheduler or workers here, not both.")
    else:
        with _cluster(scheduler) as client:
            tries = client.gather(client.map(partial(_try, function), work, pure=False))
    for _, error in tries:
        if error is not None:
            raise error
    return [result for result, _ in tries]


def _try(function: Callable[[T], U], item: T) -> tuple[U | None, Exception | None]:
    """The result or the error of one item. An error is returned, so that the first in order is
    raised rather than the first in time."""
    try:
        return function(item), None
    except Exception as error:
        return None, error


@contextmanager
def _cluster(address: str) -> Iterator[Any]:
    """A client of the Dask cluster at an address.

    Raises:
        InputError: when distributed is not installed, or the cluster has no worker.
    """
    try:
        from distributed import Client  # noqa: PLC0415 - an optional extra
    except ImportError:
        raise InputError(
            "a scheduler needs the package distributed, which is not installed.",
            code="no-cluster",
            hint="pip install 'highside[cluster]', here and on every worker.",
        ) from None
    try:
        client: Any = Client(  # type: ignore[no-untyped-call]
            address, timeout=CONNECT_SECONDS, set_as_default=False
        )
    except (OSError, ValueError, TypeError) as error:
        raise InputError(
            f"no scheduler answers at '{address}': {reason_of(error)}.",
            code="no-cluster",
            hint="Start one with 'dask scheduler', and workers with 'dask worker ADDRESS'.",
        ) from None
    with client:
        try:
            client.wait_for_workers(1, timeout=WORKER_SECONDS)
        except TimeoutError:
            raise InputError(
                f"the scheduler at '{address}' has no worker.",
                code="no-cluster",
                hint=f"Start some with 'dask worker {address}'.",
            ) from None
        yield client
