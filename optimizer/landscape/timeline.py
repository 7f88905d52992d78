"""What happened to a line by date: batches issued and closed, runs changed or loaded, restores.

In come the events and loads of a snapshot and the batches of the line; out comes one ``Happening``
each, so that a change of the readings can be seen beside what was done at the time.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from optimizer.history.changes import changes_in
from optimizer.history.issued import RESTORED, IssuedBatch
from optimizer.history.snapshot import Snapshot
from optimizer.history.storage.event_log import Event
from optimizer.history.storage.version_log import VersionEntry
from optimizer.history.summary import iso
from optimizer.plant.time_zone import TimeZone
from optimizer.text.sentences import sentence

ISSUED, CLOSED, LOADED = "issued", "closed", "loaded"
"""Kinds of a happening, beside those of a change of a run."""


@dataclass(frozen=True)
class Happening:
    """Something that was done to a line or its history.

    Attributes:
        at: when it was done.
        what: ``issued``, ``closed``, ``corrected``, ``withdrawn``, ``reinstated``, ``loaded`` or
            ``restored``.
        said: one sentence that tells it.
        run_id: the run that was changed; None for other kinds.
        batch: the batch that was issued or closed; None for other kinds.
        version: the version of the history that it made; None where it made none.
    """

    at: datetime
    what: str
    said: str
    run_id: str | None = None
    batch: str | None = None
    version: int | None = None

    def as_dict(self, zone: TimeZone) -> dict[str, Any]:
        """JSON form; ``clock`` is the time that the clock of the plant showed."""
        return {
            "at": iso(self.at),
            "clock": f"{zone.clock(self.at):%Y-%m-%dT%H:%M}",
            "what": self.what,
            "said": self.said,
            "run_id": self.run_id,
            "batch": self.batch,
            "version": self.version,
        }


def timeline(
    snapshot: Snapshot, line: str, batches: Sequence[IssuedBatch]
) -> tuple[Happening, ...]:
    """What happened to a line up to a version, oldest first.

    Loads are those of the newest versions only (``Snapshot.loads``).

    Args:
        snapshot: the history at the version.
        line: name of the line.
        batches: the issued batches of the line at the version.

    Raises:
        HistoryError: when the log of the history cannot be read.
    """
    changed = (e for e in changes_in(snapshot.events) if e.about["line"] == line)
    found = [
        *_of_batches(batches),
        *map(_of_change, changed),
        *_of_loads(snapshot.loads(line), line),
        *(_of_restore(event) for event in snapshot.events if event.what == RESTORED),
    ]
    return tuple(sorted(found, key=lambda each: each.at))


def _of_batches(batches: Iterable[IssuedBatch]) -> Iterator[Happening]:
    for each in batches:
        count = len(each.trials)
        said = sentence("batch_issued", batch=each.batch, count=count)
        yield Happening(each.issued_at, ISSUED, said, batch=each.batch, version=each.version)
        if each.closed_at is not None:
            said = sentence("batch_closed", batch=each.batch)
            yield Happening(each.closed_at, CLOSED, said, batch=each.batch)


def _of_change(event: Event) -> Happening:
    run = event.about["run_id"]
    said = sentence(f"run_{event.what}", run=run, reason=event.about["reason"])
    return Happening(event.at, event.what, said, run_id=run, version=event.version)


def _of_restore(event: Event) -> Happening:
    said = sentence("version_restored", version=event.about["version"])
    return Happening(event.at, event.what, said, version=event.version)


def _of_loads(loads: Iterable[VersionEntry], line: str) -> Iterator[Happening]:
    for load in loads:
        if load.at is None:  # it has no place in time
            continue
        count = load.added[line]
        said = sentence("runs_added", version=load.version, count=count)
        yield Happening(load.at, LOADED, said, version=load.version)
