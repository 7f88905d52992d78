"""``highside site``: what the site file and the history say, and where they differ."""

from __future__ import annotations

from typing import Annotated

import typer

from cli.options import (
    DEFAULT_HISTORY,
    AsOfOption,
    HistoryOption,
    JsonOption,
    SiteOption,
    open_history,
    open_site,
)
from optimizer.errors import InputError


def site(
    check: Annotated[
        bool,
        typer.Option("--check", help="End with exit code 2 where a command would mix two units."),
    ] = False,
    as_of: AsOfOption = None,
    location: HistoryOption = DEFAULT_HISTORY,
    site_file: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what the site file and the history say of units and lines, and where they differ."""
    from cli.output import answer
    from cli.show import history as show
    from optimizer.operations.site_check import check_site

    found = check_site(open_history(location), open_site(site_file), as_of)
    answer(found.as_dict(), as_json, show.site)
    if check and found.mixes:
        raise typer.Exit(InputError.exit_code)
