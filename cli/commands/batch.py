"""``highside batch``: the state of issued trials, and the changes to it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from cli.options import (
    DEFAULT_HISTORY,
    AsOfOption,
    ByOption,
    HistoryOption,
    JsonOption,
    LineOption,
    SiteOption,
    open_history,
    open_site,
    who,
)
from cli.output import answer
from optimizer.errors import InputError
from optimizer.text.trial_numbers import batch_of_trial, line_of_batch

if TYPE_CHECKING:
    from optimizer.campaign import Batch
    from optimizer.history.history import History
    from optimizer.plant.site import Site


def batch(
    name: Annotated[
        str | None, typer.Argument(metavar="[BATCH]", help="The batch. [default: all]")
    ] = None,
    line: LineOption = None,
    start: Annotated[
        str | None, typer.Option("--start", metavar="TRIAL", help="The trial is being run.")
    ] = None,
    skip: Annotated[
        str | None, typer.Option("--skip", metavar="TRIAL", help="The trial will not be run.")
    ] = None,
    reason: Annotated[
        str | None, typer.Option("--reason", metavar="TEXT", help="Why it is skipped.")
    ] = None,
    reopen: Annotated[
        str | None,
        typer.Option("--reopen", metavar="TRIAL", help="The trial is to run after all."),
    ] = None,
    close: Annotated[
        str | None, typer.Option("--close", metavar="BATCH", help="No more results are expected.")
    ] = None,
    by: ByOption = None,
    as_of: AsOfOption = None,
    location: HistoryOption = DEFAULT_HISTORY,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Show issued trials and what finished batches taught; start, skip, reopen, close."""
    from cli.show import batch as show
    from optimizer.operations.batches import batch as one_batch
    from optimizer.operations.batches import batches

    asked = {"start": start, "skip": skip, "reopen": reopen, "close": close}
    changes = {what: given for what, given in asked.items() if given is not None}
    if len(changes) > 1 or (changes and as_of is not None):
        raise InputError("give one of --start, --skip, --reopen and --close, without --as-of.")
    for what, given in changes.items():
        own = given if what == "close" else batch_of_trial(given)
        if name not in (None, own) or line not in (None, line_of_batch(own)):
            raise InputError(f"--{what} {given} does not belong to {name or line}.")
    if (reason is not None and skip is None) or (by is not None and not changes):
        raise InputError("--reason belongs to --skip, and --by to a change.")
    history, plant = open_history(location), open_site(site)
    if changes:
        ((what, given),) = changes.items()
        changed = _changed(history, plant, what, given, reason or "", who(by))
        answer(changed.as_dict(), as_json, show.batch)
    elif name is not None:
        if line is not None:
            raise InputError("give either a batch or --line.")
        answer(one_batch(history.at(as_of), name, plant).as_dict(), as_json, show.batch)
    else:
        answer(batches(history.at(as_of), plant, line).as_dict(), as_json, show.batches)


def _changed(
    history: History, site: Site, what: str, given: str, reason: str, by: str | None
) -> Batch:
    """The batch after a change."""
    from optimizer.operations.batches import close_batch, reopen_trial, skip_trial, start_trial

    if what == "skip":
        return skip_trial(history, given, reason, site, by=by)
    change = {"start": start_trial, "reopen": reopen_trial, "close": close_batch}[what]
    return change(history, given, site, by=by)
