"""The command ``record``."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from cli.options import (
    DEFAULT_HISTORY,
    BriefOption,
    HistoryOption,
    JsonOption,
    LineOption,
    MinGradeOption,
    SiteOption,
    open_history,
    open_site,
    read_brief,
)
from cli.output import FAULT, answer, check_seed, complain
from optimizer.errors import HighsideError, InputError, nearest
from optimizer.plant.run_columns import DECK_STATES
from optimizer.text.key_values import key_values

if TYPE_CHECKING:
    from optimizer.history.history import History
    from optimizer.operations.plan_file import PlanFile
    from optimizer.operations.recording import Recorded
    from optimizer.plant.brief import Brief
    from optimizer.plant.site import Site


SETTING = "As it was run, in the site's unit."


FeedRateOption = Annotated[str | None, typer.Option(metavar="VALUE", help=SETTING)]
EndRaiseOption = Annotated[str | None, typer.Option(metavar="VALUE", help=SETTING)]
SideTiltOption = Annotated[str | None, typer.Option(metavar="VALUE", help=SETTING)]
EccentricSpeedOption = Annotated[str | None, typer.Option(metavar="VALUE", help=SETTING)]
AirOption = Annotated[str | None, typer.Option(metavar="VALUE", help=SETTING)]
PlanOption = Annotated[
    Path | None,
    typer.Option("--plan", metavar="FILE", help="Plan to take line, settings and brief from."),
]
RankOption = Annotated[
    int, typer.Option("--rank", metavar="N", help="Rank of the trial in the plan.")
]
TrialOption = Annotated[
    str | None,
    typer.Option("--trial", metavar="TRIAL", help="Issued trial that was run, as deck-1-7.2."),
]
SettingOption = Annotated[
    list[str] | None,
    typer.Option("--setting", metavar="NAME=VALUE", help="A setting as it was run; repeat."),
]
GradeOption = Annotated[str | None, typer.Option(metavar="VALUE", help="0.987 or 98.7%.")]
RecoveryOption = Annotated[str | None, typer.Option(metavar="VALUE", help="0.931 or 93.1%.")]
GradeSeOption = Annotated[
    str | None, typer.Option(metavar="VALUE", help="Standard error of the grade.")
]
RecoverySeOption = Annotated[
    str | None, typer.Option(metavar="VALUE", help="Standard error of the recovery.")
]
GradeCountOption = Annotated[
    str | None, typer.Option(metavar="N", help="Particles counted for the grade.")
]
MiddlingsShareOption = Annotated[
    str | None,
    typer.Option(metavar="VALUE", help="Middlings kept as a product, as a share of the feed."),
]
MiddlingsGradeOption = Annotated[
    str | None, typer.Option(metavar="VALUE", help="Grade of the middlings.")
]
DeckStateOption = Annotated[str | None, typer.Option(metavar="STATE", help=", ".join(DECK_STATES))]
MaterialOption = Annotated[
    list[str] | None,
    typer.Option(
        "--material", metavar="KEY=VALUE", help="Measured property of the material; repeat."
    ),
]
StartedAtOption = Annotated[
    str | None,
    typer.Option(
        metavar="TIME",
        help="Date and time, or a time of day alone, by the plant's clock. [now]",
    ),
]
RunIdOption = Annotated[str | None, typer.Option(metavar="ID", help="Id of the run.")]
NoteOption = Annotated[str | None, typer.Option(metavar="TEXT", help="Note on the run.")]
SourceOption = Annotated[
    Path | None,
    typer.Option("--from", metavar="FILE", help="Read the result from a log or filled-in sheet."),
]
SeedOption = Annotated[
    int | None,
    typer.Option(
        "--seed",
        metavar="N",
        min=0,
        help="Seed of everything random. [default: the plan's, or 0]",
    ),
]
SureOption = Annotated[
    bool, typer.Option("--sure", help="Store the result even if it is hard to believe.")
]


def record(
    line: LineOption = None,
    feed_rate: FeedRateOption = None,
    end_raise: EndRaiseOption = None,
    side_tilt: SideTiltOption = None,
    eccentric_speed: EccentricSpeedOption = None,
    air: AirOption = None,
    plan: PlanOption = None,
    rank: RankOption = 1,
    trial: TrialOption = None,
    setting: SettingOption = None,
    grade: GradeOption = None,
    recovery: RecoveryOption = None,
    grade_se: GradeSeOption = None,
    recovery_se: RecoverySeOption = None,
    grade_count: GradeCountOption = None,
    middlings_share: MiddlingsShareOption = None,
    middlings_grade: MiddlingsGradeOption = None,
    deck_state: DeckStateOption = None,
    material: MaterialOption = None,
    started_at: StartedAtOption = None,
    run_id: RunIdOption = None,
    note: NoteOption = None,
    source: SourceOption = None,
    sure: SureOption = False,
    brief: BriefOption = None,
    min_grade: MinGradeOption = None,
    location: HistoryOption = DEFAULT_HISTORY,
    site: SiteOption = None,
    seed: SeedOption = None,
    as_json: JsonOption = False,
) -> None:
    """Add one trial's result, and say what it changed."""
    from cli.show import record as show
    from optimizer.operations.plan_file import read_plan
    from optimizer.operations.recording import record as add

    given, history, plant = _given(locals(), material), open_history(location), open_site(site)
    given |= _settings(plant, line, setting, given)
    _check_use(given, trial, source, plan, brief)
    planned = None if plan is None else read_plan(plan)
    wanted = None  # that of the batch whose sheet is read
    if trial is not None:
        wanted = _brief_of_trial(history, trial, min_grade)
    elif source is None or (brief, line, min_grade) != (None, None, None):
        wanted = _brief_of(brief, line, min_grade, planned)
    done = add(
        history,
        plant,
        given if source is None else source,
        wanted,
        plan=planned,
        rank=rank,
        trial=trial,
        seed=None if seed is None else check_seed(seed),
        sure=sure,
    )
    answer(done.as_dict(), as_json, show.recorded)
    if code := _exit_code(done):
        raise typer.Exit(code)


