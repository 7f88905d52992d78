"""The command ``demo``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.options import JsonOption, SeedOption
from cli.output import answer, check_seed, progress


def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Where to put everything.")
    ] = Path("highside-demo"),
    seed: SeedOption = 0,
    as_json: JsonOption = False,
) -> None:
    """Do the whole job on the bundled season of an invented coffee mill."""
    from cli.show.first_steps import demo as show
    from optimizer.operations.demo import demo as do_the_whole_job

    done = do_the_whole_job(out, seed=check_seed(seed), progress=progress(as_json))
    answer(done.as_dict(), as_json, show.demo)
