"""``highside diagnose``: what the history says about the decks and about itself."""

from __future__ import annotations

from typing import Annotated

import typer

from cli.options import (
    AsOfOption,
    BriefOption,
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

NOTHING_TO_SAY = 1


def diagnose(
    line: LineOption = None,
    brief: BriefOption = None,
    material: MaterialOption = None,
    min_grade: MinGradeOption = None,
    details: Annotated[
        bool, typer.Option("--details", help="Show pairs of settings and every doubtful run, too.")
    ] = False,
    as_of: AsOfOption = None,
    location: HistoryOption = "history",
    site: SiteOption = None,
    seed: SeedOption = 0,
    as_json: JsonOption = False,
) -> None:
    """Say what matters, what drifts, which runs are doubtful, what is not known."""
    from cli.output import answer, check_seed, progress
    from cli.show import diagnosis as show_diagnosis
    from optimizer.diagnostics.diagnosis import diagnose as examine

    found = examine(
        open_history(location).at(as_of),
        open_site(site),
        read_brief(brief, line, material, min_grade),
        seed=check_seed(seed),
        progress=progress(as_json),
    ).as_dict()
    answer(found, as_json, lambda d: show_diagnosis.diagnosis(d, details))
    if not found["lines"]:
        raise typer.Exit(NOTHING_TO_SAY)
