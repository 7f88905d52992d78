"""Events of a history, such as an issued batch or a corrected run, kept in the commits of its log.

An event is part of the commit that it belongs to: a correction and the corrected run are stored in
one step, and so is an issued batch and the version that it raises. Each commit also names the
latest commits before it that hold events, and a commit that names those before these, and so on:
reading all events opens only commits that hold or name events, and no commit grows with the number
of events before it. A commit of another program names none; the reader then looks at the commit
before it, as versions of this program do that know complete lists only. So both understand a log to
which both have written. A commit that restores an earlier version has a complete list, since the
commit before it would lead such a version to events that do not count.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import pyarrow.fs as pa_fs

from optimizer.history.storage.log_hashes import LOG, read_file

EVENTS = "highside.events"
"""Key of a commit's metadata for its own events."""
EARLIER = "highside.event_versions"
"""Key for all earlier versions that have events, in commits that restore a version and in those of
programs that knew no other list."""
LATEST = "highside.latest_event_versions"
"""Key for a version and the later ones before the commit that have events, as ``BEFORE:RANGES``;
the events up to the version BEFORE, its own among them, are those that its commit tells of."""
MOST_NAMED = 64
"""Largest number of versions in a list that goes on in an earlier commit."""


@dataclass(frozen=True)
class Event:
    """Something that happened to a history besides the loading of runs.

    Attributes:
        what: kind of the event, such as ``issued`` or ``corrected``.
        at: when it happened, with its time zone.
        by: who did it; None where that is not known.
        about: what it is about, as JSON.
        version: the version that the event made; None before it is stored.
    """

    what: str
    at: datetime
    by: str | None
    about: Mapping[str, Any]
    version: int | None = None

    def at_version(self, version: int) -> Event:
        """The event once it is stored at a version."""
        return replace(self, version=version)

    def as_dict(self) -> dict[str, Any]:
        """The event as JSON, without its version."""
        return {
            "what": self.what,
            "at": self.at.isoformat(),
            "by": self.by,
            "about": dict(self.about),
        }

    @staticmethod
    def from_dict(stored: Mapping[str, Any], version: int) -> Event:
        """The event that ``as_dict`` turned into JSON, at the version that holds it."""
        at = datetime.fromisoformat(stored["at"])
        return Event(stored["what"], at, stored["by"], stored["about"], version)


def noted(
    filesystem: pa_fs.FileSystem, version: int, events: Sequence[Event], *, restores: bool = False
) -> dict[str, str]:
    """The metadata of a commit that follows a version and holds events.

    Args:
        filesystem: file system whose root is the table.
        version: the version that the commit follows, or whose state it restores; -1 for none.
        events: events of the commit; there may be none.
        restores: whether the commit restores the state of the version.

    Raises:
        OSError, pyarrow.ArrowException, ValueError: when a commit cannot be read.
    """
    if restores:
        found = {EARLIER: _as_ranges(versions_with_events(filesystem, version))}
    else:
        before, named = named_at(filesystem, version)
        if len(named) > MOST_NAMED:
            before, named = version, []
        found = {LATEST: f"{before}:{_as_ranges(named)}"}
    if events:
        found[EVENTS] = json.dumps([event.as_dict() for event in events], separators=(",", ":"))
    return found


def events_until(filesystem: pa_fs.FileSystem, version: int) -> tuple[Event, ...]:
    """All events of a history at a version, oldest first.

    Raises:
        OSError, pyarrow.ArrowException, ValueError: when a commit cannot be read.
    """
    held = versions_with_events(filesystem, version)
    return tuple(event for each in held for event in events_in(filesystem, each))


def events_in(filesystem: pa_fs.FileSystem, version: int) -> tuple[Event, ...]:
    """The events of one commit.

    Raises:
        OSError, pyarrow.ArrowException, ValueError: when the commit cannot be read.
    """
    stored = json.loads(_metadata(filesystem, version)[EVENTS])
    return tuple(Event.from_dict(each, version) for each in stored)


def commit_path(version: int) -> str:
    """Path of a commit in the folder of a history."""
    return f"{LOG}/{version:020d}.json"


Named = Callable[[pa_fs.FileSystem, int], tuple[int, list[int]]]
"""A function such as ``named_at``."""


def versions_with_events(
    filesystem: pa_fs.FileSystem, version: int, named: Named | None = None
) -> list[int]:
    """The versions up to ``version`` whose events count there, in order.

    Args:
        filesystem: file system whose root is the table.
        version: the version; -1 for none.
        named: function that replaces ``named_at``, such as one that keeps its answers.

    Raises:
        OSError, pyarrow.ArrowException, ValueError: when a commit cannot be read.
    """
    parts: list[list[int]] = []
    while version >= 0:
        if parts and not _exists(filesystem, version):
            raise ValueError(f"commit {version}, which names events, is missing")
        version, part = (named or named_at)(filesystem, version)
        parts.append(part)
    return [each for part in reversed(parts) for each in part]


def named_at(filesystem: pa_fs.FileSystem, version: int) -> tuple[int, list[int]]:
    """An earlier version, -1 for none, and the later ones up to ``version`` that have events.

    Raises:
        OSError, pyarrow.ArrowException, ValueError: when a commit cannot be read.
    """
    own: list[int] = []
    while version >= 0:
        try:
            metadata = _metadata(filesystem, version)
        except FileNotFoundError:  # another program removed old commits, which named no events
            break
        if EVENTS in metadata:
            own.append(version)
        if LATEST in metadata:
            before, _, ranges = metadata[LATEST].partition(":")
            if not -1 <= int(before) < version:
                raise ValueError(f"commit {version} names events of version {before}")
            return int(before), [*_from_ranges(ranges), *reversed(own)]
        if EARLIER in metadata:
            return -1, [*_from_ranges(metadata[EARLIER]), *reversed(own)]
        version -= 1
    return -1, own[::-1]


def _exists(filesystem: pa_fs.FileSystem, version: int) -> bool:
    (found,) = filesystem.get_file_info([commit_path(version)])
    return bool(found.type == pa_fs.FileType.File)


def _metadata(filesystem: pa_fs.FileSystem, version: int) -> Mapping[str, Any]:
    """The metadata of a commit; empty where the commit states none."""
    for line in read_file(filesystem, commit_path(version)).splitlines():
        if line.startswith(b'{"commitInfo"'):
            found = json.loads(line)["commitInfo"]
            assert isinstance(found, dict)
            return found
    return {}


def _as_ranges(versions: Sequence[int]) -> str:
    """Versions in order as a short text.

    >>> _as_ranges([1, 2, 3, 7])
    '1-3,7'
    """
    ranges: list[list[int]] = []
    for version in versions:
        if ranges and ranges[-1][1] == version - 1:
            ranges[-1][1] = version
        else:
            ranges.append([version, version])
    return ",".join(f"{a}" if a == b else f"{a}-{b}" for a, b in ranges)


def _from_ranges(text: str) -> list[int]:
    """The versions of a text that ``_as_ranges`` made.

    >>> _from_ranges("1-3,7")
    [1, 2, 3, 7]
    """
    found: list[int] = []
    for part in text.split(",") if text else ():
        first, _, last = part.partition("-")
        found += range(int(first), int(last or first) + 1)
    return found
