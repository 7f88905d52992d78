"""The command ``withdraw``."""

from __future__ import annotations

from typing import Annotated

import typer

from cli.options import (
    DEFAULT_HISTORY,
    ByOption,
    HistoryOption,
    JsonOption,
    LineOption,
    ReasonOption,
    SiteOption,
    open_history,
    open_site,
    who,
)
from cli.output import answer


def withdraw(
    run_id: Annotated[str, typer.Argument(metavar="RUN_ID", help="Id of the run.")],
    reason: ReasonOption,
    undo: Annotated[bool, typer.Option("--undo", help="Take a withdrawn run back.")] = False,
    line: LineOption = None,
    by: ByOption = None,
    location: HistoryOption = DEFAULT_HISTORY,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Take a run out of the history, or take a withdrawn run back."""
    from cli.show import changes as show
    from optimizer.operations.corrections import reinstate
    from optimizer.operations.corrections import withdraw as take_out

    change = reinstate if undo else take_out
    made = change(
        open_history(location), open_site(site), run_id, reason=reason, by=who(by), line=line
    )
    answer(made.as_dict(), as_json, show.changes)
