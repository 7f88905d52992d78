"""The command ``history``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.options import (
    DEFAULT_HISTORY,
    HistoryOption,
    JsonOption,
    LineOption,
    SiteOption,
    open_history,
    open_site,
    site_file,
    who,
)
from cli.output import answer
from optimizer.errors import HistoryError, InputError
from optimizer.text.visible_text import printable

if TYPE_CHECKING:
    from optimizer.history.history import History
    from optimizer.plant.site import Site

ReadingsOption = Annotated[
    Path | None,
    typer.Option(
        "--readings", metavar="FILE", help="Write the readings that runs were averaged from."
    ),
]
BackupOption = Annotated[
    Path | None,
    typer.Option("--backup", metavar="DIR", help="Copy it, and all beside it, while others write."),
]


VerifyOption = Annotated[
    bool,
    typer.Option(
        "--verify",
        help="Compare every file with the log, and the audit trail with its chain, instead.",
    ),
]
StateOption = Annotated[
    Path | None,
    typer.Option(
        "--state",
        metavar="DIR",
        help="With --verify: the folder of the service. [default: HISTORY-service]",
    ),
]


def history(
    line: LineOption = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="DATE", help="Runs from this ISO date on.")
    ] = None,
    export: Annotated[
        Path | None, typer.Option("--export", metavar="FILE", help="Write runs (.csv, .parquet).")
    ] = None,
    readings: ReadingsOption = None,
    verify: VerifyOption = False,
    restore: Annotated[
        int | None,
        typer.Option("--restore", metavar="VERSION", help="Go back to this version instead."),
    ] = None,
    backup: BackupOption = None,
    changes: Annotated[
        bool, typer.Option("--changes", help="Tell which runs were changed, and why, instead.")
    ] = False,
    run: Annotated[
        str | None, typer.Option("--run", metavar="RUN_ID", help="With --changes: this run alone.")
    ] = None,
    state: StateOption = None,
    location: HistoryOption = DEFAULT_HISTORY,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what the history holds and which runs were changed; export, verify or restore it."""
    from cli.show import history as show

    plant, runs = open_site(site), open_history(location)
    if backup is not None:
        _back_up(location, plant, backup, site, as_json)
        return
    if verify or restore is not None:
        if restore is not None:
            _restore(runs, plant, restore, as_json)
        if verify:
            _verify(runs, plant, state, as_json)
        return
    if run is not None and not changes:
        raise InputError("--run chooses among changes.", hint="Add --changes.")
    if changes:
        from cli.show import changes as show_changes
        from optimizer.history.changes import changes_of

        answer(changes_of(runs.at(), plant, run).as_dict(), as_json, show_changes.changes)
        return
    snapshot = runs.at()
    document = snapshot.summary(plant, line=line, since=since).as_dict()
    if export is not None:
        snapshot.export(export, plant, line=line, since=since)
        document = {**document, "exported": str(export)}
    if readings is not None:
        runs.export_readings(readings, plant)
        document = {**document, "readings": str(readings)}
    answer(document, as_json, show.history)
    for file in (export, readings):
        if file is not None and not as_json:
            typer.echo(f"Exported to {printable(str(file))}.")


def _back_up(location: str, plant: Site, target: Path, site: Path | None, as_json: bool) -> None:
    """Copy a history with its site file and the folder of its service, and verify the copy."""
    from cli.show import upkeep as show
    from optimizer.history.history import History
    from optimizer.history.storage.backup import back_up
    from optimizer.history.upkeep import verify as inspect
    from optimizer.service.exchange.configuration import Configuration

    beside = [Configuration(location).folder, *filter(None, [site_file(site)])]
    made = back_up(History(location).table, target, beside)
    health = inspect(History(made.history), plant)
    answer({**made.as_dict(), "verified": health.as_dict()}, as_json, show.backed_up)
    if not health.sound:
        raise typer.Exit(HistoryError.exit_code)


def _restore(runs: History, plant: Site, version: int, as_json: bool) -> None:
    """Go back to a version."""
    from cli.show import upkeep as show
    from optimizer.history.upkeep import restore as go_back

    now = go_back(runs, version, plant, by=who(None))
    answer(now.as_dict(), as_json, show.restored)


def _verify(runs: History, plant: Site, state: Path | None, as_json: bool) -> None:
    """Verify the history, and the audit trail of the service of that history where there is one.

    Raises:
        typer.Exit: with the code of a damaged history when one of them is not sound.
    """
    from cli.show import upkeep as show
    from optimizer.history.upkeep import verify as inspect
    from optimizer.service.exchange.configuration import Configuration
    from optimizer.service.recording.audit_chain import verify_audit

    folder = Configuration(runs.location, state=str(state or "")).folder
    health, trail = inspect(runs, plant), verify_audit(folder)
    answer({**health.as_dict(), "audit": trail and trail.as_dict()}, as_json, show.verified)
    if not health.sound or (trail is not None and not trail.sound):
        raise typer.Exit(HistoryError.exit_code)
