"""Work in this process, in several processes and on a cluster of two workers: equal answers."""

from __future__ import annotations

import os
import time
from functools import partial
from pathlib import Path

import distributed
import pytest

from optimizer.errors import InputError, LimitError
from optimizer.parallel import run_all
from tests.serving import SECONDS


@pytest.fixture(scope="module")
def scheduler():
    with (
        pytest.MonkeyPatch.context() as patch,
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=":0", silence_logs=50
        ) as cluster,
    ):
        patch.setattr("optimizer.parallel.CONNECT_SECONDS", SECONDS)
        patch.setattr("optimizer.parallel.WORKER_SECONDS", SECONDS)
        yield cluster.scheduler_address


PLACES = {"here": {}, "processes": {"workers": 2}, "cluster": {}}


@pytest.fixture(params=PLACES)
def place(request):
    if request.param != "cluster":
        return PLACES[request.param]
    return {"scheduler": request.getfixturevalue("scheduler")}


def test_results_follow_the_order_of_the_items(place):
    def late_if_early(k):
        time.sleep(0.05 * (3 - k))
        return 10 * k

    assert run_all(late_if_early, range(4), **place) == [0, 10, 20, 30]
    assert run_all(late_if_early, [], **place) == []


def test_equal_items_are_each_computed(place):
    # A history may change between two equal calls, so no result is reused.
    first, second = run_all(lambda _: os.urandom(8), [1, 1], **place)
    assert first != second


def test_the_error_of_the_function_is_raised(place):
    def fails(k):
        if k:
            raise LimitError(f"{k} is too much.", code="too-much", hint="Take less.")

    with pytest.raises(LimitError, match="1 is too much") as failure:
        run_all(fails, [0, 1, 2], **place)
    assert (failure.value.code, failure.value.hint) == ("too-much", "Take less.")


def meet(folder, expected, _):
    """Wait until ``expected`` processes have met in the folder; return this process's id."""
    Path(folder, str(os.getpid())).touch()
    until = time.monotonic() + SECONDS
    while len(os.listdir(folder)) < expected:
        assert time.monotonic() < until, "the other processes did not arrive"
        time.sleep(0.01)
    return os.getpid()


def test_the_work_runs_where_it_was_sent(scheduler, tmp_path):
    for name, place in {"here": {}, "two": {"workers": 2}, "far": {"scheduler": scheduler}}.items():
        folder = tmp_path / name
        folder.mkdir()
        expected = 1 if name == "here" else 2
        used = set(run_all(partial(meet, str(folder), expected), range(8), **place))
        assert len(used) == expected
        assert (os.getpid() in used) == (name == "here")


def test_a_missing_place_is_reported(monkeypatch):
    monkeypatch.setattr("optimizer.parallel.CONNECT_SECONDS", 0.5)
    with pytest.raises(InputError, match="0 workers: expected 1 or more"):
        run_all(abs, [1], workers=0)
    with pytest.raises(InputError, match="not both"):
        run_all(abs, [1], scheduler="tcp://127.0.0.1:1", workers=2)
    for address in ("nonsense://x", "tcp://127.0.0.1:1"):
        with pytest.raises(InputError, match="no scheduler answers at") as refusal:
            run_all(abs, [1], scheduler=address)
        assert "dask scheduler" in refusal.value.hint


def test_a_cluster_without_workers_is_reported(monkeypatch):
    # The client waits twice this long to close; the limit is short so that a hang is noticed.
    monkeypatch.setattr("optimizer.parallel.CONNECT_SECONDS", 60)
    monkeypatch.setattr("optimizer.parallel.WORKER_SECONDS", 0.5)
    with (
        distributed.LocalCluster(n_workers=0, dashboard_address=":0") as empty,
        pytest.raises(InputError, match="has no worker"),
    ):
        run_all(abs, [1], scheduler=empty.scheduler_address)


def test_without_distributed_the_install_command_is_given(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with pytest.raises(InputError, match="is not installed") as refusal:
        run_all(abs, [1], scheduler="tcp://127.0.0.1:1")
    assert "highside[cluster]" in refusal.value.hint
