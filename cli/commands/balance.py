"""The command ``balance``."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.options import (
    JsonOption,
    LanguageOption,
    LineOption,
    SiteOption,
    as_share,
    open_site,
)
from cli.output import answer
from optimizer.errors import InputError
from optimizer.text.key_values import key_values

if TYPE_CHECKING:
    from optimizer.operations.balancing.sampling_plan import SamplingPlan
    from optimizer.operations.balancing.sheet import WrittenSampleSheets
    from optimizer.plant.site import Site


class FeedSampled(StrEnum):
    """Where the feed was sampled."""

    before_return = "before_return"
    after_return = "after_return"


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
FeedSampledOption = Annotated[
    FeedSampled | None,
    typer.Option("--feed-sampled", help="Whether the feed was sampled before streams return."),
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
    float | None,
    typer.Option(
        "--difference",
        metavar="SHARE",
        parser=as_share,
        help="Difference that should show. [default: grade_difference of the site file, else 0.5%]",
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

SheetOption = Annotated[
    list[Path] | None,
    typer.Option("--sheet", metavar="FILE", help="Sheet to fill in: .pdf, .html or .csv; repeat."),
]
TestsOption = Annotated[
    int, typer.Option("--tests", metavar="N", min=1, max=50, help="Tests on the sheet.")
]
PaperOption = Annotated[
    str, typer.Option("--paper", metavar="SIZE", help="Paper of the sheet: a4 or letter.")
]


def balance(
    file: FileArgument = None,
    out: OutOption = Path("balanced.csv"),
    returned: ReturnedOption = None,
    feed_sampled: FeedSampledOption = None,
    mass_error: MassErrorOption = None,
    assay_error: AssayErrorOption = None,
    plan: PlanOption = False,
    purity: PurityOption = None,
    difference: DifferenceOption = None,
    recovery_sd: RecoverySdOption = None,
    thousand_grams: ThousandGramsOption = None,
    lot_count: LotCountOption = None,
    particulate: ParticulateOption = None,
    sheets: SheetOption = None,
    tests: TestsOption = 4,
    line: LineOption = None,
    paper: PaperOption = "a4",
    language: LanguageOption = None,
    site: SiteOption = None,
    as_json: JsonOption = False,
) -> None:
    """Turn weighed and assayed streams into grade, recovery and yield, with errors."""
    from cli.show import balance as show

    plant = open_site(site)
    if sheets:
        alone = file is None and not plan
        made = _sheets(sheets, plant, line, tests, purity, paper, language, alone)
        answer(made.as_dict(), as_json, show.sheets)
        return
    if plan:
        shown = plant.measurement.grade_difference if difference is None else difference
        asked = _sampling(purity, shown, recovery_sd, thousand_grams, lot_count, particulate)
        answer(asked.as_dict(), as_json, show.sampling)
        return
    if file is None:
        raise InputError(
            "no file of streams was given.",
            hint="Name one: highside balance streams.csv. --sheet samples.csv writes a sheet to "
            "fill in, --plan --purity 98.5% plans the sampling.",
        )
    from optimizer.operations.balancing.balance import balance as balance_streams

    found = balance_streams(
        file,
        out,
        site=plant,
        returned=returned or (),
        feed_sampled=None if feed_sampled is None else feed_sampled.value,
        mass_error=mass_error,
        assay_error=assay_error,
    )
    answer(found.as_dict(), as_json, show.balance)
    if not found.runs:
        raise typer.Exit(InputError.exit_code)


def _sheets(
    paths: list[Path],
    site: Site,
    line: str | None,
    tests: int,
    purity: float | None,
    paper: str,
    language: str | None,
    alone: bool,
) -> WrittenSampleSheets:
    from optimizer.operations.balancing.sheet import write_sample_sheets

    if not alone:
        raise InputError(
            "--sheet writes a sheet to fill in; it takes no file of streams and no --plan.",
            hint="Write the sheet alone: highside balance --sheet samples.csv",
        )
    return write_sample_sheets(
        paths, site, line=line, tests=tests, purity=purity, paper=paper, language=language
    )


def _sampling(
    purity: float | None,
    difference: float,
    recovery_sd: float | None,
    thousand_grams: float | None,
    lot_count: int | None,
    particulate: list[str] | None,
) -> SamplingPlan:
    from optimizer.operations.balancing.sampling_plan import Particulate, plan_sampling

    if purity is None:
        raise InputError(
            "--plan needs --purity, the share of wanted particles that is expected.",
            hint="Add, for example, --purity 98.5%",
        )
    given = key_values(particulate, "--particulate") if particulate else None
    return plan_sampling(
        purity,
        difference,
        recovery_sd=recovery_sd,
        thousand_grams=thousand_grams,
        lot_count=lot_count,
        particulate=None if given is None else Particulate.from_dict(given),
    )
