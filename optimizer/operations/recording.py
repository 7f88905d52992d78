"""The command ``record``: a trial's result joins the history, and the plan is made again.

In come one or more result rows; out come the load report and the plan before and after.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from optimizer.errors import HighsideError, InputError, LimitError
from optimizer.intake.settling.load import LoadReport, load_table, load_trial_sheet
from optimizer.operations.plan_file import PlanFile, result_row
from optimizer.planning.planner import suggest
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.text.headings import name_key, split_unit

if TYPE_CHECKING:
    from optimizer.history.history import History
    from optimizer.planning.plan import Plan

    Row = Mapping[str, object]


@dataclass(frozen=True)
class Recorded:
    """What was added, and the plan before and after it.

    Attributes:
        load: what became of the rows. What it says was added is stored, whatever ``failure`` says.
        before, after: None where no plan could be made: no settings are left inside the limits, or
            ``failure`` says what went wrong.
        failure: of a plan.
    """

    load: LoadReport
    before: Plan | None
    after: Plan | None
    failure: Exception | None = None

    def as_dict(self) -> dict[str, object]:
        """The ``highside.record/1`` document."""
        return {
            "schema": "highside.record/1",
            "load": self.load.as_dict(),
            "before": _essence(self.before),
            "after": _essence(self.after),
            **({} if self.failure is None else {"failed": self._failed(self.failure)}),
        }

    @property
    def cause(self) -> str:
        """What went wrong with a plan, in words; of a fault of the program, its kind and text."""
        if isinstance(self.failure, HighsideError):
            # Without its hint, which is about what was not stored.
            return self.failure.message
        return "" if self.failure is None else f"{type(self.failure).__name__}: {self.failure}"

    def _failed(self, failure: Exception) -> dict[str, str]:
        code = failure.code if isinstance(failure, HighsideError) else "fault"
        return {"code": code, "message": self.cause}


def record(
    history: History,
    site: Site,
    result: Row | Sequence[Row] | Path,
    brief: Brief | None = None,
    *,
    plan: PlanFile | None = None,
    rank: int = 1,
    seed: int | None = None,
) -> Recorded:
    """Adds results and plans again.

    A result costs material and an hour, a plan can be made again: nothing that goes wrong with a
    plan keeps a result from being stored, or hides that it is.

    Args:
        history: the run history.
        site: the plant.
        result: one trial's result as columns and values, or rows of a log, or the path of a log.
        brief: what is wanted; the plan's when None. Its line is where rows without one belong.
        plan: whose trial was run, where one result is given; its settings fill the row.
        rank: of that trial.
        seed: of both plans; the plan's, or 0, when None.

    Raises:
        InputError: when the rows cannot be read at all, the plan has no such trial, or the brief
            names what the site lacks.
        HistoryError: when the history cannot be read or written.
    """
    if isinstance(result, Mapping):
        rows: Sequence[Row] | Path = [result_row(result, plan, rank)]
    elif plan is not None:
        raise InputError("a plan goes with one result, not with rows or a log.")
    else:
        rows = result
    if seed is None:
        seed = 0 if plan is None else plan.seed
    if brief is None:
        brief = Brief() if plan is None else Brief.from_dict(plan.brief, "the plan's brief")
        brief = brief if plan is None else brief.model_copy(update={"line": plan.line})
    brief = brief.check_names(site)
    before, failure = _plan_before(history, site, brief, seed)
    load = _load(history, site, rows, brief.line)
    if load.added == 0:
        return Recorded(load, before, before, failure)
    try:
        after = _plan(history, site, brief, seed)
    except Exception as error:
        return Recorded(load, before, None, failure or error)
    return Recorded(load, before, after, failure)


def complete_rows(
    rows: Sequence[Row], site: Site, line: str | None = None
) -> list[dict[str, object]]:
    """Rows with every column that a log needs: a value that a row leaves out is missing.

    Args:
        rows: columns and values.
        site: the plant.
        line: where rows without a line belong.
    """
    blank = dict.fromkeys((*site.space.names, "grade", "recovery"))
    named = {} if line is None else {"line": line}
    return [{**named, **_left_out(blank, row), **row} for row in rows]


def _left_out(blank: Mapping[str, None], row: Row) -> dict[str, None]:
    """The columns that no heading of the row names, with or without a unit."""
    named = {name_key(split_unit(heading)[0]) for heading in row}
    return {name: value for name, value in blank.items() if name_key(name) not in named}


def _load(history: History, site: Site, rows: Sequence[Row] | Path, line: str | None) -> LoadReport:
    if isinstance(rows, Path):
        return load_trial_sheet(rows, history, site, line=line)
    return load_table(complete_rows(rows, site, line), history, site, file="record")


def _plan(history: History, site: Site, brief: Brief, seed: int) -> Plan | None:
    """The plan on the latest version, None where the limits leave none."""
    try:
        return suggest(history.at(), site, brief, seed=seed)
    except LimitError:
        return None


def _plan_before(
    history: History, site: Site, brief: Brief, seed: int
) -> tuple[Plan | None, Exception | None]:
    """The plan before the result, or the fault of the program that prevented it."""
    try:
        return _plan(history, site, brief, seed), None
    except HighsideError:
        raise
    except Exception as error:
        return None, error


def _essence(plan: Plan | None) -> dict[str, object] | None:
    """What of a plan shows a change."""
    if plan is None:
        return None
    document = plan.as_dict()
    return {k: document[k] for k in ("history_version", "runs_used", "goal", "run_now", "stopping")}
