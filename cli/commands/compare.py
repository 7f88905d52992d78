"""``highside compare``: lines side by side on the same material, feed rate and grade."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from cli.options import (
    AsOfOption,
    BriefOption,
    ConfidenceOption,
    HistoryOption,
    JsonOption,
    MaterialOption,
    MinGradeOption,
    SchedulerOption,
    SeedOption,
    SiteOption,
    WorkersOption,
    open_history,
    open_site,
    read_brief,
)
from optimizer.errors import InputError
from optimizer.text.names import composed

NOTHING_TO_COMPARE = 1


class RankBy(StrEnum):
    """The quantity by which lines are ranked."""

    attainable = "attainable"
    current = "current"
    gap = "gap"


LinesOption = Annotated[
    list[str] | None,
    typer.Option(
        "--lines",
        metavar="NAME[,NAME]",
        help="Lines to compare. [default: all]",
        callback=composed,
    ),
]
FeedRateOption = Annotated[
    float | None,
    typer.Option("--feed-rate", metavar="RATE", help="Common feed rate, in the site's unit."),
]
RankByOption = Annotated[RankBy, typer.Option("--rank-by", help="Quantity to rank by.")]
PriceOption = Annotated[
    float | None, typer.Option("--price", metavar="VALUE", help="Price of a tonne of product.")
]
RejectPriceOption = Annotated[
    float, typer.Option("--reject-price", metavar="VALUE", help="Price of a tonne of reject.")
]
HoursOption = Annotated[
    float | None, typer.Option("--hours", metavar="H", help="Running hours of a season.")
]
FractionsOption = Annotated[
    Path | None,
    typer.Option("--fractions", metavar="FILE", help="Density fractions of the lines."),
]
AnonymousOption = Annotated[
    bool, typer.Option("--anonymous", help="Call lines A, B, C in the order of rank.")
]


def compare(
    lines: LinesOption = None,
    min_grade: MinGradeOption = None,
    confidence: ConfidenceOption = None,
    feed_rate: FeedRateOption = None,
    material: MaterialOption = None,
    brief: BriefOption = None,
    rank_by: RankByOption = (RankBy.attainable),
    price: PriceOption = None,
    reject_price: RejectPriceOption = 0.0,
    hours: HoursOption = None,
    fractions: FractionsOption = None,
    anonymous: AnonymousOption = False,
    scheduler: SchedulerOption = None,
    workers: WorkersOption = None,
    as_of: AsOfOption = None,
    location: HistoryOption = "history",
    site: SiteOption = None,
    seed: SeedOption = 0,
    as_json: JsonOption = False,
) -> None:
    """Compare lines on equal footing: what each gets, could get, and why it does not."""
    from cli.output import answer, check_seed, progress
    from cli.show import comparison as show_comparison
    from optimizer.comparison import ComparisonRequest, Prices, read_fractions
    from optimizer.comparison import compare as put_side_by_side

    if (price is None) != (hours is None):
        raise InputError("--price and --hours go together: value per tonne, hours per season.")
    request = ComparisonRequest(
        lines=[n.strip() for entry in lines or () for n in entry.split(",") if n.strip()] or None,
        feed_rate=feed_rate,
        prices=None if price is None or hours is None else Prices(price, hours, reject_price),
        fractions=None if fractions is None else read_fractions(fractions),
        ranked_by=rank_by.value,
        anonymous=anonymous,
    )
    found = put_side_by_side(
        open_history(location).at(as_of),
        open_site(site),
        read_brief(brief, None, material, min_grade, None, confidence),
        request,
        seed=check_seed(seed),
        scheduler=scheduler,
        workers=workers,
        progress=progress(as_json),
    ).as_dict()
    answer(found, as_json, show_comparison.comparison)
    if len(found["lines"]) < 2:
        raise typer.Exit(NOTHING_TO_COMPARE)
