"""One run of a history as its page shows it: its cells, its changes, and where it came from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import pyarrow.compute as pc

from optimizer.errors import InputError
from optimizer.history.changes import Change, changes_in, told
from optimizer.history.history import History
from optimizer.history.start_times import MISDATED
from optimizer.history.storage.event_log import Event
from optimizer.history.stored_units import StoredUnits
from optimizer.operations.versions import first_version
from optimizer.plant.site import Site
from optimizer.service.answers.run_tables import WITHDRAWN, RunTable
from optimizer.service.exchange.problems import Problem
from optimizer.service.pages.history.columns import RunField, all_fields, correctable


@dataclass(frozen=True)
class FoundRun:
    """A run at a version.

    Attributes:
        line, run_id: the run.
        withdrawn: whether it is withdrawn.
        cells: its values by column, in the units of the site.
        fields: its columns.
        corrigible: those of them that can be corrected.
        misdated: its stored time where that is impossible; else None.
        changes: its changes, oldest first.
        mark: text that differs after each change of the run (see ``mark_of``).
        as_of: version that was asked for; None for the latest.
    """

    line: str
    run_id: str
    withdrawn: bool
    cells: Mapping[str, Any]
    fields: Sequence[RunField]
    corrigible: Sequence[RunField]
    misdated: str | None
    changes: Sequence[Change]
    mark: str
    as_of: int | None

    def texts(self, site: Site, cells: Mapping[str, Any] | None = None) -> dict[str, str]:
        """The present values of the form for a correction, or those of other cells, by column."""
        known = self.cells if cells is None else cells
        return {f.name: f.text(known.get(f.name), site.time_zone) for f in self.corrigible}


def find_run(
    table: RunTable, site: Site, run_id: str, line: str | None, as_of: int | None
) -> FoundRun | tuple[str, ...]:
    """The run with an id; the names of the lines where several have it and none was named.

    Raises:
        Problem: with status 404 when there is no such run.
    """
    runs = table.runs
    mask = pc.equal(runs["run_id"], run_id)
    if line is not None:
        mask = pc.and_(mask, pc.equal(runs["line"], line))
    found = runs.filter(mask).to_pylist()
    lines = tuple(sorted({run["line"] for run in found}))
    if not found:
        where = "" if line is None else f" on line '{line}'"
        when = "" if as_of is None else f" in version {as_of}"
        raise Problem(
            404, f"there is no run '{run_id}'{where}{when}.", code="unknown-run",
            hint="The list of runs finds it by a part of its id.",
        )  # fmt: skip
    if len(lines) > 1:
        return lines
    run = min(found, key=lambda each: bool(each[WITHDRAWN]))  # another run may have the id by now
    events = table.snapshot.events
    changed = [e for e in changes_in(events, run_id) if e.about["line"] == run["line"]]
    units = StoredUnits(site, table.snapshot.description)
    return FoundRun(
        line=run["line"],
        run_id=run_id,
        withdrawn=run[WITHDRAWN],
        cells=run,
        fields=all_fields(runs, site, run["line"]),
        corrigible=correctable(site, run["line"]),
        misdated=run.get(MISDATED),
        changes=told(changed, units).changes,
        mark=mark_of(events, run["line"], run_id),
        as_of=as_of,
    )


def mark_of(events: Sequence[Event], line: str, run_id: str) -> str:
    """The versions that changed a run, as a text; restoring a version may shorten it."""
    own = (e for e in changes_in(events, run_id) if e.about["line"] == line)
    return ",".join(str(event.version) for event in own)


def came_with(history: History, found: FoundRun, version: int | None) -> int | None:
    """The version with which a run came into the history; None where it cannot be found.

    Args:
        history: the run history.
        found: the run.
        version: a version at which the run is known.
    """
    if version is None:
        return None
    try:
        return first_version(history, found.line, found.run_id, version)
    except InputError:  # another program removed the early versions
        return None
