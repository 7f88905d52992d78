"""The command ``record``: adds the result of a trial to the history and makes the plan again.

In come one or more rows of results; out come the load report and the plans before and after.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict, Unpack

from optimizer.campaign import Trial, batch_of
from optimizer.errors import HighsideError, InputError, LimitError
from optimizer.history.issued import ISSUED, find_batch
from optimizer.intake.settling.load import (
    LoadOptions,
    LoadReport,
    load_table,
    load_trial_sheet,
)
from optimizer.operations.batches import trial_to_record
from optimizer.operations.plan_file import PlanFile, result_row
from optimizer.operations.trial_rows import trial_row
from optimizer.planning.planner import suggest
from optimizer.plant.brief import Brief
from optimizer.plant.site import Site
from optimizer.text.headings import name_key, split_unit

if TYPE_CHECKING:
    from optimizer.history.history import History
    from optimizer.history.storage.event_log import Event
    from optimizer.planning.plan import Plan

    Row = Mapping[str, object]


SHEET_BYTES = 1 << 20
"""Number of bytes of a file that are searched for the numbers of trials."""


@dataclass(frozen=True)
class Recorded:
    """The rows that were added, and the plans before and after.

    Attributes:
        load: result of loading the rows. Rows that it counts as added are stored, even if there is
            a ``failure``.
        before, after: the plans without and with the new rows; None when no settings are left
            inside the limits, or when planning failed.
        failure: the error that prevented a plan; None when there was none.
        trial: the issued trial after its result; None where no trial was named or the result was
            rejected.
    """

    load: LoadReport
    before: Plan | None
    after: Plan | None
    failure: Exception | None = None
    trial: Trial | None = None

    def as_dict(self) -> dict[str, object]:
        """The ``highside.record/1`` document."""
        return {
            "schema": "highside.record/1",
            "load": self.load.as_dict(),
            "before": _essence(self.before),
            "after": _essence(self.after),
            **self._of_trial(),
            **({} if self.failure is None else {"failed": self._failed(self.failure)}),
        }

    def _of_trial(self) -> dict[str, object]:
        if self.trial is None:
            return {}
        return {"trial": self.trial.as_dict(), "says": list(self.trial.says)}

    @property
    def cause(self) -> str:
        """Why planning failed, in words: the message of an expected error, or the type and text of
        an unexpected one."""
        if isinstance(self.failure, HighsideError):
            # The hint is left out, since it assumes that nothing was stored.
            return self.failure.message
        return "" if self.failure is None else f"{type(self.failure).__name__}: {self.failure}"

    def _failed(self, failure: Exception) -> dict[str, str]:
        code = failure.code if isinstance(failure, HighsideError) else "fault"
        return {"code": code, "message": self.cause}


class RecordOptions(TypedDict, total=False):
    """What else is known of the results that ``record`` adds, by keyword.

    Attributes:
        plan: the plan whose trial was run, for one result; the trial's settings fill its row.
        rank: rank of that trial; 1 when left out.
        trial: id of the issued trial that was run, for one result: its planned settings fill the
            row, and brief and seed are those of its batch where none are given. The result may
            hold ``settings`` and ``material``, each by name.
        seed: seed of both plans; otherwise that of ``plan`` or of the batch, or 0.
        sure: whether results that are possible but hard to believe are stored.
    """

    plan: PlanFile | None
    rank: int
    trial: str | None
    seed: int | None
    sure: bool


def record(
    history: History,
    site: Site,
    result: Row | Sequence[Row] | Path,
    brief: Brief | None = None,
    **options: Unpack[RecordOptions],
) -> Recorded:
    """Adds results to the history and makes the plan again.

    A result costs material and time, whereas a plan can always be made again. So a failure to plan
    neither prevents a result from being stored nor hides that it is stored.

    Args:
        history: the run history.
        site: the plant.
        result: one trial's result as columns and values, or rows of a log, or the path of a log.
        brief: material, grade and limits for planning; those of ``plan`` when None. Rows without a
            line belong to the brief's line.
        options: what else is known of the results, as in ``RecordOptions``.

    Raises:
        QuestionError: when a result is hard to believe and ``sure`` is False; nothing is stored.
        InputError: when the rows cannot be read at all, the plan has no such trial, or the brief
            names something that the site lacks; and when the trial does not exist (code
            ``unknown-trial``), has a result (``trial-has-result``), or its batch was closed by hand
            (``batch-closed``).
        HistoryError: when the history cannot be read or written.
    """
    plan, seed, sure = options.get("plan"), options.get("seed"), options.get("sure", False)
    if (trial := options.get("trial")) is not None:
        if plan is not None or not isinstance(result, Mapping):
            raise InputError("--trial takes one result, and neither a plan nor a log.")
        return _record_trial(history, site, result, brief, seed, trial, sure)
    sheet_date = None
    if isinstance(result, Mapping):
        rows: Sequence[Row] | Path = [result_row(result, plan, options.get("rank", 1))]
    elif plan is not None:
        raise InputError("a plan can be given with one result only, not with rows or a log.")
    else:
        rows = result
        issued = _batch_of_sheet(history, rows) if isinstance(rows, Path) else None
        if issued is not None:
            sheet_date = site.time_zone.today(issued.at)
            if brief is None:
                brief = Brief.from_dict(issued.about["brief"], "the batch's brief")
                brief = brief.model_copy(update={"line": issued.about["line"]})
                seed = issued.about["seed"] if seed is None else seed
    if seed is None:
        seed = 0 if plan is None else plan.seed
    if brief is None:
        brief = Brief() if plan is None else Brief.from_dict(plan.brief, "the plan's brief")
        brief = brief if plan is None else brief.model_copy(update={"line": plan.line})

    def load(line: str | None) -> LoadReport:
        return _load(history, site, rows, LoadOptions(line, sure=sure, sheet_date=sheet_date))

    return _replanned(history, site, brief, seed, load)


def _record_trial(
    history: History,
    site: Site,
    result: Row,
    brief: Brief | None,
    seed: int | None,
    trial: str,
    sure: bool,
) -> Recorded:
    """Adds the result of an issued trial and makes the plan of its batch again."""
    batch, planned = trial_to_record(history.at(), trial, site)
    row = trial_row(batch, planned, result, site, history.clock())
    brief = brief or Brief.from_dict(batch.brief, "the batch's brief")
    brief = brief.model_copy(update={"line": batch.line})

    def load(line: str | None) -> LoadReport:
        # The state is checked again where no other load of this machine can come between. Where one
        # of another machine does, the id of the run still refuses a second result.
        with history.lock():
            trial_to_record(history.at(), trial, site)
            done = _load(history, site, [row], LoadOptions(batch.line, sure=sure))
        if done.added == 0:
            trial_to_record(history.at(), trial, site)
        return done

    seed = batch.plan["seed"] if seed is None else seed
    done = _replanned(history, site, brief, seed, load)
    try:
        after = batch_of(find_batch(history.at(), batch.batch, site))
    except HighsideError as error:
        return replace(done, failure=done.failure or error)
    mine = next(each for each in after.trials if each.issued.trial == trial)
    return replace(done, trial=mine) if mine.issued.has_result else done


def _batch_of_sheet(history: History, path: Path) -> Event | None:
    """The issue of the batch whose sheet a file is; None for another file.

    A sheet holds the numbers of its trials.
    """
    if path.suffix != ".csv" or not path.is_file():
        return None
    with path.open("rb") as file:
        text = file.read(SHEET_BYTES).decode(errors="replace")
    for event in reversed(history.at().events):
        number = re.escape(str(event.about.get("batch")))
        if event.what == ISSUED and re.search(rf"(?<![\w.-]){number}\.\d", text):
            return event
    return None


def _replanned(
    history: History,
    site: Site,
    brief: Brief,
    seed: int,
    load_rows: Callable[[str | None], LoadReport],
) -> Recorded:
    """Loads rows, with the plans before and after them; ``load_rows`` takes the brief's line."""
    brief = brief.check_names(site)
    before, failure = _plan_before(history, site, brief, seed)
    load = load_rows(brief.line)
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
    """Completes rows with every column that a log needs; values that a row lacks become None.

    Args:
        rows: columns and values of each row.
        site: the plant.
        line: name of the line to which rows without a line belong.
    """
    blank = dict.fromkeys((*(setting.name for setting in site.wholes), "grade", "recovery"))
    named = {} if line is None else {"line": line}
    return [{**named, **_left_out(blank, row), **row} for row in rows]


