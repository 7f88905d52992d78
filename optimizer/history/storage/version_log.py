"""What each version of a history did, as its commit tells: runs added, events, files merged.

Only the commits of the versions that are asked for are read, newest first. A commit states how many
runs each of its files holds and, where all come from one log, the name of the log; only where they
come from several is the column of names read from the file.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Literal
from urllib.parse import unquote

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.fs as pa_fs
import pyarrow.parquet as pq

from optimizer.history.storage.event_log import EVENTS, Event
from optimizer.history.storage.log_hashes import LOG, read_file

Deed = Literal["loaded", "told", "merged", "declared", "other"]
SOURCE = "source"
"""Column with the name of the log from which a run was loaded."""
_LOST = (OSError, pa.ArrowException)


@dataclass(frozen=True)
class VersionEntry:
    """What one version did.

    Attributes:
        version: number of the version.
        at: when it was committed; None where the commit does not say.
        deed: ``loaded`` where runs were added, ``told`` where only events tell what was done,
            ``merged`` where small files were merged, ``declared`` where columns were added, and
            ``other`` for a commit of another program.
        events: the events of the commit.
        added: number of new runs by line, without those that an event put back.
        sources: number of new runs by name of their log; empty where that is not known.
        only: id of the new run where there is just one; None where there are several, or the commit
            does not say.
        operation: what the table format calls the commit.
    """

    version: int
    at: datetime | None
    deed: Deed
    events: tuple[Event, ...] = ()
    added: Mapping[str, int] = field(default_factory=dict)
    sources: Mapping[str, int] = field(default_factory=dict)
    only: str | None = None
    operation: str = ""


def version_entries(
    filesystem: pa_fs.FileSystem, latest: int, most: int, ours: str
) -> Iterator[VersionEntry]:
    """What the versions up to ``latest`` did, newest first.

    The entries end early where another program removed older commits.

    Args:
        filesystem: file system whose root is the table.
        latest: number of the newest version that is told.
        most: largest number of versions that are told.
        ours: key that the metadata of every commit of this program has.

    Raises:
        OSError, pyarrow.ArrowException, ValueError: when a commit cannot be read.
    """
    for version in range(latest, max(-1, latest - most), -1):
        try:
            content = read_file(filesystem, f"{LOG}/{version:020d}.json")
        except FileNotFoundError:
            return
        yield _entry(filesystem, version, [json.loads(line) for line in content.splitlines()], ours)


def _entry(
    filesystem: pa_fs.FileSystem, version: int, actions: Sequence[Mapping[str, Any]], ours: str
) -> VersionEntry:
    infos = [each["commitInfo"] for each in actions if "commitInfo" in each]
    stated: Mapping[str, Any] = infos[0] if infos else {}
    at = None
    if "timestamp" in stated:
        at = datetime.fromtimestamp(stated["timestamp"] / 1000, UTC)
    events = tuple(Event.from_dict(each, version) for each in json.loads(stated.get(EVENTS, "[]")))
    operation = str(stated.get("operation", ""))
    if operation == "RESTORE":  # names many files, which earlier versions added
        return VersionEntry(version, at, "told", events, operation=operation)
    adds = [each["add"] for each in actions if "add" in each]
    removes = [each["remove"] for each in actions if "remove" in each]
    if ours not in stated:
        return VersionEntry(version, at, "other", events, operation=operation)
    if adds and not any(each["dataChange"] for each in adds):
        return VersionEntry(version, at, "merged", events, operation=operation)
    added = _added(filesystem, adds, removes, events)
    if added:
        sources = {} if removes else _sources(filesystem, adds)
        only = None if removes else _only_run(adds)
        return VersionEntry(version, at, "loaded", events, added, sources, only, operation)
    return VersionEntry(version, at, "told" if events else "declared", events, operation=operation)


def _only_run(adds: Sequence[Mapping[str, Any]]) -> str | None:
    """The id of the run that a commit adds if it adds one."""
    if len(adds) != 1 or _runs_of(adds[0]) != 1:
        return None
    found = json.loads(adds[0]["stats"]).get("minValues", {}).get("run_id")
    return found if isinstance(found, str) else None


def _added(
    filesystem: pa_fs.FileSystem,
    adds: Sequence[Mapping[str, Any]],
    removes: Sequence[Mapping[str, Any]],
    events: Sequence[Event],
) -> dict[str, int]:
    """The number of new runs by line. A commit that changes runs writes the unchanged runs of their
    files again, which are not new."""
    found: Counter[str] = Counter()
    for each in adds:
        found[each["partitionValues"]["line"]] += _runs_of(each)
    for each in removes:
        found[each["partitionValues"]["line"]] -= _rows(filesystem, each)
    for event in events:
        found[event.about.get("line", "")] += {"withdrawn": 1, "reinstated": -1}.get(event.what, 0)
    return {line: count for line, count in sorted(found.items()) if count > 0}


def _runs_of(add: Mapping[str, Any]) -> int:
    return int(json.loads(add.get("stats") or "{}").get("numRecords", 0))


def _rows(filesystem: pa_fs.FileSystem, remove: Mapping[str, Any]) -> int:
    """The number of runs of a file that a commit removed from the table; the file stays."""
    with filesystem.open_input_file(unquote(remove["path"])) as file:
        return int(pq.read_metadata(file).num_rows)


def _sources(filesystem: pa_fs.FileSystem, adds: Sequence[Mapping[str, Any]]) -> dict[str, int]:
    """The number of runs by name of their log, as far as the files can still be read."""
    found: Counter[str] = Counter()
    for each in adds:
        stats = json.loads(each.get("stats") or "{}")
        ends = [stats.get(end, {}).get(SOURCE) for end in ("minValues", "maxValues")]
        if ends[0] is not None and ends[0] == ends[1] and not stats["nullCount"].get(SOURCE):
            found[ends[0]] += stats["numRecords"]
            continue
        try:
            with filesystem.open_input_file(unquote(each["path"])) as file:
                names = pq.read_table(file, columns=[SOURCE])[SOURCE]
        except (*_LOST, KeyError):
            continue
        for entry in pc.value_counts(names.drop_null()).to_pylist():
            found[entry["values"]] += entry["counts"]
    return dict(sorted(found.items()))
