"""Events of a history, such as an issued batch or a corrected run, kept in the commits of its log.

An event is part of the commit that it belongs to: a correction and the corrected run are stored in
one step, and so is an issued batch and the version that it raises. Each commit also names the
earlier commits that hold events, so that reading all events opens only these. A commit of another
program does not name them; the reader then looks at the commit before it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import pyarrow.fs as pa_fs

from optimizer.history.storage.log_hashes import LOG, read_file

EVENTS, EARLIER = "highside.events", "highside.event_versions"
"""Keys of a commit's metadata: its own events, and the earlier versions that have events."""


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


def noted(filesystem: pa_fs.FileSystem, version: int, events: Sequence[Event]) -> dict[str, str]:
    """The metadata of a commit that follows a version and holds events.

    Args:
        filesystem: file system whose root is the table.
        version: the version that the commit follows, or whose state it restores; -1 for none.
        events: events of the commit; there may be none.

    Raises:
        OSError, pyarrow.ArrowException, ValueError: when a commit cannot be read.
    """
    found = {EARLIER: _as_ranges(versions_with_events(filesystem, version))}
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


def versions_with_events(filesystem: pa_fs.FileSystem, version: int) -> list[int]:
    """The versions up to ``version`` whose events count there, in order.

    Raises:
        OSError, pyarrow.ArrowException, ValueError: when a commit cannot be read.
    """
    later: list[int] = []
    while version >= 0:
        try:
            metadata = _metadata(filesystem, version)
        except FileNotFoundError:  # another program removed old commits, which named no events
            break
        if EVENTS in metadata:
            later.append(version)
        if EARLIER in metadata:
            return [*_from_ranges(metadata[EARLIER]), *reversed(later)]
        version -= 1
    return later[::-1]


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
