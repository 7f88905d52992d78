"""Issued batches: what the events and the runs of a snapshot say of every trial that was issued.

A batch is the plan that people run; its id and those of its trials are made by
``text.trial_numbers``. The result of a trial is the run of the same line whose ``run_id`` is the
trial's id. Nothing here is stored: the state of
a batch at any version follows from the events and the runs of that version.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal, TypeVar

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.errors import InputError, nearest
from optimizer.history.snapshot import Snapshot
from optimizer.history.storage.event_log import Event
from optimizer.plant.run_columns import EVEN
from optimizer.plant.settings import SettingSpace
from optimizer.plant.site import Site
from optimizer.plant.units import as_typed, scaled, unit_factor
from optimizer.text.trial_numbers import batch_of_trial, id_of_trial, line_of_batch

T = TypeVar("T")
ISSUED, STARTED, SKIPPED, REOPENED, CLOSED = "issued", "started", "skipped", "reopened", "closed"
"""Kinds of event that make a batch and change its state."""
RESTORED = "restored"
"""Kind of event that made an earlier version the current one."""
WITHDRAWN = "withdrawn"
"""Kind of event after which a trial whose run is gone is to run again."""

State = Literal["to run", "running", "done", "failed", "skipped"]
TO_RUN: State = "to run"
RUNNING: State = "running"
DONE: State = "done"
FAILED: State = "failed"
SKIPPED_STATE: State = "skipped"

AFTER: Mapping[str, State] = {
    STARTED: RUNNING,
    SKIPPED: SKIPPED_STATE,
    REOPENED: TO_RUN,
    WITHDRAWN: TO_RUN,
}
"""State of a trial without a result after an event about it."""


@dataclass(frozen=True)
class IssuedTrial:
    """One trial of an issued batch.

    Attributes:
        trial: id of the trial, and of the run that is its result.
        order, rank: position in which to run it, and rank in the plan.
        planned: settings as planned, by name, in the units of the batch.
        expected: grade and recovery as the plan expected them, each with ``mean``, ``low`` and
            ``high``.
        state: what became of it.
        run: columns and values of its run; None without a result.
        settings: names of the settings of the run.
        reason: why it was skipped; None where it was not.
        withdrawn: why its result was withdrawn, so that it is to run again; None where it was not.
        changed_at: when its state was last changed by hand; None when it never was.
    """

    trial: str
    order: int
    rank: int
    planned: Mapping[str, float]
    expected: Mapping[str, Mapping[str, float | None]]
    state: State
    run: Mapping[str, Any] | None = None
    settings: tuple[str, ...] = ()
    reason: str | None = None
    withdrawn: str | None = None
    changed_at: datetime | None = None

    @property
    def has_result(self) -> bool:
        """Whether its run is in the history."""
        return self.run is not None

    @property
    def settled(self) -> bool:
        """Whether nothing more is expected of it: it has a result or was skipped."""
        return self.state in (DONE, FAILED, SKIPPED_STATE)

    @property
    def as_run(self) -> dict[str, float] | None:
        """Settings as they were run; None without a result."""
        if self.run is None:
            return None
        return {name: self.run[name] for name in self.settings if self.run[name] is not None}


@dataclass(frozen=True)
class IssuedBatch:
    """An issued plan, and the state of its trials.

    A batch is open until someone closes it by hand or until every trial has a result or was
    skipped. A batch that was complete opens again when a run is withdrawn or a skipped trial is
    reopened; one that was closed by hand stays closed.

    Attributes:
        batch, line, number: id of the batch, its line, and its number on that line.
        issued_at, issued_by: when and by whom it was issued.
        version: version of the history that holds the batch.
        brief, plan: the brief and the plan (``highside.plan/1``) as they were issued.
        today: the conditions on the day of issue, as a sheet shows them.
        noise: standard deviations of one reading of grade and recovery that states no error, as
            fractions, by order of the trial; empty where the plan had no model.
        units: unit of each planned setting.
        trials: the trials in the order in which to run them.
        closed_by_hand_at: when it was closed by hand; else None.
    """

    batch: str
    line: str
    number: int
    issued_at: datetime
    issued_by: str | None
    version: int | None
    brief: Mapping[str, Any]
    plan: Mapping[str, Any]
    today: Mapping[str, Any]
    noise: Mapping[str, Mapping[str, float]]
    units: Mapping[str, str]
    trials: tuple[IssuedTrial, ...]
    closed_by_hand_at: datetime | None = None

    @property
    def complete(self) -> bool:
        """Whether every trial has a result or was skipped."""
        return all(trial.settled for trial in self.trials)

    @property
    def is_open(self) -> bool:
        """Whether results are still expected."""
        return self.closed_by_hand_at is None and not self.complete

    @property
    def closed_at(self) -> datetime | None:
        """When it was closed; None while it is open.

        The history does not state when a run was stored. So a complete batch was closed at the
        latest of these moments: its issue, the starts of its runs, and the changes of its trials.
        """
        if self.closed_by_hand_at is not None or not self.complete:
            return self.closed_by_hand_at
        starts = [t.run["started_at"] for t in self.trials if t.run is not None]
        changes = [t.changed_at for t in self.trials if t.run is None]
        return max(moment for moment in (self.issued_at, *starts, *changes) if moment is not None)

    @property
    def pending(self) -> tuple[IssuedTrial, ...]:
        """Trials that may still be run: those of an open batch that are not settled."""
        return tuple(t for t in self.trials if not t.settled) if self.is_open else ()


def issued_batches(
    snapshot: Snapshot,
    site: Site | None = None,
    line: str | None = None,
    only: Collection[str] | None = None,
) -> tuple[IssuedBatch, ...]:
    """The issued batches of a snapshot, in the order in which they were issued.

    Args:
        snapshot: the history at a version.
        site: the plant, in whose units settings are returned; when None, planned settings are in
            the units of their plan and runs in stored units.
        line: name of the only line whose batches are returned; all lines when None.
        only: ids of the only batches that are returned; all of them when None.

    Raises:
        HistoryError: when events or runs cannot be read.
    """
    return tuple(batches_in_turn(snapshot, site, line, only))


def batches_in_turn(
    snapshot: Snapshot,
    site: Site | None = None,
    line: str | None = None,
    only: Collection[str] | None = None,
) -> Iterator[IssuedBatch]:
    """The batches of ``issued_batches`` one by one, so that not all plans are in memory at once."""
    events = snapshot.events
    issued = [e for e in events if _issues(e) and line in (None, e.about["line"])]
    issued = [e for e in issued if only is None or e.about["batch"] in only]
    if not issued:
        return
    runs = _runs(snapshot, site, issued)
    about: defaultdict[str, list[Event]] = defaultdict(list)
    for event in events:
        about[batch_about(event)].append(event)
    for event in issued:
        own = [e for e in about[event.about["batch"]] if _is_about(e, event.about)]
        yield _batch(event, own, runs, site)


def find_batch(snapshot: Snapshot, batch: str, site: Site | None = None) -> IssuedBatch:
    """The issued batch of an id.

    Raises:
        InputError: when there is no such batch; the hint names the nearest.
    """
    found = issued_batches(snapshot, site, line_of_batch(batch), [batch])
    if not found:
        raise unknown("batch", batch, [e.about["batch"] for e in snapshot.events if _issues(e)])
    return found[-1]


def find_trial(
    snapshot: Snapshot, trial: str, site: Site | None = None
) -> tuple[IssuedBatch, IssuedTrial]:
    """The issued trial of an id, and its batch.

    Raises:
        InputError: when there is no such trial; the hint names the nearest.
    """
    issued = batch_of_trial(trial)
    for batch in issued_batches(snapshot, site, line_of_batch(issued), [issued]):
        for each in batch.trials:
            if each.trial == trial:
                return batch, each
    known = [
        id_of_trial(e.about["batch"], r["order"])
        for e in snapshot.events
        if _issues(e)
        for r in e.about["plan"]["recommendations"]
    ]
    raise unknown("trial", trial, known)


def unknown(kind: str, given: str, known: Sequence[str]) -> InputError:
    """The error for a batch or a trial that was never issued."""
    hint = nearest(given, known[-200:]) if known else "Issue a plan with: highside suggest --issue"
    return InputError(f"there is no {kind} '{given}'.", code=f"unknown-{kind}", hint=hint)


def in_units(
    settings: Mapping[str, float], units: Mapping[str, str], site: Site, line: str
) -> tuple[dict[str, float], dict[str, str]]:
    """Planned settings in the units that the site declares now, and these units.

    A setting that the site no longer has, or whose unit cannot be converted, is returned as it was
    planned. One that has gates by now is returned gate by gate.
    """
    space, values = site.space_of(line), {}
    settings, units = _at_gates(settings, space), _at_gates(units, space)
    found = dict(units)
    for name, value in settings.items():
        values[name] = value
        if name not in space.names or units.get(name, "") == space[name].unit:
            continue
        try:
            by = unit_factor(units[name], space[name].unit)
        except (InputError, KeyError):
            continue
        values[name] = float(as_typed(scaled(np.array([value]), by))[0])
        found[name] = space[name].unit
    return values, found


def _at_gates(values: Mapping[str, T], space: SettingSpace) -> dict[str, T]:
    """Values by name, with that of a whole setting at each of its gates."""
    found: dict[str, T] = {}
    for name, value in values.items():
        found |= dict.fromkeys([space.names[j] for j in space.gates.get(name, ())] or [name], value)
    return found


def _issues(event: Event) -> bool:
    return event.what == ISSUED


def batch_about(event: Event) -> str:
    """Id of the batch that an event may be about; empty where it is about none."""
    if event.what == WITHDRAWN:
        return batch_of_trial(str(event.about.get("run_id", "")))
    return str(event.about.get("batch", ""))


def _is_about(event: Event, issued: Mapping[str, Any]) -> bool:
    """Whether an event with the id of a batch is about it or one of its trials."""
    if event.what == WITHDRAWN:
        return bool(event.about.get("line", issued["line"]) == issued["line"])
    return event.what != ISSUED


def _runs(
    snapshot: Snapshot, site: Site | None, issued: Iterable[Event]
) -> dict[tuple[str, str], dict[str, Any]]:
    """The runs that are results of issued trials, by line and run id."""
    batches = pa.array([e.about["batch"] for e in issued], pa.string())
    lines = sorted({e.about["line"] for e in issued})
    runs = snapshot.runs(site, lines)
    of = pc.replace_substring_regex(runs["run_id"], r"\.[^.]*$", "")
    mine = runs.filter(pc.is_in(of, batches))
    return {(row["line"], row["run_id"]): row for row in mine.to_pylist()}


def _batch(
    event: Event,
    own: Sequence[Event],
    runs: Mapping[tuple[str, str], Mapping[str, Any]],
    site: Site | None,
) -> IssuedBatch:
    about = event.about
    plan, line = about["plan"], about["line"]
    units = plan["units"]
    trials = []
    for each in sorted(plan["recommendations"], key=lambda each: each["order"]):
        trial = _trial(id_of_trial(about["batch"], each["order"]), each, own, plan["units"])
        if site is not None:
            planned = in_units(trial.planned, plan["units"], site, line)
            trial = replace(trial, planned=planned[0], settings=site.space_of(line).names)
            units = planned[1]
        run = runs.get((line, trial.trial))
        trials.append(trial if run is None else _with_run(trial, run))
    closed = next((e.at for e in own if e.what == CLOSED), None)
    return IssuedBatch(
        batch=about["batch"],
        line=line,
        number=about["number"],
        issued_at=event.at,
        issued_by=event.by,
        version=event.version,
        brief=about["brief"],
        plan=plan,
        today=about["today"],
        noise=about["noise"],
        units=units,
        trials=tuple(trials),
        closed_by_hand_at=closed,
    )


def _trial(
    trial: str, planned: Mapping[str, Any], own: Sequence[Event], units: Mapping[str, str]
) -> IssuedTrial:
    """A trial in the state in which the events leave it."""
    last = next((e for e in reversed(own) if _changes(e, trial)), None)
    why = {} if last is None else {last.what: last.about.get("reason")}
    return IssuedTrial(
        trial=trial,
        order=planned["order"],
        rank=planned["rank"],
        planned=planned["settings"],
        expected={name: planned[name] for name in ("grade", "recovery")},
        state=TO_RUN if last is None else AFTER[last.what],
        settings=tuple(units),
        reason=why.get(SKIPPED),
        withdrawn=why.get(WITHDRAWN),
        changed_at=None if last is None else last.at,
    )


def _changes(event: Event, trial: str) -> bool:
    about = event.about.get("run_id" if event.what == WITHDRAWN else "trial")
    return event.what in AFTER and about == trial


def _with_run(trial: IssuedTrial, run: Mapping[str, Any]) -> IssuedTrial:
    state = DONE if run["deck_state"] in (None, EVEN) else FAILED
    known = tuple(name for name in trial.settings if name in run)
    return replace(trial, state=state, run=run, settings=known, reason=None, withdrawn=None)
