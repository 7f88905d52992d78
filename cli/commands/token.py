"""``highside token``: makes, lists and revokes the named tokens of a service."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from cli.options import JsonOption
from cli.output import answer

token = typer.Typer(
    help="Make, list and revoke the named tokens of a service.",
    epilog="Example: highside token new Ana --role record --tokens tokens.toml",
    no_args_is_help=True,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)


class RoleName(StrEnum):
    """The roles that a token may have."""

    read = "read"
    record = "record"


NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="Whose token it is.")]
FileOption = Annotated[
    Path,
    typer.Option("--tokens", metavar="FILE", help="The file of named tokens (TOML)."),
]


@token.command(epilog="Example: highside token new Ana --role record --tokens tokens.toml")
def new(
    name: NameArgument,
    role: Annotated[
        RoleName, typer.Option("--role", help="May read (and plan), or also record runs.")
    ],
    file: FileOption,
    expires: Annotated[
        str | None,
        typer.Option("--expires", metavar="DATE", help="Last day (UTC), or a moment in ISO 8601."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Draw a token, print it once, and add its hash to the file."""
    from cli.show import tokens as show
    from optimizer.service.admission.token_changes import new_token

    made = new_token(file, name, role.value, expires)
    answer(made.as_dict(), as_json, show.new)


@token.command("list", epilog="Example: highside token list --tokens tokens.toml")
def every(file: FileOption, as_json: JsonOption = False) -> None:
    """Say who has a token, with which role, and until when."""
    from cli.show import tokens as show
    from optimizer.service.admission.token_changes import named_tokens

    answer(named_tokens(file).as_dict(), as_json, show.listed)


@token.command(epilog="Example: highside token revoke Ana --tokens tokens.toml")
def revoke(name: NameArgument, file: FileOption, as_json: JsonOption = False) -> None:
    """End a token, and with it the sessions that were begun with it."""
    from cli.show import tokens as show
    from optimizer.service.admission.token_changes import revoke_token

    answer(revoke_token(file, name).as_dict(), as_json, show.revoked)
