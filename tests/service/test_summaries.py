"""Summaries of the history for readers while a recording is in progress."""

from __future__ import annotations

import asyncio
import json

import pytest

from optimizer import History, Site
from optimizer.errors import InputError
from optimizer.history.snapshot import Snapshot
from optimizer.intake.settling.load import load_table
from optimizer.service.answers.summaries import Summaries
from optimizer.service.answers.versions import Versions
from optimizer.service.exchange.current_site import CurrentSite


def row(k: int, line: str = "deck-1") -> dict:
    return {
        "run_id": f"r{k}", "line": line, "feed_rate": 2.0, "end_raise": 2.4, "side_tilt": 2.0,
        "eccentric_speed": 450, "air": 37, "grade": 0.987, "recovery": 0.931,
    }  # fmt: skip


class Case:
    """A history and its summaries, with a count of how many were made."""

    def __init__(self, folder, monkeypatch) -> None:
        self.history = History(folder / "history")
        self.summaries = Summaries(
            self.history, CurrentSite(folder / "site.toml"), Versions(self.history)
        )
        self.made = 0
        whole = Snapshot.summary

        def counted(*given, **more):
            self.made += 1
            return whole(*given, **more)

        monkeypatch.setattr(Snapshot, "summary", counted)

    def record(self, *rows) -> None:
        load_table(list(rows), self.history, Site(), file="rows")

    def told(self, *question) -> dict:
        return json.loads(asyncio.run(self.summaries.of(*question))[1])


@pytest.fixture
def case(tmp_path, monkeypatch):
    return Case(tmp_path, monkeypatch)


def test_until_a_recording_ends_readers_get_the_version_before_it(case):
    case.record(row(1))
    assert case.told()["runs"] == 1
    with case.summaries.recording():
        case.record(row(2))
        assert (case.told()["runs"], case.told()["version"]) == (1, 0)
        # A question asked for the first time is also answered from that version.
        assert case.told("deck-1")["version"] == 0
    assert (case.told()["runs"], case.told()["version"]) == (2, 1)


def test_no_reader_waits_for_a_recording(case):
    case.record(row(1), row(2, "deck-2"))
    case.told()
    case.told("deck-2")
    with case.summaries.recording():
        case.record(row(3, "deck-2"))
    before = case.made
    assert case.told()["runs"] == 3
    assert case.told("deck-2")["runs"] == 2
    assert case.made == before


def test_a_summary_that_is_no_longer_requested_is_not_made_again(case):
    case.record(row(1))
    case.told("deck-1")
    for k in (2, 3):
        with case.summaries.recording():
            case.record(row(k))
    before = case.made
    with case.summaries.recording():
        case.record(row(4))
    assert case.made == before + 1  # only the summary of all lines, which the pages show


def test_a_recording_that_adds_nothing_makes_no_summary_again(case):
    case.record(row(1))
    case.told()
    with case.summaries.recording():
        case.record(row(1))
    before = case.made
    with case.summaries.recording():
        case.record({**row(2), "grade": 97.2})  # which is refused
    assert case.told()["runs"] == 1
    assert case.made == before


def test_a_recording_is_kept_when_its_summary_fails(case, monkeypatch):
    def broken(*_, **__):
        raise ZeroDivisionError

    monkeypatch.setattr(Snapshot, "summary", broken)
    with case.summaries.recording():
        case.record(row(1))
    assert len(case.history.at().runs()) == 1
    with pytest.raises(ZeroDivisionError):
        case.told()


def test_a_failed_recording_blocks_no_reader(case):
    case.record(row(1))
    with pytest.raises(InputError), case.summaries.recording():
        raise InputError("nothing to be used")
    case.record(row(2))
    assert case.told()["runs"] == 2


def test_what_another_process_recorded_is_seen_at_once(case, tmp_path):
    case.record(row(1))
    case.told()
    load_table([row(2)], History(tmp_path / "history"), Site(), file="rows")
    assert case.told()["runs"] == 2


def test_simultaneous_requests_share_one_summary(case):
    case.record(row(1))

    async def all_of_them():
        return await asyncio.gather(*(case.summaries.of() for _ in range(20)))

    assert len({tag for tag, _ in asyncio.run(all_of_them())}) == 1
    assert case.made == 1
