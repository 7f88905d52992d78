"""``highside report``: writes a page on which to decide, and trial sheets for the deck."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from cli.options import (
    AsOfOption,
    BriefOption,
    ConfidenceOption,
    HistoryOption,
    JsonOption,
    LineOption,
    MaterialOption,
    MinGradeOption,
    SeedOption,
    SiteOption,
    open_history,
    open_site,
    read_brief,
)


def report(
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The page to write.")] = Path(
        "report.html"
    ),
    sheets: Annotated[
        list[Path] | None,
        typer.Option("--sheet", metavar="FILE", help="Trial sheet: .pdf, .html or .csv; repeat."),
    ] = None,
    paper: Annotated[
        str, typer.Option("--paper", metavar="SIZE", help="Paper of the sheet: a4 or letter.")
    ] = "a4",
    language: Annotated[
        str, typer.Option("--language", metavar="CODE", help="Language of the texts.")
    ] = ("en"),
    brief: BriefOption = None,
    line: LineOption = None,
    material: MaterialOption = None,
    min_grade: MinGradeOption = None,
    confidence: ConfidenceOption = None,
    trials: Annotated[
        int | None, typer.Option("--trials", metavar="N", help="How many trials to plan.")
    ] = None,
    batch: Annotated[
        str | None,
        typer.Option("--batch", metavar="BATCH", help="Only the sheets of this issued batch."),
    ] = None,
    compared: Annotated[
        bool, typer.Option("--compare", help="Also compare all lines, as compare does.")
    ] = False,
    as_of: AsOfOption = None,
    location: HistoryOption = "history",
    site: SiteOption = None,
    seed: SeedOption = 0,
    as_json: JsonOption = False,
) -> None:
    """Write one HTML page with the plan and its plots, and the trial sheet to print."""
    from cli.output import answer, check_seed, progress
    from optimizer.operations.reporting import ReportFiles
    from optimizer.operations.reporting import report as write_page

    if batch is not None:
        from optimizer.operations.batch_sheets import write_batch_sheets

        done = write_batch_sheets(
            open_history(location).at(as_of), batch, sheets or (), paper, language
        )
        answer(done.as_dict(), as_json, _text)
        return
    command = shlex.join(["highside", *sys.argv[1:]])
    files = ReportFiles(out, tuple(sheets or ()), paper, language, command)
    written = write_page(
        open_history(location).at(as_of),
        open_site(site),
        read_brief(brief, line, material, min_grade, trials, confidence),
        files,
        compared=compared,
        seed=check_seed(seed),
        progress=progress(as_json),
    )
    answer(written.as_dict(), as_json, _text)


def _text(document: dict[str, Any]) -> str:
    lines = [f"Report: {document['report']}"] if "report" in document else []
    lines += [f"Sheet:  {sheet}" for sheet in document["sheets"]]
    filled = [sheet for sheet in document["sheets"] if sheet.endswith(".csv")]
    if filled:
        lines.append(f"When it is filled in: highside record --from {filled[0]}")
    return "\n".join(lines)
