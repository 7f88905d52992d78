"""The commands. Each parses, calls one library function and prints its answer.

Heavy modules are imported inside the commands that need them, so that ``--help`` answers at once.
Exit codes: 0 done, 1 nothing to recommend or a limit cannot be met, 2 wrong use or unreadable
input, 3 history damaged or locked.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from cli.compare_command import compare
from cli.diagnose_command import diagnose
from cli.options import (
    BriefOption,
    HistoryOption,
    JsonOption,
    LineOption,
    MinGradeOption,
    SeedOption,
    SiteOption,
    as_share,
    open_history,
    open_site,
    pairs,
    read_brief,
)
from cli.output import answer, complain, printable, printable_errors, progress
from cli.report_command import report
from cli.serve_command import serve
from cli.suggest_command import suggest
from optimizer.errors import HighsideError, HistoryError, InputError, reason_of

DEFAULT_HISTORY = "history"
# Exit code of a fault of the program itself, never of what a user wrote.
FAULT = 70

app = typer.Typer(
    name="highside",
    help="Learns from a gravity table's own runs which settings to try next.",
    epilog="First look: highside demo",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


class WithoutPandas:
    """Says that there is no pandas.

    At its first array pyarrow loads it, where there is one, to know its objects again. No command
    makes any, and the loading is a fifth of the time of a small load.
    """

    @staticmethod
    def find_spec(name: str, path: object = None, target: object = None) -> None:
        """As importlib asks; other modules are left to the finders behind.

        Raises:
            ModuleNotFoundError: for pandas.
        """
        if name == "pandas":
            raise ModuleNotFoundError("No command needs pandas.", name=name)


def program() -> NoReturn:
    """The whole program: ``run``, and then out, with its exit code.

    Once everything is written there is nothing to tear down. Where Python does, a thread of
    pyarrow's that is still letting go of its last batch now and then aborts the whole program.
    """
    code: str | int | None = 0
    try:
        run()
    except SystemExit as stop:
        code = stop.code
    for stream in (sys.stderr, sys.stdout):
        with suppress(OSError):  # said before, as far as there was somebody to hear it
            stream.flush()
    os._exit(code if isinstance(code, int) else int(code is not None))


def run() -> None:
    """A command: the one place where errors become messages and exit codes."""
    as_json = "--json" in sys.argv or "json" in sys.argv
    sys.meta_path.insert(0, WithoutPandas())
    try:
        with printable_errors():
            app()
    except HighsideError as error:
        complain(error.message, error.hint)
        if as_json:
            typer.echo(json.dumps({"schema": "highside.error/1", **error.as_dict()}))
        sys.exit(error.exit_code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:
        if os.environ.get("HIGHSIDE_DEBUG"):
            raise
        if isinstance(error, OSError):  # a file, a disk, a pipe: not a fault of the program
            where = f"'{error.filename}': " if error.filename else ""
            complain(f"{where}{reason_of(error)}.", "Check the path, its permissions, the disk.")
            sys.exit(InputError.exit_code)
        complain(
            f"a fault of highside itself: {type(error).__name__}: {error}",
            "What was stored before it is stored: 'highside history' shows it. "
            "Set HIGHSIDE_DEBUG=1 and run again to see where.",
        )
        sys.exit(FAULT)


def check_seed(seed: int) -> int:
    """The seed, bounded to what generators accept."""
    if seed >= 2**32:
        raise InputError(f"--seed {seed}: expected a number below 2**32.")
    return seed


@app.callback(invoke_without_command=True)
def main(
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """Learns from a gravity table's own runs which settings to try next."""
    if version:
        from optimizer import __version__

        typer.echo(f"highside {__version__}")
        raise typer.Exit


@app.command(epilog="Example: highside demo --out first-look")
def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where to put everything.")
    ] = Path("highside-demo"),
    seed: SeedOption = 0,
    as_json: JsonOption = False,
) -> None:
    """Do the whole job on the bundled season of an invented coffee mill."""
    from cli import show
    from optimizer.demo import run_demo

    done = run_demo(out, seed=check_seed(seed), progress=progress(as_json)).as_dict()
    (out / "plan.json").write_text(json.dumps(done["plan"], indent=1), encoding="utf-8")
    answer(done, as_json, show.demo)


