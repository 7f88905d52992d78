"""``highside compare``: lines side by side on the same material, feed rate and grade."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from cli.options import (
    AnonymousOption,
    AsOfOption,
    BriefOption,
    ConfidenceOption,
    FractionsOption,
    HistoryOption,
    HoursOption,
    JsonOption,
    MaterialOption,
    MiddlingsPriceOption,
    MinGradeOption,
    Money,
    PriceOption,
    RejectPriceOption,
    SchedulerOption,
    SeedOption,
    SiteOption,
    WorkersOption,
    comparison_request,
    open_history,
    open_site,
    read_brief,
)
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
    middlings_price: MiddlingsPriceOption = None,
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
    from optimizer.comparison import compare as put_side_by_side

    request = comparison_request(
        lines,
        feed_rate=feed_rate,
        money=Money(price, hours, reject_price, middlings_price),
        fractions=fractions,
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
