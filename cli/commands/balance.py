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

FileArgument = Annotated[
    Path | None,
    typer.Argument(metavar="[FILE]", help="Streams, one in each row (CSV or Parquet)."),
]
OutOption = Annotated[Path, typer.Option("--out", metavar="FILE", help="The run log to write.")]
ReturnedOption = Annotated[
    list[str] | None,
    typer.Option(
        "--returned", metavar="STREAM", help="Stream led back to the feed; repeat for more."
    ),
]
MassErrorOption = Annotated[
    float | None,
    typer.Option(
        "--mass-error",
        metavar="SHARE",
        parser=as_share,
        help="Relative error of weights without one.",
    ),
]
AssayErrorOption = Annotated[
    float | None,
    typer.Option(
        "--assay-error",
        metavar="SHARE",
        parser=as_share,
        help="Relative error of assays without one.",
    ),
]
PlanOption = Annotated[
    bool, typer.Option("--plan", help="Plan the sampling instead: how much shows a difference.")
]
PurityOption = Annotated[
    float | None,
    typer.Option("--purity", metavar="SHARE", parser=as_share, help="Purity expected, for --plan."),
]
DifferenceOption = Annotated[
    float,
    typer.Option(
        "--difference", metavar="SHARE", parser=as_share, help="Difference that should show."
    ),
]
RecoverySdOption = Annotated[
    float | None,
    typer.Option(
        "--recovery-sd",
        metavar="SHARE",
        parser=as_share,
        help="Scatter of one run, for the number of repeats.",
    ),
]
ThousandGramsOption = Annotated[
    float | None,
    typer.Option("--thousand-grams", metavar="G", help="Weight of 1000 particles."),
]
LotCountOption = Annotated[
    int | None, typer.Option("--lot-count", metavar="N", help="Particles in a small lot.")
]
ParticulateOption = Annotated[
    list[str] | None,
    typer.Option(
        "--particulate",
        metavar="KEY=VALUE",
        help="Properties of a broken mineral: top_size, liberation_size (mm), mineral_density, "
        "gangue_density (t/m3), sample_grams. Repeat for more.",
    ),
]


def balance(
    file: FileArgument = None,
    out: OutOption = Path("balanced.csv"),
    returned: ReturnedOption = None,
    mass_error: MassErrorOption = None,
    assay_error: AssayErrorOption = None,
    plan: PlanOption = False,
    purity: PurityOption = None,
    difference: DifferenceOption = 0.005,
    recovery_sd: RecoverySdOption = None,
    thousand_grams: ThousandGramsOption = None,
    lot_count: LotCountOption = None,
    particulate: ParticulateOption = None,
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
        raise InputError(
            "no file of streams was given.", hint="Give one, or plan the sampling with --plan."
        )
    from optimizer.operations.balance import balance as balance_streams

    found = balance_streams(
        file, out, returned=returned or (), mass_error=mass_error, assay_error=assay_error
    )
    answer(found.as_dict(), as_json, show.balance)
    if not found.runs:
        raise typer.Exit(InputError.exit_code)
