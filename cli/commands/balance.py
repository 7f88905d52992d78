"""The command ``balance``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from cli.options import (
    JsonOption,
    as_share,
)
from cli.output import answer
from optimizer.errors import InputError
from optimizer.text.key_values import key_values


def balance(
    file: Annotated[
        Path | None,
        typer.Argument(metavar="[FILE]", help="Streams, one in a row (CSV or Parquet)."),
    ] = None,
    out: Annotated[
        Path, typer.Option("--out", metavar="FILE", help="The run log to write.")
    ] = Path("balanced.csv"),
    returned: Annotated[
        list[str] | None,
        typer.Option(
            "--returned", metavar="STREAM", help="Stream led back to the feed; repeat for more."
        ),
    ] = None,
    mass_error: Annotated[
        float | None,
        typer.Option(
            "--mass-error",
            metavar="SHARE",
            parser=as_share,
            help="Relative error of weights without one.",
        ),
    ] = None,
    assay_error: Annotated[
        float | None,
        typer.Option(
            "--assay-error",
            metavar="SHARE",
            parser=as_share,
            help="Relative error of assays without one.",
        ),
    ] = None,
    plan: Annotated[
        bool, typer.Option("--plan", help="Plan the sampling instead: how much shows a difference.")
    ] = False,
    purity: Annotated[
        float | None,
        typer.Option(
            "--purity", metavar="SHARE", parser=as_share, help="Purity expected, for --plan."
        ),
    ] = None,
    difference: Annotated[
        float,
        typer.Option(
            "--difference", metavar="SHARE", parser=as_share, help="Difference that should show."
        ),
    ] = 0.005,
    recovery_sd: Annotated[
        float | None,
        typer.Option(
            "--recovery-sd",
            metavar="SHARE",
            parser=as_share,
            help="Scatter of one run, for the number of repeats.",
        ),
    ] = None,
    thousand_grams: Annotated[
        float | None,
        typer.Option("--thousand-grams", metavar="G", help="Weight of 1000 particles."),
    ] = None,
    lot_count: Annotated[
        int | None, typer.Option("--lot-count", metavar="N", help="Particles in a small lot.")
    ] = None,
    particulate: Annotated[
        list[str] | None,
        typer.Option(
            "--particulate",
            metavar="KEY=VALUE",
            help="Properties of a broken mineral: top_size, liberation_size (mm), mineral_density, "
            "gangue_density (t/m3), sample_grams. Repeat for more.",
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Turn weighed and assayed streams into grade, recovery and yield, with errors."""
    from cli.show import balance as show

    if plan:
        from optimizer.operations.sampling_plan import Particulate, plan_sampling

        if purity is None:
            raise InputError("--plan needs --purity, the share expected, such as 0.985.")
        asked = plan_sampling(
            purity,
            difference,
            recovery_sd=recovery_sd,
            thousand_grams=thousand_grams,
            lot_count=lot_count,
            particulate=Particulate.from_dict(key_values(particulate, "--particulate"))
            if particulate
            else None,
        )
        answer(asked.as_dict(), as_json, show.sampling)
        return
    if file is None:
        raise InputError("no file of streams was given.", hint="Or ask for a sample with --plan.")
    from optimizer.operations.balance import balance as balance_streams

    found = balance_streams(
        file, out, returned=returned or (), mass_error=mass_error, assay_error=assay_error
    )
    answer(found.as_dict(), as_json, show.balance)
    if not found.runs:
        raise typer.Exit(InputError.exit_code)