def _left_out(blank: Mapping[str, None], row: Row) -> dict[str, None]:
    """The columns that no heading of the row names; a unit in a heading does not matter."""
    named = {name_key(split_unit(heading)[0]) for heading in row}
    return {name: value for name, value in blank.items() if name_key(name) not in named}


def _load(
    history: History, site: Site, rows: Sequence[Row] | Path, options: LoadOptions
) -> LoadReport:
    """Loads rows, or a filled-in sheet, into the history.

    A time of day alone is one of the day on which its batch was issued, or else of today.
    """
    today = options.sheet_date or site.time_zone.today(history.clock())
    if isinstance(rows, Path):
        return load_trial_sheet(
            rows, history, site, line=options.line, sheet_date=today, sure=options.sure
        )
    filled = complete_rows(rows, site, options.line)
    return load_table(
        filled, history, site, file="record", options=replace(options, line=None, sheet_date=today)
    )


def _plan(history: History, site: Site, brief: Brief, seed: int) -> Plan | None:
    """The plan on the latest version; None when the limits leave no settings."""
    try:
        return suggest(history.at(), site, brief, seed=seed)
    except LimitError:
        return None


def _plan_before(
    history: History, site: Site, brief: Brief, seed: int
) -> tuple[Plan | None, Exception | None]:
    """The plan before the result, and the unexpected error that prevented it, if any."""
    try:
        return _plan(history, site, brief, seed), None
    except HighsideError:
        raise
    except Exception as error:
        return None, error


def _essence(plan: Plan | None) -> dict[str, object] | None:
    """The parts of a plan's document that show what a result has changed."""
    if plan is None:
        return None
    document = plan.as_dict()
    return {k: document[k] for k in ("history_version", "runs_used", "goal", "run_now", "stopping")}
