"""Events in the commits of a history: stored in one step with what they belong to."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import duckdb
import pytest
from deltalake import DeltaTable

from optimizer.errors import HistoryError, Overtaken
from optimizer.history.history import History
from optimizer.history.issued_numbers import next_number
from optimizer.history.schema import schema_of
from optimizer.history.storage import event_log, table
from optimizer.history.storage.event_log import Event, versions_with_events
from optimizer.history.storage.kept_events import _KEPT
from optimizer.history.upkeep import restore
from optimizer.intake.settling.load import load_table
from optimizer.plant.site import Site

SITE = Site()
SCHEMA = schema_of(SITE)
NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
ROW = {"line": "deck-1", "started_at": "2026-05-04T06:00:00Z", "grade": 0.98, "recovery": 0.9,
       "feed_rate": 2.0, "end_raise": 2.0, "side_tilt": 1.5, "eccentric_speed": 420.0,
       "air": 3.0}  # fmt: skip


def event(number: int) -> Event:
    return Event("issued", NOON, "anna", {"number": number})


def numbers(history: History, version: int | None = None) -> list[int]:
    return [e.about["number"] for e in issued(history, version)]


def issued(history: History, version: int | None = None) -> list[Event]:
    """The events of these tests; a first load adds the description of the history."""
    return [e for e in history.at(version).events if e.what == "issued"]


def load(history: History, day: int) -> None:
    row = {**ROW, "started_at": f"2026-05-{day:02d}T06:00:00Z"}
    assert load_table([row], history, SITE).added == 1


def test_an_event_raises_the_version_and_is_there_from_then_on(tmp_path):
    history = History(tmp_path / "h")
    load(history, 1)
    assert history.note([event(1)], 0, SCHEMA) == 1
    load(history, 2)
    assert history.note([event(2), event(3)], 2, SCHEMA) == 3
    assert [numbers(history, v) for v in range(4)] == [[], [1], [1], [1, 2, 3]]
    assert [e.version for e in issued(history)] == [1, 3, 3]
    assert issued(history)[0].at == NOON
    assert issued(history)[0].by == "anna"
    assert history.at().runs(SITE).num_rows == 2


def test_a_history_may_begin_with_an_event(tmp_path):
    history = History(tmp_path / "h")
    assert history.at().events == ()
    assert history.note([event(1)], None, SCHEMA) == 0
    assert numbers(history) == [1]
    assert history.at().lines == ()
    load(history, 1)
    assert numbers(history) == [1]
    assert history.at().lines == ("deck-1",)


def test_an_event_on_another_version_is_refused(tmp_path):
    history = History(tmp_path / "h")
    load(history, 1)
    with pytest.raises(Overtaken):
        history.note([event(1)], None, SCHEMA)
    load(history, 2)
    with pytest.raises(Overtaken):
        history.note([event(1)], 0, SCHEMA)
    assert numbers(history) == []
    assert history.version == 1


def test_events_outlive_a_merge_of_files_and_a_commit_of_another_program(tmp_path):
    history = History(tmp_path / "h")
    load(history, 1)
    history.note([event(1)], 0, SCHEMA)
    for k in range(2, 6):
        load(history, k)
    DeltaTable(tmp_path / "h").optimize.compact()
    assert numbers(history) == [1]
    history.note([event(2)], history.version, SCHEMA)
    assert numbers(history) == [1, 2]


def test_restoring_a_version_restores_its_events(tmp_path):
    history = History(tmp_path / "h")
    load(history, 1)
    history.note([event(1)], 0, SCHEMA)
    history.note([event(2)], 1, SCHEMA)
    history.table.restore(1)
    assert numbers(history) == [1]
    history.note([event(3)], 3, SCHEMA)
    assert numbers(history) == [1, 3]


def test_a_restored_history_says_so_and_keeps_the_numbers_of_issued_batches(tmp_path):
    history = History(tmp_path / "h")
    load(history, 1)
    about = {"line": "deck-1", "number": 4, "batch": "deck-1-4"}
    history.note([Event("issued", NOON, "M.", about)], 0, SCHEMA)
    restore(history, 0, by="N.")
    (told,) = (e for e in history.at().events if e.what == "restored")
    assert (told.by, told.version) == ("N.", 2)
    assert told.about == {"version": 0, "numbers": {"deck-1": 4}}
    assert next_number(history.at(), "deck-1") == 5  # the sheet of deck-1-4 may lie at the deck
    assert next_number(history.at(), "deck-2") == 1
    restore(history, 1)
    assert next_number(history.at(), "deck-1") == 5


def test_only_commits_with_events_are_opened(tmp_path, monkeypatch):
    history = History(tmp_path / "h")
    load(history, 1)
    history.note([event(1)], 0, SCHEMA)
    for k in range(2, 9):
        load(history, k)
    opened = []
    read = "optimizer.history.storage.event_log.read_file"
    monkeypatch.setattr(read, lambda fs, path: (opened.append(path), _bytes(fs, path))[1])
    _KEPT.clear()  # as in a new process
    assert numbers(history) == [1]
    assert len(opened) == 3  # the latest, that of the event, and that of the description


def commit_info(history: History, version: int) -> dict:
    path = history.place.folder / event_log.commit_path(version)
    infos = [json.loads(line) for line in path.read_text().splitlines()]
    return next(each["commitInfo"] for each in infos if "commitInfo" in each)


def as_an_older_program_reads(history: History, version: int) -> list[int]:
    """The versions with events, as the program read them that knew complete lists only: from the
    metadata of the commit, or else from the commit before it."""
    later: list[int] = []
    while version >= 0:
        metadata = commit_info(history, version)
        later += [version] if event_log.EVENTS in metadata else []
        if event_log.EARLIER in metadata:
            return [*event_log._from_ranges(metadata[event_log.EARLIER]), *reversed(later)]
        version -= 1
    return later[::-1]


def as_an_older_program_writes(fs, version, events, *, restores=False):
    """The metadata of a commit of that program: always a complete list."""
    found = {event_log.EARLIER: event_log._as_ranges(versions_with_events(fs, version))}
    if events:
        found[event_log.EVENTS] = json.dumps([each.as_dict() for each in events])
    return found


@pytest.fixture
def alternating(tmp_path, monkeypatch):
    """A history of loads and events by turns, with short lists of earlier versions."""
    monkeypatch.setattr(event_log, "MOST_NAMED", 3)
    history = History(tmp_path / "h")
    for k in range(1, 12):
        load(history, k)
        history.note([event(k)], history.version, SCHEMA)
    return history


def test_no_commit_grows_with_the_number_of_events_before_it(alternating):
    named = [commit_info(alternating, v)[event_log.LATEST] for v in range(22)]
    assert max(len(event_log._from_ranges(each.partition(":")[2])) for each in named) <= 3
    for version in range(22):
        assert numbers(alternating, version) == list(range(1, (version + 1) // 2 + 1))


def test_programs_that_know_complete_lists_only_share_a_history(alternating, monkeypatch):
    for version in range(22):
        expected = versions_with_events(alternating.place.filesystem, version)
        assert as_an_older_program_reads(alternating, version) == expected
    with monkeypatch.context() as older:
        older.setattr(table, "noted", as_an_older_program_writes)
        alternating.note([event(12)], 21, SCHEMA)
        load(alternating, 13)
    alternating.note([event(14)], 23, SCHEMA)
    alternating.table.restore(9)
    alternating.note([event(15)], 25, SCHEMA)
    assert numbers(alternating, 24) == [*range(1, 13), 14]
    assert numbers(alternating) == [1, 2, 3, 4, 5, 15]
    for version in (22, 23, 24, 25, 26):
        expected = versions_with_events(alternating.place.filesystem, version)
        assert as_an_older_program_reads(alternating, version) == expected


def test_a_list_that_leads_nowhere_is_damage(alternating, tmp_path):
    path = tmp_path / "h" / event_log.commit_path(21)
    before = commit_info(alternating, 21)[event_log.LATEST].partition(":")[0]
    path.write_text(path.read_text().replace(f'"{before}:', '"21:'))
    _KEPT.clear()
    with pytest.raises(HistoryError, match="damaged"):
        _ = alternating.at().events


def test_a_lost_commit_that_names_events_is_damage(alternating, tmp_path, monkeypatch):
    with monkeypatch.context() as older:
        older.setattr(table, "noted", as_an_older_program_writes)
        load(alternating, 12)
    load(alternating, 13)
    assert commit_info(alternating, 23)[event_log.LATEST] == "22:"
    assert event_log.EVENTS not in commit_info(alternating, 22)
    snapshot = alternating.at()
    (tmp_path / "h" / event_log.commit_path(22)).unlink()
    with pytest.raises(HistoryError, match="damaged"):
        _ = snapshot.events


def test_a_lost_commit_with_events_is_damage(tmp_path):
    history = History(tmp_path / "h")
    load(history, 1)
    history.note([event(1)], 0, SCHEMA)
    load(history, 2)
    snapshot = history.at()
    (tmp_path / "h" / "_delta_log" / f"{1:020d}.json").unlink()
    with pytest.raises(HistoryError, match="damaged"):
        _ = snapshot.events


def test_other_readers_see_the_runs_only(tmp_path):
    """Source: DuckDB's own Parquet reader on the files that deltalake lists."""
    history = History(tmp_path / "h")
    load(history, 1)
    history.note([event(1)], 0, SCHEMA)
    files = DeltaTable(tmp_path / "h").file_uris()
    query = f"select count(*) from read_parquet({json.dumps(files)})"
    (count,) = duckdb.connect().execute(query).fetchone()
    assert count == 1
    assert versions_with_events(history.place.filesystem, 1) == [0, 1]


def _bytes(filesystem, path):
    with filesystem.open_input_file(path) as file:
        return file.read()
