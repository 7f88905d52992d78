"""A trial's result joins the history, and the answer says what it changed.

In come one or more result rows; out come the load report and the plan before and after.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from optimizer.errors import HighsideError, LimitError
from optimizer.headings import name_key, split_unit
from optimizer.intake.load import LoadReport, load_table, load_trial_sheet
from optimizer.planning.planner import suggest
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site

if TYPE_CHECKING:
    from optimizer.history.history import History
    from optimizer.planning.plan import Plan


@dataclass(frozen=True)
class Recorded:
    """What was added, and the plan before and after it.

    A plan is None where none could be made: no settings are left inside the limits, or
    ``failure`` says what went wrong. What ``load`` says was added is stored all the same.
    """

    load: LoadReport
    before: Plan | None
    after: Plan | None
    failure: Exception | None = None

    def as_dict(self) -> dict[str, Any]:
        """The ``highside.record/1`` document."""
        return {
            "schema": "highside.record/1",
            "load": self.load.as_dict(),
            "before": _essence(self.before),
            "after": _essence(self.after),
            **({} if self.failure is None else {"failed": _told(self.failure)}),
        }


def record(
    history: History,
    site: Site,
    result: Sequence[Mapping[str, Any]] | Path,
    brief: Brief,
    *,
    seed: int = 0,
) -> Recorded:
    """Add results and plan again.

    A result costs material and an hour, a plan can be made again: nothing that goes wrong with a
    plan keeps a result from being stored, or hides that it is.

    Args:
        history: the run history.
        site: the plant.
        result: rows as mappings of column to value, or the path of a log with them.
        brief: what is wanted; its line is where rows without one belong.
        seed: of both plans.

    Raises:
        InputError: when the rows cannot be read at all, or the brief names what the site lacks.
        HistoryError: when the history cannot be read or written.
    """
    brief = brief.check_names(site)
    try:
        before, failure = _plan(history, site, brief, seed), None
    except HighsideError:
        raise
    except Exception as error:
        before, failure = None, error
    if isinstance(result, Path):
        load = load_trial_sheet(result, history, site, line=brief.line)
    else:
        rows = complete_rows(result, site, brief.line)
        load = load_table(rows, history, site, file="record")
    if load.added == 0:
        return Recorded(load, before, before, failure)
    try:
        after = _plan(history, site, brief, seed)
    except Exception as error:
        return Recorded(load, before, None, failure or error)
    return Recorded(load, before, after, failure)


def _told(failure: Exception) -> dict[str, str]:
    """What went wrong with a plan; of a fault of the program, its kind and text."""
    if isinstance(failure, HighsideError):
        # Without its hint, which is about what was not stored.
        return {"code": failure.code, "message": failure.message}
    return {"code": "fault", "message": f"{type(failure).__name__}: {failure}"}


def complete_rows(
    rows: Sequence[Mapping[str, Any]], site: Site, line: str | None = None
) -> list[dict[str, Any]]:
    """Rows with all that a log has: what was left out of one is a missing value, not a log
    without that column; ``line`` is where rows without one belong."""
    blank = dict.fromkeys((*site.space.names, "grade", "recovery"))
    named = {} if line is None else {"line": line}
    return [{**named, **_unnamed(blank, row), **row} for row in rows]


def _unnamed(blank: Mapping[str, None], row: Mapping[str, Any]) -> dict[str, None]:
    """The columns that no heading of the row names, with or without a unit."""
    named = {name_key(split_unit(heading)[0]) for heading in row}
    return {name: value for name, value in blank.items() if name_key(name) not in named}


def _plan(history: History, site: Site, brief: Brief, seed: int) -> Plan | None:
    try:
        return suggest(history.at(), site, brief, seed=seed)
    except LimitError:
        return None


def _essence(plan: Plan | None) -> dict[str, Any] | None:
    if plan is None:
        return None
    document = plan.as_dict()
    return {k: document[k] for k in ("history_version", "runs_used", "goal", "run_now", "stopping")}
