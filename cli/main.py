"""The program: its commands, and the conversion of errors to messages and exit codes.

Heavy modules are imported inside the commands that need them, so that ``--help`` is printed at
once. Exit codes: 0 done; 1 nothing to recommend, or a limit cannot be met; 2 wrong use or
unreadable input; 3 history damaged or locked.
"""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from importlib.machinery import ModuleSpec, PathFinder
from importlib.util import LazyLoader
from typing import Annotated, Any, NoReturn

import typer

from cli.commands.balance import balance
from cli.commands.batch import batch
from cli.commands.compare import compare
from cli.commands.correct import correct
from cli.commands.diagnose import diagnose
from cli.commands.first_steps.demo import demo
from cli.commands.first_steps.guide import guide
from cli.commands.first_steps.init import init
from cli.commands.history import history
from cli.commands.load import load
from cli.commands.record import record
from cli.commands.report import report
from cli.commands.serve import serve
from cli.commands.site import site
from cli.commands.suggest import suggest
from cli.commands.token import token
from cli.commands.withdraw import withdraw
from cli.output import FAULT, complain, fit_streams, printable_errors
from optimizer.errors import HighsideError, InputError, reason_of
from optimizer.text.visible_text import json_line

app = typer.Typer(
    name="highside",
    help="Learns from a gravity table's own runs which settings to try next.",
    epilog="First look: highside demo. How to do a task: highside guide",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
)


class WithoutPandas:
    """An import finder that reports pandas as missing.

    When pyarrow makes its first array, it imports pandas, if installed, to recognize pandas
    objects. No command makes such objects, and the import takes a fifth of the time of a small
    load.
    """

    @staticmethod
    def find_spec(name: str, path: object = None, target: object = None) -> None:
        """Refuse pandas; return None for other modules, which leaves them to the other finders.

        Raises:
            ModuleNotFoundError: for pandas.
        """
        if name == "pandas":
            raise ModuleNotFoundError("No command needs pandas.", name=name)


class LoadedLate:
    """An import finder that loads some modules only when an attribute of theirs is first used.

    scipy imports every part of numpy, and its optimizers import its geometry. No plan uses the
    modules named here, and loading them takes a sixth of the time of all imports.
    """

    names = frozenset({"numpy.f2py", "numpy.testing", "scipy.spatial"})

    @classmethod
    def find_spec(cls, name: str, path: Any = None, target: Any = None) -> ModuleSpec | None:
        """The specification of a module that is loaded late; None for other modules."""
        spec = PathFinder.find_spec(name, path, target) if name in cls.names else None
        if spec is not None and spec.loader is not None:
            spec.loader = LazyLoader(spec.loader)
        return spec


def program() -> NoReturn:
    """Run a command and end the process with its exit code.

    The process ends without tearing down Python. All output is written by then, and during a
    teardown a thread of pyarrow that still releases its last batch sometimes aborts the process.
    """
    code: str | int | None = 0
    sys.meta_path[:0] = [WithoutPandas(), LoadedLate()]
    fit_streams()
    try:
        run()
    except SystemExit as stop:
        code = stop.code
    for stream in (sys.stderr, sys.stdout):
        with suppress(OSError):  # a closed pipe was already reported
            stream.flush()
    os._exit(code if isinstance(code, int) else int(code is not None))


def run() -> None:
    """Run a command; on an error print its message and exit with its code."""
    as_json = "--json" in sys.argv or "json" in sys.argv
    try:
        with printable_errors():
            app()
    except HighsideError as error:
        complain(error.message, error.hint)
        if as_json:
            typer.echo(json_line({"schema": "highside.error/1", **error.as_dict()}))
        sys.exit(error.exit_code)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:
        if os.environ.get("HIGHSIDE_DEBUG"):
            raise
        if isinstance(error, OSError):  # a file or disk, not a program fault
            where = f"'{error.filename}': " if error.filename else ""
            complain(f"{where}{reason_of(error)}.", "Check the path, its permissions, the disk.")
            sys.exit(InputError.exit_code)
        complain(
            f"a fault of highside itself: {type(error).__name__}: {error}",
            "What was stored before stays stored: 'highside history' shows it. "
            "Set HIGHSIDE_DEBUG=1 and run again to see where.",
        )
        sys.exit(FAULT)


@app.callback(invoke_without_command=True)
def main(
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    """Learns from a gravity table's own runs which settings to try next."""
    if version:
        from optimizer.version import __version__

        typer.echo(f"highside {__version__}")
        raise typer.Exit


app.command(epilog="Example: highside report --brief brief.toml --sheet sheet.pdf")(report)
app.command(epilog="Example: highside diagnose --line deck-1 --min-grade 0.985")(diagnose)
app.command(epilog="Example: highside compare --min-grade 0.985 --feed-rate 2.4")(compare)
app.command(epilog="Example: highside suggest --line deck-1 --min-grade 0.985 --trials 4")(suggest)
app.command(epilog="Example: highside serve --port 8765")(serve)
app.command(epilog="Example: highside demo --out first-look")(demo)
app.command(epilog="Example: highside init site.toml")(init)
app.command(epilog="Example: highside site --check")(site)
app.command(epilog="Example: highside load season/*.csv --line deck-1 --map 'Feed t/h=feed_rate'")(
    load
)
app.command(epilog="Example: highside balance streams.csv --out runs.csv")(balance)
app.command(epilog="Example: highside history --line deck-1 --since 2026-03-01 --export runs.csv")(
    history
)
app.command(
    epilog="Example: highside record --plan plan.json --rank 1 --grade 98.7% --recovery 93.1%"
)(record)
app.command(
    epilog="Example: highside correct deck-1-7.2 --grade 98.2% --reason 'digits exchanged'"
)(correct)
app.command(epilog="Example: highside withdraw deck-1-7.2 --reason 'sample mixed up'")(withdraw)
app.command(epilog="Example: highside batch deck-1-7")(batch)
app.command(epilog="Example: highside guide plan")(guide)
app.add_typer(token, name="token")