def _brief_of(
    path: Path | None, line: str | None, min_grade: str | None, planned: PlanFile | None
) -> Brief:
    """The brief of a file or of a plan, with what the options say instead."""
    if planned is None:
        return read_brief(path, line, None, min_grade)
    return read_brief(path, line or planned.line, None, min_grade, planned=planned.brief)


FIELDS = (
    "line", "feed_rate", "end_raise", "side_tilt", "eccentric_speed", "air", "grade", "recovery",
    "grade_se", "recovery_se", "grade_count", "middlings_share", "middlings_grade", "deck_state",
    "started_at", "run_id", "note",
)  # fmt: skip
"""Options that are columns of a log under the same name."""


def _given(options: Mapping[str, Any], material: list[str] | None) -> dict[str, Any]:
    """The options that were given, as columns and values of a log."""
    fields = {name: options[name] for name in FIELDS}
    fields |= key_values(material or (), "--material")
    return {name: value for name, value in fields.items() if value is not None}


def _check_use(
    given: Mapping[str, Any],
    trial: str | None,
    source: Path | None,
    plan: Path | None,
    brief: Path | None,
) -> None:
    """Refuses options that contradict each other."""
    if trial is not None and (source is not None or plan is not None or brief is not None):
        raise InputError("--trial brings its own brief; give neither --from, --plan nor --brief.")
    if source is not None and (set(given) - {"line"} or plan is not None):
        raise InputError("give either --from FILE or the result's own options, not both.")


def _exit_code(done: Recorded) -> int:
    """The exit code; a failure is told on stderr."""
    if done.failure is not None:
        return tell_failure(done)
    return InputError.exit_code if done.load.rejected or done.load.unreadable else 0


def _settings(
    site: Site, line: str | None, entries: list[str] | None, given: Mapping[str, Any]
) -> dict[str, str]:
    """The settings of ``--setting``, whose names the site must declare."""
    found = key_values(entries or (), "--setting")
    space = site.space_of(line)
    known = site.setting_names if line is None else (*space.names, *space.gates)
    for name in found:
        if name not in known:
            raise InputError(f"--setting: unknown name '{name}'.", hint=nearest(name, known))
        if name in given:
            raise InputError(f"{name} is given twice, by its own option and by --setting.")
    return found


def _brief_of_trial(history: History, trial: str, min_grade: str | None) -> Brief | None:
    """The brief of a trial's batch with another grade; None where none is given."""
    from optimizer.history.issued import find_trial

    if min_grade is None:
        return None
    own = find_trial(history.at(), trial)[0].brief
    return read_brief(None, None, None, min_grade, planned=own)


def tell_failure(done: Recorded) -> int:
    """Says on stderr whether the results are stored although planning failed.

    Returns:
        The exit code of the failure.
    """
    failure = done.failure
    assert failure is not None
    if os.environ.get("HIGHSIDE_DEBUG"):
        raise failure
    added, version = done.load.added, done.load.version
    what = "the result is" if added == 1 else f"{added} results are"
    stored = f"{what} stored (history version {version})" if added else "nothing new was stored"
    complain(
        f"{stored}; planning again failed: {done.cause}",
        "Do not record it again: 'highside suggest' plans with what is stored.",
    )
    return failure.exit_code if isinstance(failure, HighsideError) else FAULT
