"""The command ``batch``: what was issued, and changes of the state of its trials.

Everything that happens to a batch is an event in a commit of the history. An event is stored only
on the version on which it was checked; when other commits come first, it is checked again.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

import pyarrow as pa

from optimizer.campaign import (
    Batch,
    Batches,
    Lesson,
    batch_of,
    batches_of,
    told_in_turn,
)
from optimizer.errors import InputError, Overtaken
from optimizer.history.issued import (
    CLOSED,
    REOPENED,
    RUNNING,
    SKIPPED,
    SKIPPED_STATE,
    STARTED,
    TO_RUN,
    IssuedBatch,
    IssuedTrial,
    batches_in_turn,
    find_batch,
    find_trial,
)
from optimizer.history.issued_numbers import readings_before
from optimizer.history.snapshot import Snapshot, snapshot_of
from optimizer.history.storage.event_log import Event
from optimizer.plant.site import Site
from optimizer.text.figures import percent

if TYPE_CHECKING:
    from optimizer.history.history import History

    Progress = Callable[[str], None]

TRIES = 20
"""Number of times that an event is stored again when other commits come first."""
LONGEST_PAUSE = 0.2
"""Longest random wait in seconds before the next try."""


def batch(history: History | Snapshot, batch_id: str, site: Site | None = None) -> Batch:
    """The state of an issued batch.

    Args:
        history: the history, whose latest version is used; or one version of it (``History.at``).
        batch_id: id of the batch, such as ``deck-1-7``.
        site: the plant, in whose units settings are returned; None for the defaults.

    Raises:
        InputError: when there is no such batch; the message names the nearest.
    """
    return batch_of(find_batch(snapshot_of(history), batch_id, site or Site()))


def batches(
    history: History | Snapshot, site: Site | None = None, line: str | None = None
) -> Batches:
    """All issued batches, in the order of their issue, and what the finished ones taught.

    Args:
        history, site: as of ``batch``.
        line: name of the only line whose batches are returned; all lines when None.
    """
    site = site or Site()
    return batches_of(batches_in_turn(snapshot_of(history), site, line), site)


def told_batches(
    snapshot: Snapshot, site: Site, line: str | None, only: Sequence[str] = ()
) -> Iterator[tuple[Batch, Lesson]]:
    """What ``batches`` answers, one by one, so that not all plans are in memory at once; of
    ``only``, ids in the order of their issue, where they are given."""
    before = readings_before(snapshot, line, only[0]) if only else {}
    return told_in_turn(batches_in_turn(snapshot, site, line, only or None), site, before)


def start_trial(
    history: History, trial: str, site: Site | None = None, *, by: str | None = None
) -> Batch:
    """Says that a trial is being run now.

    Args:
        history, site: as of ``batch``.
        trial: id of the trial, such as ``deck-1-7.2``.
        by: who says so; None where that is not known.

    Returns:
        The batch of the trial.

    Raises:
        InputError: when there is no such trial, or it is not to run.
    """
    return _change(history, trial, site, Event(STARTED, history.clock(), by, {}))


def skip_trial(
    history: History, trial: str, reason: str, site: Site | None = None, *, by: str | None = None
) -> Batch:
    """Says that a trial will not be run; later plans no longer wait for it.

    Args:
        history, trial, site, by: as of ``start_trial``.
        reason: why it is skipped.

    Raises:
        InputError: when there is no such trial, it is not to run, or there is no reason.
    """
    if not reason.strip():
        raise InputError(
            f"trial '{trial}' is skipped without a reason.",
            code="no-reason",
            hint="Give it with --reason TEXT.",
        )
    event = Event(SKIPPED, history.clock(), by, {"reason": reason.strip()})
    return _change(history, trial, site, event)


def reopen_trial(
    history: History, trial: str, site: Site | None = None, *, by: str | None = None
) -> Batch:
    """Says that a trial that was skipped or started is to run after all.

    Arguments, answer and errors are those of ``start_trial``.
    """
    return _change(history, trial, site, Event(REOPENED, history.clock(), by, {}))


def close_batch(
    history: History, batch_id: str, site: Site | None = None, *, by: str | None = None
) -> Batch:
    """Closes a batch: no result is expected of it any more.

    Args:
        history, batch_id, site: as of ``batch``.
        by: who closes it; None where that is not known.

    Raises:
        InputError: when there is no such batch, or it is closed.
    """
    event = Event(CLOSED, history.clock(), by, {"batch": batch_id})

    def checked(snapshot: Snapshot) -> Event:
        found = find_batch(snapshot, batch_id)
        if found.closed_at is not None:
            raise closed(found)
        return event

    _store(history, checked)
    return batch(history, batch_id, site)


def trial_to_record(
    snapshot: Snapshot, trial: str, site: Site | None = None
) -> tuple[IssuedBatch, IssuedTrial]:
    """The trial whose result is to be recorded, and its batch.

    A result of a skipped trial is accepted, since it was run after all.

    Raises:
        InputError: when there is no such trial (code ``unknown-trial``), it has a result
            (``trial-has-result``), or its batch was closed by hand (``batch-closed``).
    """
    found, one = find_trial(snapshot, trial, site)
    if one.has_result:
        raise has_result(one)
    if found.closed_by_hand_at is not None:
        raise closed(found)
    return found, one


def has_result(trial: IssuedTrial) -> InputError:
    """The error for a trial that has its result already; it says what is there."""
    run = trial.run or {}
    said = [f"{name} {percent(run[name])} %" for name in ("grade", "recovery") if run.get(name)]
    said += [f"deck {run['deck_state']}"] if run.get("deck_state") else []
    said += [f"started {run['started_at']:%Y-%m-%d %H:%M} UTC"] if run.get("started_at") else []
    return InputError(
        f"trial '{trial.trial}' has a result: {', '.join(said)}.",
        code="trial-has-result",
        hint=f"Correct it with: highside correct {trial.trial} --reason TEXT, with what is right; "
        "or record another run without --trial.",
    )


def closed(batch: IssuedBatch) -> InputError:
    """The error for a batch that is closed."""
    how = "by hand" if batch.closed_by_hand_at is not None else "since all its trials are settled"
    return InputError(
        f"batch '{batch.batch}' is closed: {how}, {batch.closed_at:%Y-%m-%d %H:%M} UTC.",
        code="batch-closed",
        hint="Record a run without --trial, or issue a new plan with: highside suggest --issue",
    )


def pause() -> None:
    """Waits a short random while, since another commit came first."""
    time.sleep(random.uniform(0.0, LONGEST_PAUSE))


# -- changing --------------------------------------------------------------------------------


def _change(history: History, trial: str, site: Site | None, event: Event) -> Batch:
    """Stores an event about a trial, if the trial is in a state that allows it."""
    name = ""

    def checked(snapshot: Snapshot) -> Event:
        nonlocal name
        found, one = find_trial(snapshot, trial)
        name = found.batch
        _check(event.what, found, one)
        about = {"batch": name, "trial": trial, "line": found.line, **event.about}
        return Event(event.what, event.at, event.by, about)

    _store(history, checked)
    return batch(history, name, site)


def _check(what: str, found: IssuedBatch, trial: IssuedTrial) -> None:
    """Refuses a change that the state of a trial does not allow."""
    if trial.has_result:
        raise has_result(trial)
    if found.closed_by_hand_at is not None:
        raise closed(found)
    allowed = {
        STARTED: (TO_RUN,),
        SKIPPED: (TO_RUN, RUNNING),
        REOPENED: (RUNNING, SKIPPED_STATE),
    }
    if trial.state in allowed[what]:
        return
    why = f" ({trial.reason})" if trial.reason else ""
    hint = ""
    if trial.state == SKIPPED_STATE and what == STARTED:
        hint = f"Reopen it first with: highside batch --reopen {trial.trial}"
    raise InputError(
        f"trial '{trial.trial}' cannot be {what}: it is {trial.state}{why}.",
        code="trial-state",
        hint=hint,
    )


def _store(history: History, checked: Callable[[Snapshot], Event]) -> int:
    """Stores an event on the version on which it was checked.

    Args:
        history: the run history.
        checked: checks a snapshot and returns the event; raises when the event is not allowed.
    """
    for left in reversed(range(TRIES)):
        snapshot = history.at()
        event = checked(snapshot)
        try:
            return history.note([event], snapshot.version, pa.schema([]))
        except Overtaken:
            if not left:
                raise
            pause()
    raise AssertionError("the last try answers or raises")
