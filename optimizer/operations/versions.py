"""Versions of a history beside each other: what restoring one would change, and since when a run is
known."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.changes import withdrawn_runs
from optimizer.history.issued import ISSUED
from optimizer.history.start_times import unmarked

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from optimizer.history.history import History
    from optimizer.history.snapshot import Snapshot

    Mask = NDArray[np.bool_]

PLACE = ("line", "run_id")


@dataclass(frozen=True)
class Difference:
    """What would change if a version became the current one.

    Attributes:
        version, latest: numbers of the version and of the current one.
        gone, back, changed: the runs that would be there no longer, again, and with other values;
            columns ``line`` and ``run_id``, sorted.
        batches_gone, batches_back: ids of batches that would be issued no longer, and again.
        events_gone: number of events that would count no longer, by kind.
    """

    version: int
    latest: int
    gone: pa.Table
    back: pa.Table
    changed: pa.Table
    batches_gone: tuple[str, ...]
    batches_back: tuple[str, ...]
    events_gone: Mapping[str, int]

    @property
    def nothing(self) -> bool:
        """Whether the version holds the same runs, and the same happened up to it."""
        runs = (self.gone, self.back, self.changed)
        return not (any(map(len, runs)) or self.batches_back or self.events_gone)


def what_restoring_changes(history: History, version: int) -> Difference:
    """What would change if an earlier version became the current one; nothing is written.

    Args:
        history: the run history, which is not empty.
        version: number of the earlier version.

    Raises:
        InputError: when there is no such version.
        HistoryError: when one of the two versions cannot be read.
    """
    then, now = history.at(version), history.at()
    assert then.version is not None
    assert now.version is not None
    old, new = unmarked(then.runs()), unmarked(now.runs())
    old_places, new_places = _places(old), _places(new)
    at = pc.index_in(old_places, new_places)
    known = np.asarray(at.is_valid())
    common = old.filter(pa.array(known))
    differs = _differs(common, new.take(at.drop_null()))
    # The events of a commit stand or fall together.
    kept = {event.version for event in then.events}
    undone = [event for event in now.events if event.version not in kept]
    return Difference(
        then.version,
        now.version,
        gone=_named(new.filter(pc.invert(pc.is_in(new_places, old_places)))),
        back=_named(old.filter(pa.array(~known))),
        changed=_named(common.filter(pa.array(differs))),
        batches_gone=_batches_missing(now, then),
        batches_back=_batches_missing(then, now),
        events_gone=dict(sorted(Counter(event.what for event in undone).items())),
    )


def first_version(history: History, line: str, run_id: str, latest: int) -> int:
    """The version with which a run came into the history, which has it at ``latest``.

    A withdrawn run counts as known. Where a run went and came again by a restored version, one of
    the versions with which it came is returned.

    Args:
        history: the run history.
        line, run_id: the run.
        latest: a version at which it is known.

    Raises:
        HistoryError: when a version cannot be read.
    """
    low, high = 0, latest
    while low < high:
        middle = (low + high) // 2
        if _knows(history.at(middle), line, run_id):
            high = middle
        else:
            low = middle + 1
    return low


def _knows(snapshot: Snapshot, line: str, run_id: str) -> bool:
    for batch in snapshot.batches(["run_id"], [line]):
        if pc.any(pc.equal(batch.column("run_id"), run_id)).as_py():
            return True
    return (line, run_id) in withdrawn_runs(snapshot.events)


def _places(runs: pa.Table) -> pa.Array:
    """Line and id of each run as one text."""
    parts = [runs[name].combine_chunks().cast(pa.string()) for name in PLACE]
    return pc.binary_join_element_wise(*parts, "\0")


def _named(runs: pa.Table) -> pa.Table:
    return runs.select(PLACE).sort_by([(name, "ascending") for name in PLACE])


def _differs(before: pa.Table, after: pa.Table) -> Mask:
    """Whether runs differ in any column; row k of both tables is the same run. Shape (n,)."""
    found = np.zeros(len(before), bool)
    for name in dict.fromkeys([*before.column_names, *after.column_names]):
        sides = [table[name] for table in (before, after) if name in table.column_names]
        if len(sides) == 1:  # a column that is younger than one of the versions
            found |= np.asarray(sides[0].is_valid())
            continue
        equal = pc.fill_null(pc.equal(*sides), False)
        both_empty = pc.and_(sides[0].is_null(), sides[1].is_null())
        found |= ~np.asarray(pc.or_(equal, both_empty))
    return found


def _batches_missing(snapshot: Snapshot, other: Snapshot) -> tuple[str, ...]:
    """Ids of the batches that one snapshot has and the other lacks, in the order of issue."""
    has = {event.about["batch"] for event in other.events if event.what == ISSUED}
    issued = (event.about["batch"] for event in snapshot.events if event.what == ISSUED)
    return tuple(batch for batch in issued if batch not in has)
