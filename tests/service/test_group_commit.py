"""Waiting requests share a commit; each gets the answer that a separate commit would give."""

from __future__ import annotations

import asyncio
import threading
from contextlib import contextmanager

from optimizer import History, Site
from optimizer.errors import InputError
from optimizer.intake.settling.load import load_table
from optimizer.service.exchange.current_site import CurrentSite
from optimizer.service.recording.group_commit import GroupCommit
from tests.service.test_service import row
from tests.serving import SECONDS

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


def test_disconnected_clients_do_not_affect_the_others(tmp_path):
    """Of five that share the second commit, the one that began it and another one leave while it is
    written: what was sent is kept."""
    history = History(tmp_path / "history")
    begun, writing, go_on = [], threading.Event(), threading.Event()

    @contextmanager
    def held():
        begun.append(history.version)
        if len(begun) == 2:
            writing.set()
            assert go_on.wait(SECONDS)
        yield

    async def run():
        commits = GroupCommit(history, NO_FILE, asyncio.Lock(), held)
        tasks = [asyncio.create_task(commits.load([row(k)], None)) for k in range(6)]
        assert await asyncio.to_thread(writing.wait, SECONDS)
        tasks[1].cancel()
        tasks[3].cancel()
        await asyncio.sleep(0)
        go_on.set()
        return await asyncio.wait_for(asyncio.gather(*tasks, return_exceptions=True), SECONDS)

    answers = asyncio.run(run())
    gone = [k for k, answer in enumerate(answers) if isinstance(answer, asyncio.CancelledError)]
    assert (gone, len(begun)) == ([1, 3], 2)
    assert [answers[k].added for k in (0, 2, 4, 5)] == [1, 1, 1, 1]
    assert sorted(history.at().runs()["run_id"].to_pylist()) == [f"r{k}" for k in range(6)]


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
