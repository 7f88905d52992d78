"""``highside suggest``: plans the next settings to try, for one line or for every line."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.options import (
    AsOfOption,
    BriefOption,
    ByOption,
    ConfidenceOption,
    HistoryOption,
    JsonOption,
    LineOption,
    MaterialOption,
    MinGradeOption,
    SchedulerOption,
    SeedOption,
    SiteOption,
    WorkersOption,
    open_history,
    open_site,
    read_brief,
    who,
)
from cli.output import as_text
from optimizer.errors import InputError, LimitError
from optimizer.files import write_whole
from optimizer.text.visible_text import plain_values

if TYPE_CHECKING:
    from optimizer.campaign import Batch
    from optimizer.history.history import History
    from optimizer.history.snapshot import Snapshot
    from optimizer.operations.every_line import Plans
    from optimizer.planning.plan import Plan
    from optimizer.plant.brief import Brief
    from optimizer.plant.site import Site


class PlanFormat(StrEnum):
    """The formats in which a plan can be written."""

    table = "table"
    json = "json"
    csv = "csv"
    parquet = "parquet"


IssueOption = Annotated[
    bool, typer.Option("--issue", help="Issue the plan: give its trials their numbers.")
]


def suggest(
    brief: BriefOption = None,
    line: LineOption = None,
    material: MaterialOption = None,
    min_grade: MinGradeOption = None,
    confidence: ConfidenceOption = None,
    trials: Annotated[
        int | None, typer.Option("--trials", metavar="N", help="How many trials to plan.")
    ] = None,
    form: Annotated[PlanFormat, typer.Option("--format", help="Format of the plan.")] = (
        PlanFormat.table
    ),
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FILE", help="Write the plan to a file.")
    ] = None,
    as_of: AsOfOption = None,
    every_line: Annotated[
        bool, typer.Option("--every-line", help="A plan for each line of the history.")
    ] = False,
    issued: IssueOption = False,
    by: ByOption = None,
    workers: WorkersOption = None,
    scheduler: SchedulerOption = None,
    location: HistoryOption = "history",
    site: SiteOption = None,
    seed: SeedOption = 0,
    as_json: JsonOption = False,
) -> None:
    """Rank the next settings to try, and name the settings to run now."""
    from cli.output import check_seed, progress
    from cli.show import plan as show
    from cli.show.batch import issued as show_issued

    if as_json:
        form = PlanFormat.json
    wanted = read_brief(brief, line, material, min_grade, trials, confidence)
    if issued and (every_line or as_of is not None):
        raise InputError("--issue plans one line on the latest version of the history.")
    if by is not None and not issued:
        raise InputError("--by needs --issue.")
    history, plant, seed = open_history(location), open_site(site), check_seed(seed)
    if every_line:
        made = _every_line(history.at(as_of), plant, wanted, seed, scheduler, workers)
        put_out(made.as_dict(), made.plans, form, out, show.plans)
        if made.refused and not made.plans:
            raise typer.Exit(LimitError.exit_code)
        return
    if workers is not None or scheduler is not None:
        raise InputError("--workers and --scheduler need --every-line.")
    told = progress(form is not PlanFormat.table)
    if issued:
        batch = _issue(history, plant, wanted, seed, who(by), told)
        put_out(batch.as_dict(), [batch], form, out, show_issued)
        return
    from optimizer.planning.planner import suggest as plan_trials

    plan = plan_trials(history.at(as_of), plant, wanted, seed=seed, progress=told)
    put_out(plan.as_dict(), [plan], form, out, show.plan)


def _every_line(
    snapshot: Snapshot,
    site: Site,
    brief: Brief,
    seed: int,
    scheduler: str | None,
    workers: int | None,
) -> Plans:
    """A plan for each line of the history."""
    from optimizer.operations.every_line import suggest_every_line

    return suggest_every_line(
        snapshot, site, brief, seed=seed, scheduler=scheduler, workers=workers
    )


def _issue(
    history: History,
    site: Site,
    brief: Brief,
    seed: int,
    by: str | None,
    told: Callable[[str], None],
) -> Batch:
    """A plan that is issued."""
    from optimizer.operations.issuing import issue

    return issue(history, site, brief, seed=seed, by=by, progress=told)


def put_out(
    document: Mapping[str, Any],
    plans: Sequence[Plan | Batch],
    form: PlanFormat,
    out: Path | None,
    text: Callable[..., str],
) -> None:
    """Prints plans or writes them to a file.

    Args:
        document: the plans as a JSON document.
        plans: the plans, or an issued batch.
        form: the format.
        out: path of the file to write; None prints to stdout.
        text: turns the document into the text of the table format.
    """
    if form in (PlanFormat.csv, PlanFormat.parquet):
        from cli.show.tables import write_plan_table

        write_plan_table(plans, form, out)
        return
    table = form is PlanFormat.table
    shown = as_text(document, text) if table else json.dumps(plain_values(document), indent=1)
    if out is None:
        typer.echo(shown)
    else:
        write_whole(out, f"{shown}\n".encode())
