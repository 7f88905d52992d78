"""Events are read once in a process, their large parts when somebody asks; a change is seen."""

from __future__ import annotations

import os
import pickle
from datetime import UTC, datetime
from pathlib import Path

import pytest

from optimizer import History, Site
from optimizer.errors import HistoryError
from optimizer.history.issued import find_batch, find_trial, issued_batches
from optimizer.history.issued_numbers import ORDERS, unsettled_ids
from optimizer.history.schema import schema_of
from optimizer.history.storage import event_log, kept_events
from optimizer.history.storage.event_log import Event, events_until
from optimizer.history.storage.kept_events import LARGE, About
from optimizer.intake.settling.load import load_table
from tests.history.test_event_log import ROW

PLAN = {"recommendations": [{"order": 1, "note": "x" * LARGE}]}


@pytest.fixture
def history(tmp_path: Path) -> History:
    """A history with an event without a large part, and some with one."""
    made = History(tmp_path / "history")
    load_table([ROW], made)
    for k in range(4):
        note(made, k)
    return made


def note(history: History, k: int) -> None:
    about = {"batch": f"deck-9-{k}", "line": "deck-9", "number": k, "plan": {**PLAN, "k": k}}
    event = Event("noted", datetime(2026, 3, 1, tzinfo=UTC), "Ana", about)
    now = history.at()
    history.note([event], now.version, schema_of(Site()))


def test_events_are_those_of_the_commits_to_the_last_part(history: History) -> None:
    found = history.at().events
    whole = events_until(history.place.filesystem, history.version)
    assert found == whole
    assert [each.as_dict() for each in found] == [each.as_dict() for each in whole]
    noted = [each for each in found if each.what == "noted"]
    assert [each.about["plan"]["k"] for each in noted] == [0, 1, 2, 3]
    assert all(isinstance(each.about, About) for each in noted)
    assert "x" * LARGE not in repr(vars(noted[0].about))  # it is not kept
    assert pickle.loads(pickle.dumps(noted[0])) == noted[0]
    assert noted[0] != noted[1]


def test_each_commit_is_read_once(history: History, monkeypatch) -> None:
    read = []
    whole = event_log.read_file
    monkeypatch.setattr(event_log, "read_file", lambda *of: (read.append(of[1]), whole(*of))[1])
    for _ in range(3):
        assert len(history.at().events) == 5
    first = len(read)
    note(history, 4)
    assert len(history.at().events) == 6
    assert len(set(read[first:])) <= 2  # the latest commit, which names the earlier ones
    assert history.at(3).events == history.at().events[:4]


def test_another_history_in_the_same_place_is_seen(history: History, tmp_path: Path) -> None:
    assert len(history.at().events) == 5
    os.rename(tmp_path / "history", tmp_path / "before")
    load_table([ROW], history)
    note(history, 7)
    assert [e.about["number"] for e in history.at().events if e.what == "noted"] == [7]


def test_a_commit_that_is_gone_is_told(history: History, tmp_path: Path) -> None:
    last = history.at().events[-1]
    kept_events._whole.cache_clear()
    os.remove(tmp_path / "history" / event_log.commit_path(last.version))
    with pytest.raises(HistoryError, match="cannot be read"):
        last.about["plan"]


def test_one_batch_is_found_without_the_plans_of_the_others(history: History, monkeypatch) -> None:
    trial = {"order": 1, "rank": 1, "settings": {}, "grade": {}, "recovery": {}, "why": "x" * LARGE}
    for k in range(1, 6):
        about = {"batch": f"deck-1-{k}", "line": "deck-1", "number": k, "brief": {}, "today": {},
                 "noise": {}, "plan": {"units": {}, "recommendations": [trial]},
                 ORDERS: [1]}  # fmt: skip
        event = Event("issued", datetime(2026, 3, 1, tzinfo=UTC), "Ana", about)
        history.note([event], history.version, schema_of(Site()))
    read = []
    whole = kept_events._whole
    monkeypatch.setattr(kept_events, "_whole", lambda *of: (read.append(of[0]), whole(*of))[1])
    snapshot = history.at()
    assert unsettled_ids(snapshot, "deck-1") == [f"deck-1-{k}" for k in range(1, 6)]
    assert not read
    assert find_batch(snapshot, "deck-1-3").number == 3
    assert find_trial(snapshot, "deck-1-3.1")[1].order == 1
    assert len(set(read)) == 1
    assert [each.number for each in issued_batches(snapshot)] == [1, 2, 3, 4, 5]
    assert len(set(read)) == 5
