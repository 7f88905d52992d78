"""The command ``load``."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from cli.options import (
    DEFAULT_HISTORY,
    ByOption,
    DateOrderOption,
    HistoryOption,
    JsonOption,
    LineOption,
    SiteOption,
    open_history,
    open_site,
    who,
)
from cli.output import answer, progress
from optimizer.errors import InputError
from optimizer.text.key_values import key_values

if TYPE_CHECKING:
    from optimizer.intake.settling.load import LoadReport
    from optimizer.intake.settling.load_options import HowRead
    from optimizer.plant.moments import DateOrder
    from optimizer.text.words import Words


def load(
    logs: Annotated[list[str], typer.Argument(metavar="LOG...", help="Files, folders, globs.")],
    line: LineOption = None,
    columns: Annotated[
        list[str] | None,
        typer.Option(
            "--map", metavar="COL=FIELD", help="Field that a heading means; repeat for more."
        ),
    ] = None,
    samples: Annotated[
        bool,
        typer.Option("--samples", help="Rows are readings over time; make a run of each stretch."),
    ] = False,
    picture: Annotated[
        Path | None,
        typer.Option("--report", metavar="FILE", help="Page of what --samples made (.html)."),
    ] = None,
    date_order: DateOrderOption = None,
    day: Annotated[
        str | None,
        typer.Option("--date", metavar="DAY", help="Date of times of day, such as 2026-03-02."),
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Check, and write nothing.")] = False,
    correct: Annotated[
        bool, typer.Option("--correct", help="Rows of known run ids correct these runs.")
    ] = False,
    reason: Annotated[
        str | None, typer.Option("--reason", metavar="TEXT", help="Why runs are corrected.")
    ] = None,
    by: ByOption = None,
    location: HistoryOption = DEFAULT_HISTORY,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check run logs (text, workbooks, Parquet) and add their new runs to the history."""
    from optimizer.intake.settling.load import load_corrections, load_logs
    from optimizer.plant.moments import day_of

    how: HowRead = {
        "line": line,
        "mapping": key_values(columns or (), "--map", at_last=True),
        "samples": samples,
        "pictured": picture is not None,
        "date_order": cast("DateOrder | None", date_order),  # the load checks it
        "sheet_date": None if day is None else day_of(day, "--date"),
    }
    _check_options(picture, samples, correct, reason, by)
    runs, plant = open_history(location), open_site(site)
    if correct:
        report = load_corrections(
            logs, runs, plant, reason=reason or "", by=who(by), dry_run=dry_run, **how
        )
    else:
        say = file_progress(as_json)
        report = load_logs(logs, runs, plant, dry_run=dry_run, progress=say, **how)
    if picture is not None:
        _picture(report, picture, plant.words)
    _answer(report, dry_run, as_json)


def _check_options(
    picture: Path | None, samples: bool, correct: bool, reason: str | None, by: str | None
) -> None:
    """Refuse options that do not belong together."""
    if picture is not None and not samples:
        raise InputError("--report tells of readings over time.", hint="Add --samples.")
    if correct and samples:
        raise InputError("readings over time cannot correct runs: leave --samples out.")
    if not correct and (reason is not None or by is not None):
        raise InputError("--reason and --by tell of corrections.", hint="Add --correct.")


def _picture(report: LoadReport, path: Path, words: Words) -> None:
    """Write the page of what was made of readings over time."""
    from optimizer.files import write_whole
    from optimizer.presentation.stretches import stretches_html

    write_whole(path, stretches_html(report.days, words).encode())


def _answer(report: LoadReport, dry_run: bool, as_json: bool) -> None:
    """Print a report; exit with the code of wrong input when no row could be used."""
    from cli.show import load as show

    document = report.as_dict()
    answer(document, as_json, partial(show.load, dry_run=dry_run))
    if report.unreadable or (document["read"] and document["rejected"] == document["read"]):
        raise typer.Exit(InputError.exit_code)


def file_progress(as_json: bool) -> Callable[[str, int, int], None]:
    """A function that reports the file being loaded, its number and the number of files."""
    say = progress(as_json)
    return lambda name, k, n: say(f"{name} ({k} of {n})") if n > 1 else say(name)
