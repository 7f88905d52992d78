"""Fixtures shared by all tests."""

from __future__ import annotations

import multiprocessing
import sys
from collections.abc import Iterator
from contextlib import contextmanager

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import HealthCheck, settings
from threadpoolctl import threadpool_limits

from cli import main as cli
from optimizer.plant.region import Region
from optimizer.plant.settings import GRAVITY_TABLE
from optimizer.simulation import demo_deck, demo_material
from tests.remembered import remembering
from tests.slow import is_slow, listed

# The time of an example depends on the load of the machine, so properties have no deadline.
settings.register_profile(
    "any speed", settings(), deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("any speed")

# These modules need the packages of the peers, which no test needs.
collect_ignore_glob = ["benchmarks/*/peer_*.py"]


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """Give each process whole files of tests, so that what a file shares is made once.

    Files come in the order of their names: the last ones are doctests, which take no time, so that
    no process is left alone with a long file.
    """
    from xdist.scheduler import LoadFileScheduling

    config.option.loadscopereorder = False
    return LoadFileScheduling(config, log)


@pytest.hookimpl(tryfirst=True)  # before pytest leaves out what ``-m`` does not ask for
def pytest_collection_modifyitems(items):
    """Slow tests run as proofs."""
    names = listed()
    for item in items:
        if is_slow(item.nodeid, names):
            item.add_marker("proof")


@pytest.fixture(autouse=True, scope="session")
def one_thread():
    """Limit numerical libraries to one thread: tests may run in one process per core."""
    with threadpool_limits(1):
        yield


def run_table(settings, grade, recovery, state=None, line="deck-1", **columns) -> pa.Table:
    """Runs as a table of the form that a history returns; NaN marks a missing reading."""
    n = len(settings)
    readings = {"grade": grade, "recovery": recovery}
    return pa.table(
        {
            "run_id": [f"r{k}" for k in range(n)],
            "line": [line] * n,
            "started_at": pa.array(
                [3_600_000_000 * k for k in range(n)], pa.timestamp("us", "UTC")
            ),
            "material": pa.nulls(n, pa.string()),
            **{name: np.asarray(settings)[:, j] for j, name in enumerate(GRAVITY_TABLE.names)},
            **{k: pa.array(np.asarray(v, float), from_pandas=True) for k, v in readings.items()},
            "deck_state": list(state) if state is not None else ["even"] * n,
            **columns,
        }
    )


@pytest.fixture(scope="session")
def season_table():
    """60 runs of a simulated deck at spread settings, some failed, with counted grades."""
    rng = np.random.default_rng(11)
    values = GRAVITY_TABLE.values(Region.whole(GRAVITY_TABLE).sample(60, rng))
    measured = demo_deck("deck-1").measure(values, demo_material(), rng)
    return run_table(
        values,
        measured.grade,
        measured.recovery,
        measured.deck_state,
        grade_count=[400] * 60,
        feed_grade=[0.93] * 60,
    )


@pytest.fixture(scope="module")
def forked_planners():
    """Planning processes of services in this process start from one that has loaded the libraries.

    Loading them takes a second of each process. Services in processes of their own start theirs as
    they do everywhere: ``tests/service/test_process.py``.
    """
    server = multiprocessing.get_context("forkserver")
    server.set_forkserver_preload(["optimizer.service.answers.kinds", "tests.serving"])
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(multiprocessing, "get_context", lambda kind: server)
        yield


@pytest.fixture
def run(monkeypatch, tmp_path, capsys):
    """``run("load", "x.csv")`` runs a command in an empty folder: exit code, stdout, stderr."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("HIGHSIDE_HISTORY", raising=False)

    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["highside", *map(str, arguments)])
        code = 0
        try:
            cli.run()
        except SystemExit as stop:
            code = int(stop.code or 0)
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        return code, out, err

    return call


@pytest.fixture
def small_plans(monkeypatch):
    """Plans from one draw of hyperparameters and few candidates take a third of the time.

    For tests of what an answer says, not of which settings it recommends.
    """
    monkeypatch.setattr("optimizer.model.surrogate.MEMBERS", ())
    monkeypatch.setattr("optimizer.planning.limits.POOL", 64)


@pytest.fixture
def without_plots(monkeypatch):
    """Pages without their plots, which take longer than a small plan; for tests of the text."""
    for name in ("progress", "trade_off", "effect", "interaction", "calibration", "comparison"):
        monkeypatch.setattr(f"optimizer.presentation.plots.{name}", lambda *documents: "")


@pytest.fixture(autouse=True, scope="session")
def remembered():
    """Equal fits and equal plans are made once: they take longer than all else in most tests."""
    with remembering() as found:
        yield found


@pytest.fixture
def anew(remembered, monkeypatch):
    """In this test, every fit and every plan is made anew."""
    monkeypatch.setattr(remembered, "forgetful", True)


@contextmanager
def names_of_before() -> Iterator[None]:
    """Lines may have names that only histories of earlier versions hold, with control characters
    and marks of writing direction."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("optimizer.intake.checking.line_names.is_name", lambda name: True)
        yield
