"""Given events, runs and plans, for the tests of issued batches."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import pyarrow as pa

from optimizer.history.schema import in_schema, schema_of
from optimizer.history.snapshot import Snapshot
from optimizer.history.sources import GivenRuns
from optimizer.history.storage.event_log import Event
from optimizer.history.stored_units import StoredUnits
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site

NOON = datetime(2026, 5, 4, 12, tzinfo=UTC)
SETTINGS = {"feed_rate": 2.0, "end_raise": 2.5, "side_tilt": 2.2, "eccentric_speed": 450.0,
            "air": 34.0}  # fmt: skip
UNITS = {"feed_rate": "t/h", "end_raise": "deg", "side_tilt": "deg", "eccentric_speed": "rpm",
         "air": "turn"}  # fmt: skip
GRADE = {"mean": 0.98, "low": 0.975, "high": 0.985}
RECOVERY = {"mean": 0.9, "low": 0.88, "high": 0.92}


def minute(k: float) -> datetime:
    """A moment k minutes after noon."""
    return NOON + timedelta(minutes=k)


def issued(line: str = "a", number: int = 1, trials: int = 2, at: float = 0, **plan: Any) -> Event:
    """The event of an issued batch; the ranks run against the order."""
    recommendations = [
        {"rank": trials - k, "order": k + 1, "settings": {**SETTINGS, "air": 34.0 + k},
         "grade": GRADE, "recovery": RECOVERY}
        for k in range(trials)
    ]  # fmt: skip
    document = {"schema": "highside.plan/1", "line": line, "history_version": 0, "units": UNITS,
                "goal": {"min_grade": 0.975}, "recommendations": recommendations,
                **plan}  # fmt: skip
    about = {"batch": f"{line}-{number}", "line": line, "number": number, "brief": {},
             "plan": document, "today": {}, "noise": {}}  # fmt: skip
    return Event("issued", minute(at), "anna", about)


def said(what: str, trial: str, at: float = 1, **about: Any) -> Event:
    """An event about a trial."""
    batch = trial.rpartition(".")[0]
    return Event(what, minute(at), "ben", {"batch": batch, "trial": trial, **about})


def closed(batch: str, at: float = 1) -> Event:
    """The event of a batch that was closed by hand."""
    return Event("closed", minute(at), "ben", {"batch": batch})


def withdrawn(trial: str, at: float = 1) -> Event:
    """The event of a withdrawn run."""
    return Event("withdrawn", minute(at), "ben", {"run_id": trial, "reason": "typo"})


def result(trial: str, at: float | None = 1, line: str = "a", **values: Any) -> dict[str, Any]:
    """The run of a trial."""
    return {"run_id": trial, "line": line, "started_at": None if at is None else minute(at),
            **SETTINGS, "grade": 0.98, "recovery": 0.9, "deck_state": "even",
            **values}  # fmt: skip


class _Given(GivenRuns):
    """Runs and events; the runs are in stored units, as in a history."""

    def __init__(self, table: pa.Table, events: Sequence[Event]) -> None:
        super().__init__(table)
        self.events = tuple(events)

    def runs(self, site: Site | None, lines: Sequence[str] | None, keep: bool = True) -> pa.Table:
        found = super().runs(None, lines)
        return found if site is None else _in_units(found, site)


def _in_units(runs: pa.Table, site: Site) -> pa.Table:
    return StoredUnits(site).in_site_units(in_schema(runs, schema_of(site)))


def snapshot(events: Sequence[Event], runs: Sequence[Mapping[str, Any]] = ()) -> Snapshot:
    """A snapshot of events and runs; the runs may lack columns."""
    schema = schema_of(Site())
    rows = [{name: run.get(name) for name in schema.names} for run in runs]
    return Snapshot(7, _Given(pa.Table.from_pylist(rows, schema), events))


@dataclass(frozen=True)
class Wanted:
    """What a plan without a planner is made from."""

    snapshot: Snapshot
    brief: Brief


def without_planner(snapshot: Snapshot, site: Site, brief: Brief, **how: Any) -> Wanted:
    """Takes the place of ``situation_of`` where a batch is issued in no time."""
    return Wanted(snapshot, brief)


def fixed_plan(wanted: Wanted) -> dict[str, Any]:
    """Takes the place of ``plan_to_issue``: a plan of as many trials as the brief asks for."""
    line = str(wanted.brief.line)
    about = issued(line, trials=wanted.brief.trials.count).about
    plan = {**about["plan"], "history_version": wanted.snapshot.version, "seed": 0}
    return {"line": line, "seed": 0, "brief": {}, "plan": plan, "today": {}, "noise": {}}
