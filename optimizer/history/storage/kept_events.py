"""Events of a history in a folder, each commit read once in a process.

A commit never changes, and every load needs the events before it: with ten thousand issued plans,
reading them anew would take seconds. So they are kept, but without their large parts (an issued
plan has tens of kilobytes), which are read again when somebody asks for them.
"""

from __future__ import annotations

import json
import os
from collections import OrderedDict
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import lru_cache, partial
from pathlib import Path
from typing import Any

import pyarrow.fs as pa_fs

from optimizer.errors import HistoryError, reason_of
from optimizer.history.storage.event_log import (
    Event,
    commit_path,
    events_in,
    named_at,
    versions_with_events,
)

LARGE = 500
"""Number of characters of JSON from which on a part of an event is not kept."""
MOST_HISTORIES = 4
"""Largest number of histories whose events a process keeps; the one that was not asked for the
longest time is dropped first."""
WHOLE = 16
"""Largest number of commits that are kept with the large parts of their events."""

NAMED = 1024
"""Largest number of commits of which it is kept which earlier ones they name."""

Stamp = tuple[int, int, int]
"""What tells one file of a name from another: inode, size, and time of change."""

_KEPT: OrderedDict[str, dict[int, tuple[Stamp, tuple[Event, ...]]]] = OrderedDict()


class About(Mapping[str, Any]):
    """What an event is about; its large parts are read from the commit when they are asked for.

    Args:
        small: the parts that are kept.
        large: names of the others.
        path: the commit.
        place: number of the event among those of the commit.
    """

    def __init__(
        self, small: Mapping[str, Any], large: tuple[str, ...], path: str, place: int
    ) -> None:
        self._small = dict(small)
        self._large = large
        self._path = path
        self._place = place

    def __getitem__(self, name: str) -> Any:
        if name in self._large:
            return _whole(self._path, _stamp(self._path))[self._place].about[name]
        return self._small[name]

    def __iter__(self) -> Iterator[str]:
        yield from self._small
        yield from self._large

    def __len__(self) -> int:
        return len(self._small) + len(self._large)

    def __eq__(self, other: object) -> bool:
        return self is other or (isinstance(other, Mapping) and dict(self) == dict(other))

    __hash__ = None  # type: ignore[assignment]


def kept_events(folder: Path, version: int) -> tuple[Event, ...]:
    """All events of a history in a folder at a version, oldest first.

    Raises:
        OSError, pyarrow.ArrowException, ValueError: when a commit cannot be read.
    """
    root = str(folder.resolve())
    filesystem = pa_fs.SubTreeFileSystem(root, pa_fs.LocalFileSystem())
    kept = _KEPT.setdefault(root, {})
    _KEPT.move_to_end(root)
    while len(_KEPT) > MOST_HISTORIES:
        _KEPT.popitem(last=False)
    found: list[Event] = []
    for held in versions_with_events(filesystem, version, partial(_named, root)):
        path = f"{root}/{commit_path(held)}"
        stamp = _stamp(path)
        if held not in kept or kept[held][0] != stamp:
            kept[held] = stamp, tuple(_light(events_in(filesystem, held), path))
        found += kept[held][1]
    return tuple(found)


def _named(root: str, filesystem: pa_fs.FileSystem, version: int) -> tuple[int, list[int]]:
    """What ``named_at`` answers, kept for commits that go on in an earlier one."""
    path = f"{root}/{commit_path(version)}"
    if not os.path.exists(path):
        return named_at(filesystem, version)
    return _named_once(root, version, _stamp(path))


@lru_cache(maxsize=NAMED)
def _named_once(root: str, version: int, _: Stamp) -> tuple[int, list[int]]:
    return named_at(pa_fs.SubTreeFileSystem(root, pa_fs.LocalFileSystem()), version)


def _light(events: tuple[Event, ...], path: str) -> Iterator[Event]:
    """Events without their large parts."""
    for place, event in enumerate(events):
        large = tuple(name for name, part in event.about.items() if _is_large(part))
        if not large:
            yield event
            continue
        small = {name: part for name, part in event.about.items() if name not in large}
        yield replace(event, about=About(small, large, path, place))


def _is_large(part: Any) -> bool:
    return isinstance(part, dict | list | str) and len(json.dumps(part)) >= LARGE


@lru_cache(maxsize=WHOLE)
def _whole(path: str, _: Stamp) -> tuple[Event, ...]:
    """The events of a commit with all their parts."""
    folder, name = os.path.split(path)
    root = pa_fs.SubTreeFileSystem(os.path.dirname(folder), pa_fs.LocalFileSystem())
    try:
        return events_in(root, int(name.partition(".")[0]))
    except (OSError, ValueError, KeyError) as error:
        raise _damaged(path, error) from None


def _stamp(path: str) -> Stamp:
    try:
        found = os.stat(path)
    except OSError as error:
        raise _damaged(path, error) from None
    return found.st_ino, found.st_size, found.st_mtime_ns


def _damaged(path: str, error: Exception) -> HistoryError:
    return HistoryError(
        f"'{path}' cannot be read: {reason_of(error)}.",
        code="damaged-history",
        hint="'highside history --verify' finds what is damaged.",
    )
