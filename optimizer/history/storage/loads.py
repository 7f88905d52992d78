"""The loads of a history: which versions added runs of a line, when, and how many.

In comes the log of the table; out comes one ``Load`` for each version that added runs of the line.
A version that also removed files corrected, merged or restored runs, and is no load; neither is one
that reinstated a run.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime

import pyarrow.fs as pa_fs

from optimizer.history.storage.event_log import EVENTS
from optimizer.history.storage.log_hashes import LOG, read_file

REINSTATED = "reinstated"
"""Kind of event that puts a withdrawn run back."""
MOST_VERSIONS = 100
"""Number of newest versions whose commits are read, since each is a file of its own."""


@dataclass(frozen=True)
class Load:
    """A version that added runs of one line.

    Attributes:
        version: number of the version.
        at: when it was committed.
        runs: number of runs that it added; None where the log does not state it.
    """

    version: int
    at: datetime
    runs: int | None


def loads_until(filesystem: pa_fs.FileSystem, version: int, line: str) -> tuple[Load, ...]:
    """The loads of a line among the newest versions up to ``version``, oldest first.

    Args:
        filesystem: file system whose root is the table.
        version: the version up to which commits are read, at most ``MOST_VERSIONS`` of them.
        line: name of the line.

    Raises:
        OSError, pyarrow.ArrowException, ValueError: when a commit cannot be read.
    """
    found: list[Load] = []
    for number in range(version, max(-1, version - MOST_VERSIONS), -1):
        try:
            content = read_file(filesystem, f"{LOG}/{number:020d}.json")
        except FileNotFoundError:  # another program removed old commits
            break
        load = _load(content, number, line)
        if load is not None:
            found.append(load)
    return tuple(reversed(found))


def _load(commit: bytes, version: int, line: str) -> Load | None:
    """The load of a commit; None when it added no new run of the line, or removed files."""
    actions = [json.loads(action) for action in commit.splitlines()]
    stated = next((each["commitInfo"] for each in actions if "commitInfo" in each), None)
    if stated is None or stated.get("operation") == "RESTORE":  # which names files added earlier
        return None
    if any("remove" in each for each in actions):
        return None
    if any(event["what"] == REINSTATED for event in json.loads(stated.get(EVENTS, "[]"))):
        return None
    added = [each["add"] for each in actions if "add" in each]
    mine = [each for each in added if each["partitionValues"].get("line") == line]
    if not mine:
        return None
    counts = [json.loads(each.get("stats") or "{}").get("numRecords") for each in mine]
    at = datetime.fromtimestamp(stated["timestamp"] / 1000.0, UTC)
    return Load(version, at, None if None in counts else sum(counts))
