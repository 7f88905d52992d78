"""The same work here, in processes, and on a cluster of two workers: the same answers."""

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


def test_results_stand_in_the_order_of_the_items(place):
    def late_if_early(k):
        time.sleep(0.05 * (3 - k))
        return 10 * k

    assert run_all(late_if_early, range(4), **place) == [0, 10, 20, 30]
    assert run_all(late_if_early, [], **place) == []


def test_equal_items_are_each_computed(place):
    # What a history holds may change between two equal calls: nothing is remembered.
    first, second = run_all(lambda _: os.urandom(8), [1, 1], **place)
    assert first != second


def test_an_error_is_the_function_s_own(place):
    def fails(k):
        if k:
            raise LimitError(f"{k} is too much.", code="too-much", hint="Take less.")

    with pytest.raises(LimitError, match="1 is too much") as failure:
        run_all(fails, [0, 1, 2], **place)
    assert (failure.value.code, failure.value.hint) == ("too-much", "Take less.")


def meet(folder, expected, _):
    """The process that it runs in, once so many processes have come to the folder."""
    Path(folder, str(os.getpid())).touch()
    until = time.monotonic() + SECONDS
    while len(os.listdir(folder)) < expected:
        assert time.monotonic() < until, "the others never came"
        time.sleep(0.01)
    return os.getpid()


def test_the_work_is_where_it_was_sent(scheduler, tmp_path):
    for name, place in {"here": {}, "two": {"workers": 2}, "far": {"scheduler": scheduler}}.items():
        folder = tmp_path / name
        folder.mkdir()
        expected = 1 if name == "here" else 2
        used = set(run_all(partial(meet, str(folder), expected), range(8), **place))
        assert len(used) == expected
        assert (os.getpid() in used) == (name == "here")


def test_a_place_that_is_not_there_is_said(monkeypatch):
    monkeypatch.setattr("optimizer.parallel.CONNECT_SECONDS", 0.5)
    with pytest.raises(InputError, match="0 workers: expected 1 or more"):
        run_all(abs, [1], workers=0)
    with pytest.raises(InputError, match="not both"):
        run_all(abs, [1], scheduler="tcp://127.0.0.1:1", workers=2)
    for address in ("nonsense://x", "tcp://127.0.0.1:1"):
        with pytest.raises(InputError, match="no scheduler answers at") as refusal:
            run_all(abs, [1], scheduler=address)
        assert "dask scheduler" in refusal.value.hint


def test_a_cluster_without_workers_is_said(monkeypatch):
    # The client waits twice as long for its own end: short enough to hear of one that hangs.
    monkeypatch.setattr("optimizer.parallel.CONNECT_SECONDS", 60)
    monkeypatch.setattr("optimizer.parallel.WORKER_SECONDS", 0.5)
    with (
        distributed.LocalCluster(n_workers=0, dashboard_address=":0") as empty,
        pytest.raises(InputError, match="has no worker"),
    ):
        run_all(abs, [1], scheduler=empty.scheduler_address)


def test_without_distributed_the_way_to_it_is_said(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "distributed", None)
    with pytest.raises(InputError, match="is not installed") as refusal:
        run_all(abs, [1], scheduler="tcp://127.0.0.1:1")
    assert "highside[cluster]" in refusal.value.hint
