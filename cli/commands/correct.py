"""The command ``correct``."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from cli.commands.record import (
    DeckStateOption,
    GradeCountOption,
    GradeOption,
    GradeSeOption,
    MaterialOption,
    MiddlingsGradeOption,
    MiddlingsShareOption,
    NoteOption,
    RecoveryOption,
    RecoverySeOption,
)
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
from optimizer.text.key_values import key_values


def correct(
    run_id: Annotated[str, typer.Argument(metavar="RUN_ID", help="Id of the run.")],
    reason: ReasonOption,
    grade: GradeOption = None,
    recovery: RecoveryOption = None,
    grade_se: GradeSeOption = None,
    recovery_se: RecoverySeOption = None,
    grade_count: GradeCountOption = None,
    middlings_share: MiddlingsShareOption = None,
    middlings_grade: MiddlingsGradeOption = None,
    deck_state: DeckStateOption = None,
    started_at: Annotated[
        str | None, typer.Option(metavar="TIME", help="ISO 8601, UTC where it has no offset.")
    ] = None,
    note: NoteOption = None,
    setting: Annotated[
        list[str] | None,
        typer.Option("--setting", metavar="KEY=VALUE", help="Setting as it was run; repeat."),
    ] = None,
    material: MaterialOption = None,
    line: LineOption = None,
    by: ByOption = None,
    location: HistoryOption = DEFAULT_HISTORY,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Correct values of a run; what is not given stays."""
    from cli.show import changes as show
    from optimizer.operations.corrections import correct as mend

    own = {
        "grade": grade, "recovery": recovery, "grade_se": grade_se, "recovery_se": recovery_se,
        "grade_count": grade_count, "middlings_share": middlings_share,
        "middlings_grade": middlings_grade, "deck_state": deck_state, "started_at": started_at,
        "note": note,
    }  # fmt: skip
    values: dict[str, Any] = {name: value for name, value in own.items() if value is not None}
    values["settings"] = key_values(setting or (), "--setting")
    values["material"] = key_values(material or (), "--material")
    made = mend(
        open_history(location),
        open_site(site),
        run_id,
        values,
        reason=reason,
        by=who(by),
        line=line,
    )
    answer(made.as_dict(), as_json, show.changes)
