"""The loads of a line, as the commits of the log tell them."""

from __future__ import annotations

from datetime import UTC, datetime

import pyarrow as pa
import pytest

from optimizer import History, HistoryError, Site, correct, withdraw
from optimizer.history.snapshot import Snapshot
from optimizer.history.upkeep import restore
from optimizer.intake.settling.load import load_table
from tests.history.test_event_log import ROW

SITE = Site()


@pytest.fixture
def history(tmp_path):
    """Version 0 adds two runs of deck-1, 1 corrects one, 2 adds one of each line."""
    made = History(tmp_path / "h")
    load_table([row("a", 1), row("b", 2)], made, SITE)
    correct(made, SITE, "a", {"grade": 0.97}, reason="misread")
    load_table([row("c", 3), row("d", 3, line="deck-2")], made, SITE)
    return made


def row(run_id, day, **more):
    started = f"2026-05-{day:02d}T06:00:00Z"
    return {**ROW, "run_id": run_id, "started_at": started, **more}


def told(history, line="deck-1", version=None):
    return [(each.version, each.added[line]) for each in history.at(version).loads(line)]


def test_versions_that_add_runs_of_the_line_are_its_loads(history):
    assert told(history) == [(0, 2), (2, 1)]
    assert told(history, "deck-2") == [(2, 1)]
    assert told(history, "deck-9") == []
    assert told(history, version=1) == [(0, 2)]
    # The table library reads the time of a commit on its own.
    stamp = history.table.open().history(1)[0]["timestamp"]
    assert history.at().loads("deck-1")[-1].at == datetime.fromtimestamp(stamp / 1000, UTC)


def test_a_withdrawal_and_a_restore_are_no_loads(history):
    withdraw(history, SITE, "c", reason="mixed up")
    before = told(history)
    restore(history, 0, SITE)
    restore(history, 3, SITE)
    assert told(history) == before == [(0, 2), (2, 1)]


def test_only_the_newest_versions_are_read(history, monkeypatch):
    monkeypatch.setattr("optimizer.history.sources.MOST_VERSIONS", 1)
    assert told(history) == [(2, 1)]


def test_a_damaged_commit_is_refused(history):
    snapshot = history.at()
    (path,) = history.folder.glob("_delta_log/*1.json")
    path.write_text("{", encoding="utf-8")
    with pytest.raises(HistoryError, match="damaged"):
        snapshot.loads("deck-1")


def test_runs_that_are_in_no_history_have_no_loads():
    runs = pa.table({"line": ["deck-1"]})
    assert Snapshot.of_table(runs).loads("deck-1") == ()
