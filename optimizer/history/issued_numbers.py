"""Which batches were issued, which of them may be open, and what was read, without their plans.

A season issues thousands of plans of tens of kilobytes each, and few of them are open. What is said
here follows from the small parts of the events and a few columns of the runs.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.issued import (
    AFTER,
    CLOSED,
    ISSUED,
    RESTORED,
    SKIPPED,
    WITHDRAWN,
    batch_about,
)
from optimizer.history.snapshot import Snapshot
from optimizer.history.storage.event_log import Event
from optimizer.plant.run_columns import EVEN
from optimizer.text.trial_numbers import id_of_batch, id_of_trial

ORDERS = "orders"
"""Key of an issued event for the orders of its trials; those of older programs have only a plan."""


def issued_ids(snapshot: Snapshot, line: str | None = None) -> tuple[str, ...]:
    """The ids of the batches of a line, of all lines when None, in the order of their issue."""
    return tuple(event.about["batch"] for event in _issued(snapshot, line))


def unsettled_ids(snapshot: Snapshot, line: str) -> list[str]:
    """The ids of the open batches of a line, in the order of their issue.

    A batch is open as ``IssuedBatch`` says: nobody closed it, and it has a trial that has no result
    and was not skipped.
    """
    issued = _issued(snapshot, line)
    named = {event.about["batch"] for event in issued}
    by_hand, last = set(), {}
    for event in snapshot.events:
        if event.what not in (CLOSED, *AFTER) or batch_about(event) not in named:
            continue
        if event.what == CLOSED:
            by_hand.add(event.about["batch"])
        elif event.what != WITHDRAWN:
            last[event.about.get("trial")] = event.what
        elif event.about.get("line", line) == line:
            last[event.about["run_id"]] = event.what
    left = [event for event in issued if event.about["batch"] not in by_hand]
    waiting = [(batch, t) for batch, t in _trials(left) if last.get(t) != SKIPPED]
    have = _ids_of_runs(snapshot, line)
    done = pc.is_in(pa.array([t for _, t in waiting], pa.string()), value_set=have).to_pylist()
    still = {batch for (batch, _), is_done in zip(waiting, done, strict=True) if not is_done}
    return [event.about["batch"] for event in left if event.about["batch"] in still]


def readings_before(
    snapshot: Snapshot, line: str | None, batch: str
) -> dict[str, list[dict[str, Any]]]:
    """The readings on an even deck of the batches of a line, of all lines when None, that were
    issued before one of them, in the order of their trials.

    Returns:
        By line, rows with ``run_id``, ``grade`` and ``recovery``.
    """
    all_issued = _issued(snapshot, line)
    issued = all_issued[: [event.about["batch"] for event in all_issued].index(batch)]
    found: dict[str, list[dict[str, Any]]] = {}
    for each in {event.about["line"] for event in issued}:
        own = [event for event in issued if event.about["line"] == each]
        place = {trial: k for k, (_, trial) in enumerate(_trials(own))}
        names = ["run_id", "grade", "recovery", "deck_state"]
        rows = []
        for part in snapshot.batches(names, [each]):
            ours = pc.is_in(part["run_id"], value_set=pa.array(list(place), pa.string()))
            rows += part.filter(ours).to_pylist()
        even = [row for row in rows if row.pop("deck_state") in (None, EVEN)]
        found[each] = sorted(even, key=lambda row: place[row["run_id"]])
    return found


def highest_numbers(events: Iterable[Event]) -> dict[str, int]:
    """The highest number of a batch that was ever issued on each line, by line.

    Args:
        events: the events of a version of the history. Those that restored an earlier version
            state the numbers of before.
    """
    found: dict[str, int] = {}
    for event in events:
        given = event.about["numbers"] if event.what == RESTORED else {}
        if event.what == ISSUED:
            given = {event.about["line"]: event.about["number"]}
        for line, number in given.items():
            found[line] = max(number, found.get(line, 0))
    return found


def next_number(snapshot: Snapshot, line: str) -> int:
    """The number of the next batch of a line.

    A number is given once: also one of a batch that a restored version does not have, since its
    sheet may lie at the deck. A number is passed over when a run of the line already has an id as a
    trial of that batch would have: the run would be taken for a result of the trial.
    """
    number = highest_numbers(snapshot.events).get(line, 0) + 1
    ids = _ids_of_runs(snapshot, line)
    while pc.any(pc.starts_with(ids, f"{id_of_batch(line, number)}.")).as_py():
        number += 1
    return number


def _issued(snapshot: Snapshot, line: str | None) -> list[Event]:
    issued = (event for event in snapshot.events if event.what == ISSUED)
    return [event for event in issued if line in (None, event.about["line"])]


def _trials(issued: Iterable[Event]) -> Iterator[tuple[str, str]]:
    """Ids of the batch and of the trial, for each trial of issued batches in its order."""
    for event in issued:
        orders = event.about.get(ORDERS)
        if orders is None:
            orders = sorted(each["order"] for each in event.about["plan"]["recommendations"])
        for order in orders:
            yield event.about["batch"], id_of_trial(event.about["batch"], order)


def _ids_of_runs(snapshot: Snapshot, line: str) -> pa.ChunkedArray:
    parts = [part["run_id"] for part in snapshot.batches(["run_id"], [line])]
    return pa.chunked_array(parts, pa.string()).combine_chunks()
