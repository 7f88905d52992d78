"""``highside report``: writes a page on which to decide, and trial sheets for the deck."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

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
    LanguageOption,
    LineOption,
    MaterialOption,
    MiddlingsPriceOption,
    MinGradeOption,
    Money,
    PriceOption,
    RejectPriceOption,
    SeedOption,
    SiteOption,
    comparison_request,
    open_history,
    open_site,
    read_brief,
)
from optimizer.errors import InputError

if TYPE_CHECKING:
    from optimizer.comparison import ComparisonRequest


SheetOption = Annotated[
    list[Path] | None,
    typer.Option("--sheet", metavar="FILE", help="Trial sheet: .pdf, .html or .csv; repeat."),
]
PaperOption = Annotated[
    str, typer.Option("--paper", metavar="SIZE", help="Paper of the sheet: a4 or letter.")
]
TrialsOption = Annotated[
    int | None, typer.Option("--trials", metavar="N", help="How many trials to plan.")
]
BatchOption = Annotated[
    str | None,
    typer.Option("--batch", metavar="BATCH", help="Only the sheets of this issued batch."),
]
ComparedOption = Annotated[
    bool, typer.Option("--compare", help="Also compare all lines, as compare does.")
]
CommonFeedRateOption = Annotated[
    float | None,
    typer.Option("--feed-rate", metavar="RATE", help="Common feed rate of the comparison."),
]


def report(
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="The page to write.")] = Path(
        "report.html"
    ),
    sheets: SheetOption = None,
    paper: PaperOption = "a4",
    language: LanguageOption = None,
    brief: BriefOption = None,
    line: LineOption = None,
    material: MaterialOption = None,
    min_grade: MinGradeOption = None,
    confidence: ConfidenceOption = None,
    trials: TrialsOption = None,
    batch: BatchOption = None,
    compared: ComparedOption = False,
    feed_rate: CommonFeedRateOption = None,
    price: PriceOption = None,
    reject_price: RejectPriceOption = 0.0,
    middlings_price: MiddlingsPriceOption = None,
    hours: HoursOption = None,
    fractions: FractionsOption = None,
    anonymous: AnonymousOption = False,
    as_of: AsOfOption = None,
    location: HistoryOption = "history",
    site: SiteOption = None,
    seed: SeedOption = 0,
    as_json: JsonOption = False,
) -> None:
    """Write one HTML page with the plan and its plots, and the trial sheet to print."""
    from cli.output import answer, check_seed, progress
    from optimizer.operations.reporting import ReportFiles
    from optimizer.operations.reporting import report as write_page

    if batch is not None:
        from optimizer.operations.batch_sheets import write_batch_sheets

        done = write_batch_sheets(
            open_history(location).at(as_of),
            batch,
            sheets or (),
            paper,
            open_site(site).words_in(language),
        )
        answer(done.as_dict(), as_json, _text)
        return
    money = Money(price, hours, reject_price, middlings_price)
    request = _compared(compared, feed_rate, money, fractions, anonymous)
    command = shlex.join(["highside", *sys.argv[1:]])
    files = ReportFiles(out, tuple(sheets or ()), paper, language, command)
    written = write_page(
        open_history(location).at(as_of),
        open_site(site),
        read_brief(brief, line, material, min_grade, trials, confidence),
        files,
        compared=request,
        seed=check_seed(seed),
        progress=progress(as_json),
    )
    answer(written.as_dict(), as_json, _text)


def _compared(
    compared: bool, feed_rate: float | None, money: Money, fractions: Path | None, anonymous: bool
) -> ComparisonRequest | bool:
    """What is compared of the lines; False for no comparison.

    Raises:
        InputError: when options of a comparison are given without one.
    """
    price, hours, reject, middlings = money
    beyond = feed_rate, price, hours, fractions, reject or None, middlings, anonymous or None
    if not compared and any(option is not None for option in beyond):
        raise InputError(
            "--feed-rate, --price, --reject-price, --middlings-price, --hours, --fractions and "
            "--anonymous choose how lines are compared.",
            hint="Add --compare, or leave them out.",
        )
    if not compared:
        return False
    return comparison_request(
        None,
        feed_rate=feed_rate,
        money=money,
        fractions=fractions,
        ranked_by="attainable",
        anonymous=anonymous,
    )


def _text(document: dict[str, Any]) -> str:
    lines = [f"Report: {document['report']}"] if "report" in document else []
    lines += [f"Sheet:  {sheet}" for sheet in document["sheets"]]
    filled = [sheet for sheet in document["sheets"] if sheet.endswith(".csv")]
    if filled:
        lines.append(f"When it is filled in: highside record --from {filled[0]}")
    return "\n".join(lines)
