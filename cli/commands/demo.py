"""The command ``demo``."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from cli.options import (
    JsonOption,
    SeedOption,
)
from cli.output import answer, check_seed, progress
from optimizer.files import write_whole


def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where to put everything.")
    ] = Path("highside-demo"),
    seed: SeedOption = 0,
    as_json: JsonOption = False,
) -> None:
    """Do the whole job on the bundled season of an invented coffee mill."""
    from cli.show import demo as show
    from optimizer.operations.demo import run_demo

    done = run_demo(out, seed=check_seed(seed), progress=progress(as_json)).as_dict()
    write_whole(out / "plan.json", json.dumps(done["plan"], indent=1).encode())
    answer(done, as_json, show.demo)
