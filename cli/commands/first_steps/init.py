"""The command ``init``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.options import JsonOption
from cli.output import answer


def init(
    file: Annotated[Path, typer.Argument(metavar="[FILE]")] = Path("site.toml"),
    as_json: JsonOption = False,
) -> None:
    """Write a commented site file to edit."""
    from optimizer.plant.template import init as write_site_file

    write_site_file(file)
    answer(
        {"schema": "highside.init/1", "file": str(file)},
        as_json,
        lambda d: f"Wrote {d['file']}. Edit the ranges and steps, then: highside load LOG",
    )
