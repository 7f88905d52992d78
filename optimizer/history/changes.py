"""Corrected, withdrawn and reinstated runs: the events of a history that tell of them.

The event of a change holds the whole run before it (``before``, in stored units, without empty
values) and what it put in place (``after``: the changed values of a correction, the whole run of a
reinstatement, nothing of a withdrawal). So a change can be told, recognized in a log and undone
from the events alone.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from optimizer.history.description import description_of
from optimizer.history.schema import PROVENANCE, TIMESTAMP, in_schema, run_schema
from optimizer.history.snapshot import Snapshot
from optimizer.history.start_times import shown
from optimizer.history.storage.event_log import Event
from optimizer.history.stored_units import StoredUnits
from optimizer.history.summary import iso
from optimizer.plant.site import Site

CORRECTED, WITHDRAWN, REINSTATED = "corrected", "withdrawn", "reinstated"
KINDS = (CORRECTED, WITHDRAWN, REINSTATED)

Values = Mapping[str, Any]
"""Values of a run by column, as JSON."""
Place = tuple[str, str]
"""Line and id of a run."""

_KNOWN = run_schema((), ())


@dataclass(frozen=True)
class Change:
    """One change of one run.

    Attributes:
        at: when it was made.
        by: who made it; None where that is not known.
        run_id, line: the run.
        what: ``corrected``, ``withdrawn`` or ``reinstated``.
        reason: why it was made.
        before, after: the changed values before and after, in the site's units, as JSON; the whole
            run and nothing for a withdrawal, and the reverse for a reinstatement.
        version: the version that the change made.
    """

    at: datetime
    by: str | None
    run_id: str
    line: str
    what: str
    reason: str
    before: Values
    after: Values
    version: int | None

    def as_dict(self) -> dict[str, Any]:
        """JSON form, an entry of ``changes`` in ``highside.changes/1``."""
        return {
            "at": iso(self.at),
            "by": self.by,
            "run_id": self.run_id,
            "line": self.line,
            "what": self.what,
            "reason": self.reason,
            "before": dict(self.before),
            "after": dict(self.after),
            "version": self.version,
        }


@dataclass(frozen=True)
class Changes:
    """Changes of runs, oldest first."""

    changes: tuple[Change, ...]

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.changes/1`` document."""
        return {
            "schema": "highside.changes/1",
            "changes": [change.as_dict() for change in self.changes],
        }


def changes_of(snapshot: Snapshot, site: Site | None = None, run: str | None = None) -> Changes:
    """The corrections, withdrawals and reinstatements up to a version, oldest first.

    Args:
        snapshot: the history at the version.
        site: the plant, in whose units values are told; the defaults when None.
        run: id of the only run whose changes are told; all runs when None.
    """
    units = StoredUnits(site or Site(), description_of(snapshot.events))
    return told(changes_in(snapshot.events, run), units)


def changes_in(events: Iterable[Event], run: str | None = None) -> list[Event]:
    """Those events that are changes of runs, or of the runs with one id."""
    return [e for e in events if e.what in KINDS and run in (None, e.about["run_id"])]


def told(events: Sequence[Event], units: StoredUnits) -> Changes:
    """Changes of runs as they are told to a person.

    Args:
        events: the events of the changes.
        units: units of the history and of the plant, in which values are told.
    """
    whole = [{**side, "line": e.about["line"]} for e in events for side in _sides(e)]
    if not whole:
        return Changes(())
    values = as_values(units.in_site_units(runs_of(whole), at_gates=False))
    found = []
    for k, event in enumerate(events):
        about, (before, after) = event.about, _sides(event)
        # A value that a correction adds or empties is told as null where there was or is none.
        names = (after, after) if event.what == CORRECTED else (before, after)
        each = [
            {name: values[2 * k + side].get(name) for name in named}
            for side, named in enumerate(names)
        ]
        place = (about["run_id"], about["line"])
        made = (event.what, about["reason"], *each, event.version)
        found.append(Change(event.at, event.by, *place, *made))
    return Changes(tuple(found))


def _sides(event: Event) -> tuple[Values, Values]:
    return event.about["before"], event.about["after"]


@dataclass(frozen=True)
class Why:
    """When, by whom and why runs are changed; ``by`` is None where that is not known."""

    at: datetime
    by: str | None
    reason: str

    def corrected(self, before: pa.Table, after: pa.Table) -> list[Event]:
        """The events of corrections; row k of ``after`` is row k of ``before``, corrected."""
        pairs = zip(as_values(before), as_values(after), strict=True)
        return [
            self._event(
                CORRECTED,
                old,
                old,
                {n: new.get(n) for n in {**old, **new} if new.get(n) != old.get(n)},
            )
            for old, new in pairs
        ]

    def withdrawn(self, run: Values) -> Event:
        """The event of the withdrawal of a run."""
        return self._event(WITHDRAWN, run, run, {})

    def reinstated(self, run: Values) -> Event:
        """The event of the reinstatement of a run."""
        return self._event(REINSTATED, run, {}, run)

    def _event(self, what: str, run: Values, before: Values, after: Values) -> Event:
        about = {"run_id": run["run_id"], "line": run["line"], "reason": self.reason,
                 "before": before, "after": after}  # fmt: skip
        return Event(what, self.at, self.by, about)


