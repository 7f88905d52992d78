"""Waiting requests share a commit; each gets the answer that a separate commit would give."""

from __future__ import annotations

import asyncio

from optimizer import History, Site
from optimizer.errors import InputError
from optimizer.intake.settling.load import load_table
from optimizer.service.exchange.current_site import CurrentSite
from optimizer.service.recording.group_commit import GroupCommit
from tests.service.test_service import row

NO_FILE = CurrentSite("no-such-site.toml")


def loaded(folder, requests, line=None):
    """Send requests at the same time; return their reports and the history."""
    history = History(folder / "history")

    async def all_at_once():
        commits = GroupCommit(history, NO_FILE, asyncio.Lock())
        work = (commits.load(rows, line) for rows in requests)
        return await asyncio.gather(*work, return_exceptions=True)

    return asyncio.run(all_at_once()), history


def test_many_waiting_requests_take_few_commits_and_lose_nothing(tmp_path):
    reports, history = loaded(tmp_path, [[row(k)] for k in range(40)])
    assert [(r.read, r.added, r.rejected) for r in reports] == [(1, 1, 0)] * 40
    # The first request has its own commit; all requests that arrive meanwhile share the second.
    assert history.version == 1
    assert sorted(history.at().runs()["run_id"].to_pylist()) == sorted(f"r{k}" for k in range(40))


def test_each_request_gets_the_report_of_a_separate_load(tmp_path):
    bad = row(2, feed_rate=99.0)
    requests = [[row(0)], [row(1), bad], [row(0)], [bad]]
    reports, _ = loaded(tmp_path / "a", requests)
    alone = History(tmp_path / "b" / "history")
    for report, rows in zip(reports, requests, strict=True):
        expected = load_table(rows, alone, Site()).as_dict()
        found = report.as_dict()
        for key in ("read", "added", "already_known", "rejected", "files", "rejects"):
            assert found[key] == expected[key], key
        assert (found["rejects_file"] is None) is (expected["rejects_file"] is None)


def test_a_request_that_cannot_be_loaded_does_not_stop_the_others(tmp_path):
    reports, history = loaded(tmp_path, [[row(0)], [{"no such heading [t/h]": 1}], [row(1)]])
    assert reports[0].added == reports[2].added == 1
    assert isinstance(reports[1], InputError) or reports[1].added == 0
    assert len(history.at().runs()) == 2


def test_a_disconnected_client_does_not_affect_the_others(tmp_path):
    history = History(tmp_path / "history")

    async def run():
        commits = GroupCommit(history, NO_FILE, asyncio.Lock())
        tasks = [asyncio.create_task(commits.load([row(k)], None)) for k in range(6)]
        await asyncio.sleep(0.02)
        tasks[0].cancel()
        tasks[3].cancel()
        return await asyncio.gather(*tasks, return_exceptions=True)

    answers = asyncio.run(run())
    assert [isinstance(a, asyncio.CancelledError) for a in answers].count(True) <= 2
    acknowledged = [k for k, a in enumerate(answers) if not isinstance(a, BaseException)]
    assert {1, 2, 4, 5} <= set(acknowledged)
    kept = history.at().runs()["run_id"].to_pylist()
    assert len(kept) == len(set(kept))
    assert {f"r{k}" for k in acknowledged} <= set(kept)


def test_requests_for_different_lines_take_separate_commits(tmp_path):
    lines = ("deck-1", "deck-2")
    history = History(tmp_path / "history")
    rows = [{k: v for k, v in row(n).items() if k != "line"} for n in range(4)]

    async def run():
        commits = GroupCommit(history, NO_FILE, asyncio.Lock())
        work = [commits.load([rows[n]], lines[n % 2]) for n in range(4)]
        return await asyncio.gather(*work)

    assert [r.added for r in asyncio.run(run())] == [1] * 4
    assert history.version == 2
    assert sorted(history.at().runs()["line"].to_pylist()) == [
        "deck-1",
        "deck-1",
        "deck-2",
        "deck-2",
    ]