@app.command(epilog="Example: highside init site.toml")
def init(
    file: Annotated[Path, typer.Argument(metavar="[FILE]")] = Path("site.toml"),
    as_json: JsonOption = False,
) -> None:
    """Write a commented site file to edit."""
    from optimizer.template import write_site_template

    write_site_template(file)
    answer(
        {"schema": "highside.init/1", "file": str(file)},
        as_json,
        lambda d: f"Wrote {d['file']}. Edit the ranges and steps, then: highside load LOG",
    )


@app.command(epilog="Example: highside load season/*.csv --line deck-1 --map 'Feed t/h=feed_rate'")
def load(
    logs: Annotated[list[str], typer.Argument(metavar="LOG...", help="Files, folders, globs.")],
    line: LineOption = None,
    columns: Annotated[
        list[str] | None,
        typer.Option("--map", metavar="COL=FIELD", help="Heading to field; repeat for more."),
    ] = None,
    samples: Annotated[
        bool,
        typer.Option("--samples", help="Rows are readings over time: one run a steady stretch."),
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Check, and write nothing.")] = False,
    location: HistoryOption = DEFAULT_HISTORY,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Check run logs (text, workbooks, Parquet) and add their new runs to the history."""
    from cli import show
    from optimizer.intake import load_logs

    report = load_logs(
        logs,
        open_history(location),
        open_site(site),
        line=line,
        mapping=pairs(columns or (), "--map"),
        dry_run=dry_run,
        samples=samples,
        progress=file_progress(as_json),
    )
    document = report.as_dict()
    answer(document, as_json, show.load)
    if report.unreadable or (document["read"] and document["rejected"] == document["read"]):
        raise typer.Exit(InputError.exit_code)


def file_progress(as_json: bool) -> Callable[[str, int, int], None]:
    """Progress over files on stderr of a terminal."""
    say = progress(as_json)
    return lambda name, k, n: say(f"{name} ({k} of {n})") if n > 1 else say(name)


@app.command(epilog="Example: highside balance streams.csv --out runs.csv")
def balance(
    file: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="One row a stream (CSV or Parquet).")
    ] = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The run log it writes.")
    ] = Path("balanced.csv"),
    returned: Annotated[
        list[str] | None,
        typer.Option("--returned", metavar="STREAM", help="Led back to the feed; repeat for more."),
    ] = None,
    mass_error: Annotated[
        float | None,
        typer.Option(
            "--mass-error", metavar="SHARE", parser=as_share, help="Of weights that state none."
        ),
    ] = None,
    assay_error: Annotated[
        float | None,
        typer.Option(
            "--assay-error", metavar="SHARE", parser=as_share, help="Of assays that state none."
        ),
    ] = None,
    plan: Annotated[
        bool, typer.Option("--plan", help="Instead: how much to sample for a difference to show.")
    ] = False,
    purity: Annotated[
        float | None,
        typer.Option("--purity", metavar="SHARE", parser=as_share, help="Expected, for --plan."),
    ] = None,
    difference: Annotated[
        float,
        typer.Option("--difference", metavar="SHARE", parser=as_share, help="That should show."),
    ] = 0.005,
    recovery_sd: Annotated[
        float | None,
        typer.Option(
            "--recovery-sd", metavar="SHARE", parser=as_share, help="Of one run, for the repeats."
        ),
    ] = None,
    thousand_grams: Annotated[
        float | None, typer.Option("--thousand-grams", metavar="G", help="Of 1000 particles.")
    ] = None,
    lot_count: Annotated[
        int | None, typer.Option("--lot-count", metavar="N", help="Particles in a small lot.")
    ] = None,
    particulate: Annotated[
        list[str] | None,
        typer.Option(
            "--particulate",
            metavar="KEY=VALUE",
            help="Of a broken mineral: top_size, liberation_size (mm), mineral_density, "
            "gangue_density (t/m3), sample_grams. Repeat for more.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Turn weighed and assayed streams into grade, recovery and yield, with errors."""
    from cli import show

    if plan:
        from optimizer.sampling_plan import Particulate, plan_sampling

        if purity is None:
            raise InputError("--plan needs --purity, the share expected, such as 0.985.")
        asked = plan_sampling(
            purity,
            difference,
            recovery_sd=recovery_sd,
            thousand_grams=thousand_grams,
            lot_count=lot_count,
            particulate=Particulate.from_dict(pairs(particulate, "--particulate"))
            if particulate
            else None,
        )
        answer(asked.as_dict(), as_json, show.sampling)
        return
    if file is None:
        raise InputError("no file of streams was given.", hint="Or ask for a sample with --plan.")
    from optimizer.stream_log import balance_file

    found = balance_file(
        file,
        returned=returned or (),
        mass_relative_se=mass_error,
        assay_relative_se=assay_error,
    )
    document = {**found.as_dict(), "log": str(out), "runs": found.write(out)}
    answer(document, as_json, show.balance)
    if not document["runs"]:
        raise typer.Exit(InputError.exit_code)


@app.command(epilog="Example: highside history --line deck-1 --since 2026-03-01 --export runs.csv")
def history(
    line: LineOption = None,
    since: Annotated[
        str | None, typer.Option("--since", metavar="DATE", help="Runs from this ISO date on.")
    ] = None,
    export: Annotated[
        Path | None, typer.Option("--export", metavar="FILE", help="Write runs (.csv, .parquet).")
    ] = None,
    readings: Annotated[
        Path | None,
        typer.Option("--readings", metavar="FILE", help="Write what runs were averaged from."),
    ] = None,
    verify: Annotated[
        bool, typer.Option("--verify", help="Instead: read every file, compare it with the log.")
    ] = False,
    restore: Annotated[
        int | None,
        typer.Option("--restore", metavar="VERSION", help="Instead: go back to this version."),
    ] = None,
    location: HistoryOption = DEFAULT_HISTORY,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Say what the history holds; export, verify or restore it."""
    from cli import show

    plant, runs = open_site(site), open_history(location)
    if verify or restore is not None:
        from cli import show_upkeep
        from optimizer.upkeep import restore as go_back
        from optimizer.upkeep import verify as inspect

        if restore is not None:
            now = {"restored": restore, "version": go_back(runs, restore, plant)}
            answer({"schema": "highside.restore/1", **now}, as_json, show_upkeep.restored)
        if verify:
            health = inspect(runs, plant)
            answer(health.as_dict(), as_json, show_upkeep.verified)
            if not health.sound:
                raise typer.Exit(HistoryError.exit_code)
        return
    document = runs.summary(plant, line=line, since=since)
    if export is not None:
        runs.export(export, plant, line=line, since=since, as_of=document["version"])
        document = {**document, "exported": str(export)}
    if readings is not None:
        runs.export_readings(readings, plant)
        document = {**document, "readings": str(readings)}
    answer(document, as_json, show.history)
    for file in (export, readings):
        if file is not None and not as_json:
            typer.echo(f"Exported to {printable(str(file))}.")


@app.command(
    epilog="Example: highside record --plan plan.json --rank 1 --grade 98.7% --recovery 93.1%"
)
def record(
    line: LineOption = None,
    feed_rate: Annotated[str | None, typer.Option(metavar="VALUE")] = None,
    end_raise: Annotated[str | None, typer.Option(metavar="VALUE")] = None,
    side_tilt: Annotated[str | None, typer.Option(metavar="VALUE")] = None,
    eccentric_speed: Annotated[str | None, typer.Option(metavar="VALUE")] = None,
    air: Annotated[str | None, typer.Option(metavar="VALUE")] = None,
    plan: Annotated[
        Path | None,
        typer.Option("--plan", metavar="FILE", help="Take line, settings and brief from it."),
    ] = None,
    rank: Annotated[int, typer.Option("--rank", metavar="N", help="Which trial of it.")] = 1,
    grade: Annotated[str | None, typer.Option(metavar="VALUE", help="0.987 or 98.7%.")] = None,
    recovery: Annotated[str | None, typer.Option(metavar="VALUE", help="0.931 or 93.1%.")] = None,
    grade_se: Annotated[str | None, typer.Option(metavar="VALUE")] = None,
    recovery_se: Annotated[str | None, typer.Option(metavar="VALUE")] = None,
    grade_count: Annotated[
        str | None, typer.Option(metavar="N", help="Particles counted for the grade.")
    ] = None,
    deck_state: Annotated[
        str | None, typer.Option(metavar="STATE", help="even, boiling, sluggish, starved, flooded")
    ] = None,
    material: Annotated[
        list[str] | None,
        typer.Option("--material", metavar="KEY=VALUE", help="As measured; repeat for more."),
    ] = None,
    started_at: Annotated[
        str | None,
        typer.Option(metavar="TIME", help="ISO 8601, UTC where it has no offset. [default: now]"),
    ] = None,
    run_id: Annotated[str | None, typer.Option(metavar="ID")] = None,
    note: Annotated[str | None, typer.Option(metavar="TEXT")] = None,
    source: Annotated[
        Path | None, typer.Option("--from", metavar="FILE", help="A filled-in log instead.")
    ] = None,
    brief: BriefOption = None,
    min_grade: MinGradeOption = None,
    location: HistoryOption = DEFAULT_HISTORY,
    site: SiteOption = None,
    seed: Annotated[
        int | None,
        typer.Option("--seed", metavar="N", min=0, help="Of all chance. [default: the plan's, 0]"),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Add one trial's result, and say what it changed."""
    from cli import show
    from cli.rows import read_plan, result_row
    from optimizer.recording import record as add

    fields = {
        "line": line,
        "feed_rate": feed_rate,
        "end_raise": end_raise,
        "side_tilt": side_tilt,
        "eccentric_speed": eccentric_speed,
        "air": air,
        "grade": grade,
        "recovery": recovery,
        "grade_se": grade_se,
        "recovery_se": recovery_se,
        "grade_count": grade_count,
        "deck_state": deck_state,
        "started_at": started_at,
        "run_id": run_id,
        "note": note,
        **pairs(material or (), "--material"),
    }
    given = {k: v for k, v in fields.items() if v is not None}
    result: Any = source
    planned = None if plan is None else read_plan(plan)
    if source is None:
        result = [result_row(given, planned, rank)]
        line = result[0].get("line", line)
    elif set(given) - {"line"} or plan is not None:
        raise InputError("give either --from FILE or the result's own options, not both.")
    asked = None if planned is None else planned.brief
    wanted = read_brief(brief, line, None, min_grade, planned=asked)
    if seed is None:
        seed = 0 if planned is None else planned.seed
    done = add(open_history(location), open_site(site), result, wanted, seed=check_seed(seed))
    document = done.as_dict()
    answer(document, as_json, show.recorded)
    if done.failure is not None:
        raise typer.Exit(tell_failure(document, done.failure))
    if document["load"]["rejected"] or done.load.unreadable:
        raise typer.Exit(InputError.exit_code)


def tell_failure(document: Mapping[str, Any], failure: Exception) -> int:
    """Says on stderr what became of a result whose plan failed; gives the exit code."""
    if os.environ.get("HIGHSIDE_DEBUG"):
        raise failure
    added, version = document["load"]["added"], document["load"]["version"]
    what = "the result is" if added == 1 else f"{added} results are"
    stored = f"{what} stored (history version {version})" if added else "nothing new was stored"
    complain(
        f"{stored}; planning again failed: {document['failed']['message']}",
        "Do not record it again: 'highside suggest' plans with what is stored.",
    )
    return failure.exit_code if isinstance(failure, HighsideError) else FAULT


app.command(epilog="Example: highside report --brief brief.toml --sheet sheet.pdf")(report)
app.command(epilog="Example: highside diagnose --line deck-1 --min-grade 0.985")(diagnose)
app.command(epilog="Example: highside compare --min-grade 0.985 --feed-rate 2.4")(compare)
app.command(epilog="Example: highside suggest --line deck-1 --min-grade 0.985 --trials 4")(suggest)
app.command(epilog="Example: highside serve --port 8765")(serve)