# -- what the changes amount to --------------------------------------------------------------


@dataclass
class _Past:
    """What became of one id of a line: former values, and the withdrawn run if it has one."""

    former: list[Values] = field(default_factory=list)
    withdrawn: list[Values] = field(default_factory=list)
    now: Values | None = None


@dataclass(frozen=True)
class FormerRuns:
    """Values that runs had before they were corrected or withdrawn.

    Attributes:
        runs: the runs with these values, n rows in stored units.
        withdrawn: whether the run is withdrawn now, shape (n,).
    """

    runs: pa.RecordBatch
    withdrawn: Sequence[bool]


def former_runs(events: Iterable[Event]) -> FormerRuns | None:
    """The former values of all changed runs; None when no run was changed."""
    rows, withdrawn = [], []
    for past in _pasts(events).values():
        now = None if past.now is None else _content(past.now)
        for values, gone in ((past.withdrawn, True), (past.former, False)):
            kept = [each for each in values if _content(each) != now]
            rows += kept
            withdrawn += [gone] * len(kept)
    if not rows:
        return None
    return FormerRuns(_as_batch(rows), withdrawn)


def withdrawn_runs(events: Iterable[Event]) -> dict[Place, Values]:
    """The runs that are withdrawn now, as they were, by line and id."""
    pasts = _pasts(events)
    return {place: past.withdrawn[-1] for place, past in pasts.items() if past.withdrawn}


def recorded_runs(events: Iterable[Event]) -> pa.RecordBatch | None:
    """The corrected and reinstated runs as the latest change left them; None without any."""
    rows = [past.now for past in _pasts(events).values() if past.now is not None]
    return _as_batch(rows) if rows else None


def _as_batch(rows: Sequence[Values]) -> pa.RecordBatch:
    (runs,) = in_schema(runs_of(rows), _KNOWN).combine_chunks().to_batches()
    return runs


def _pasts(events: Iterable[Event]) -> dict[Place, _Past]:
    """What became of each id that was changed."""
    pasts: dict[Place, _Past] = {}
    for event in changes_in(events):
        past = pasts.setdefault((event.about["line"], event.about["run_id"]), _Past())
        before, after = _sides(event)
        if event.what == CORRECTED:
            past.former.append(before)
            past.now = {n: v for n, v in {**before, **after}.items() if v is not None}
        elif event.what == WITHDRAWN:
            # What the run was before its corrections is withdrawn with it.
            past.withdrawn += [*past.former, before]
            past.former, past.now = [], None
        else:
            past.former += past.withdrawn
            past.withdrawn, past.now = [], after
    return pasts


def _content(values: Values) -> Values:
    """The values that say whether a row of a log is this run."""
    return {n: v for n, v in values.items() if n not in ("note", *PROVENANCE)}


# -- runs and JSON ---------------------------------------------------------------------------


def as_values(runs: pa.Table) -> list[dict[str, Any]]:
    """Runs as JSON, without empty values; times are ISO 8601 texts of any year."""
    columns = []
    for name in runs.column_names:
        column = runs[name].combine_chunks()
        if pa.types.is_timestamp(column.type):
            texts = shown(pc.fill_null(column.cast(pa.int64()), 0)).tolist()
            filled = column.is_valid().to_pylist()
            columns.append([t if f else None for t, f in zip(texts, filled, strict=True)])
        else:
            columns.append(column.to_pylist())
    return [
        {n: v for n, v in zip(runs.column_names, row, strict=True) if v is not None}
        for row in zip(*columns, strict=True)
    ]


def runs_of(values: Sequence[Values]) -> pa.Table:
    """The runs that ``as_values`` turned into JSON; a column that none has is left out."""
    names = dict.fromkeys(name for row in values for name in row)
    return pa.table({name: _column(name, [row.get(name) for row in values]) for name in names})


def _column(name: str, cells: list[Any]) -> pa.Array:
    if name not in _KNOWN.names:
        texts = any(isinstance(cell, str) for cell in cells)
        return pa.array(cells, pa.string() if texts else pa.float64())
    kind = _KNOWN.field(name).type
    if kind != TIMESTAMP:
        return pa.array(cells, kind)
    blank = np.array([cell is None for cell in cells])
    moments = np.array(["1970" if c is None else c.removesuffix("Z") for c in cells])
    return pa.array(moments.astype("datetime64[us]").astype(np.int64), mask=blank).cast(kind)
