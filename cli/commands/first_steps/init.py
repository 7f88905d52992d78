"""The command ``init``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.options import DateOrderOption, JsonOption, LineOption
from cli.output import answer, complain
from optimizer.errors import InputError
from optimizer.text.key_values import key_values
from optimizer.text.visible_text import printable

if TYPE_CHECKING:
    from optimizer.operations.proposing.questions import Reply


def init(
    file: Annotated[Path, typer.Argument(metavar="[FILE]")] = Path("site.toml"),
    logs: Annotated[
        list[str] | None,
        typer.Option("--from", metavar="LOG", help="Propose it from logs; repeat for more."),
    ] = None,
    ask: Annotated[bool, typer.Option("--ask", help="Ask for what it says.")] = False,
    columns: Annotated[
        list[str] | None,
        typer.Option("--map", metavar="COL=FIELD", help="Field that a heading of a log means."),
    ] = None,
    line: LineOption = None,
    date_order: DateOrderOption = None,
    time_zone: Annotated[
        str | None, typer.Option("--time-zone", metavar="ZONE", help="Such as America/Bogota.")
    ] = None,
    mass: Annotated[
        str | None, typer.Option("--mass", metavar="UNIT", help="t, kg, lb or short_ton.")
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Replace the file if it exists.")
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Write a commented site file: a template, or one from logs or answers."""
    from cli.show.first_steps import init as show
    from optimizer.operations.proposing.initializing import init as write

    if not logs and (columns or line):
        raise InputError("--map and --line tell of logs.", hint="Add --from LOG.")
    given = {"date_order": date_order, "time_zone": time_zone, "mass": mass}
    done = write(
        file,
        logs or (),
        line=line,
        mapping=key_values(columns or (), "--map", at_last=True),
        entries={key: value for key, value in given.items() if value is not None},
        reply=_replies() if ask else None,
        replace_file=replace,
    )
    answer(done.as_dict(), as_json, show.init)


def _replies() -> Reply:
    """A function that asks on stderr and reads the answers from stdin, a line each."""

    def reply(question: str, usual: str, problem: str) -> str:
        if problem and not sys.stdin.isatty():
            raise InputError(f"'{question}' {problem}", code="answer", hint="Nothing was written.")
        if problem:
            complain(problem)
        typer.echo(f"{printable(question)} [{printable(usual)}] ", err=True, nl=False)
        text = sys.stdin.readline()
        if not sys.stdin.isatty():
            typer.echo(err=True)
        if not text:
            raise InputError(
                f"the answers end before the question '{question}'",
                code="answer",
                hint="Give one line for each question; an empty line takes what stands in brackets."
                " Nothing was written.",
            )
        return text

    return reply
